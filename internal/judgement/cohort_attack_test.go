package judgement_test

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// tooFew is the number of programmes below which nothing may be told of them.
const tooFew = 5

// allAges stands for the block of all ages where others stand for a band.
const allAges = -1

// additive is everything of a cohort that adds up over its bands, what each programme adds to it.
var additive = func() map[string]func(judgement.Facts) int {
	counted := func(is func(judgement.Facts) bool) func(judgement.Facts) int {
		return func(f judgement.Facts) int {
			if is(f) {
				return 1
			}
			return 0
		}
	}
	all := map[string]func(judgement.Facts) int{
		"enrolled":           counted(func(judgement.Facts) bool { return true }),
		"practised":          counted(func(f judgement.Facts) bool { return f.Practised > 0 }),
		"over":               counted(func(f judgement.Facts) bool { return f.Over }),
		"over and practised": counted(func(f judgement.Facts) bool { return f.Over && f.Practised > 0 }),
		"completed":          counted(func(f judgement.Facts) bool { return f.Over && f.Completed }),
		"off centre":         counted(func(f judgement.Facts) bool { return f.Leader != "" && f.Leader != practice.Centre }),
		"nights":             func(f judgement.Facts) int { return f.Practised },
	}
	for kind, waited := range map[string]func(judgement.Facts) judgement.Waited{
		"swallowed": func(f judgement.Facts) judgement.Waited { return f.Swallowed },
		"ready":     func(f judgement.Facts) judgement.Waited { return f.Ready },
	} {
		all[kind+": followed"] = counted(func(f judgement.Facts) bool { return waited(f).Nights > 0 })
		all[kind] = counted(func(f judgement.Facts) bool { return waited(f).Happened })
		for _, night := range judgement.CohortNights() {
			all[fmt.Sprint(kind, " by ", night)] = counted(func(f judgement.Facts) bool {
				return waited(f).Happened && waited(f).Nights <= night
			})
			all[fmt.Sprint(kind, ": at risk on ", night)] = counted(func(f judgement.Facts) bool { return waited(f).Nights >= night })
		}
	}
	return all
}()

// within is what everybody knows of the numbers: each of the first kind is among those of the second.
var within = func() [][2]string {
	all := [][2]string{
		{"over and practised", "over"},
		{"over and practised", "practised"},
		{"completed", "over and practised"},
		{"completed", "over"},
		{"completed", "practised"},
		{"off centre", "practised"},
		{"off centre", "swallowed"},
		{"ready", "swallowed"},
		{"ready", "practised"},
		{"swallowed", "practised"},
		{"swallowed", "swallowed: followed"},
		{"ready", "ready: followed"},
		{"practised", "swallowed: followed"},
	}
	nights := judgement.CohortNights()
	for _, kind := range []string{"swallowed", "ready"} {
		for i, night := range nights {
			all = append(
				all,
				[2]string{fmt.Sprint(kind, " by ", night), "practised"},
				[2]string{fmt.Sprint(kind, " by ", night), kind + ": followed"},
				[2]string{fmt.Sprint(kind, ": at risk on ", night), kind + ": followed"},
			)
			if night < 14 { // nobody is followed longer, so by then it is everybody
				all = append(all, [2]string{fmt.Sprint(kind, " by ", night), kind})
			}
			for _, later := range nights[i+1:] {
				all = append(
					all,
					[2]string{fmt.Sprint(kind, " by ", night), fmt.Sprint(kind, " by ", later)},
					[2]string{fmt.Sprint(kind, ": at risk on ", later), fmt.Sprint(kind, ": at risk on ", night)},
				)
			}
		}
	}
	for _, night := range nights {
		all = append(
			all,
			[2]string{fmt.Sprint("ready by ", night), fmt.Sprint("swallowed by ", night)},
			[2]string{fmt.Sprint("swallowed: at risk on ", night), fmt.Sprint("ready: at risk on ", night)},
		)
	}
	return all
}()

// apart is what everybody knows not to be so of one programme at once.
var apart = func() (all [][2]string) {
	nights := judgement.CohortNights()
	for i, night := range nights {
		for _, later := range nights[i+1:] {
			for _, kind := range []string{"swallowed", "ready"} {
				all = append(all, [2]string{fmt.Sprint(kind, " by ", night), fmt.Sprint(kind, ": at risk on ", later)})
			}
			all = append(all, [2]string{fmt.Sprint("ready by ", night), fmt.Sprint("swallowed: at risk on ", later)})
		}
	}
	return all
}()

// truth is what adds up, by band.
type truth struct {
	bands []string
	of    map[string][]int
}

func truthOf(facts []judgement.Facts, bands []string) truth {
	t := truth{bands, map[string][]int{}}
	for what, adds := range additive {
		t.of[what] = make([]int, len(bands))
		for _, f := range facts {
			t.of[what][slices.Index(bands, f.AgeBand)] += adds(f)
		}
	}
	return t
}

// at returns the number of a band, or of all ages.
func (t truth) at(what string, band int) (n int) {
	if band != allAges {
		return t.of[what][band]
	}
	for _, v := range t.of[what] {
		n += v
	}
	return n
}

// blocks lists all that there may be something told of.
func (t truth) blocks() []int {
	all := []int{allAges}
	for band := range t.bands {
		all = append(all, band)
	}
	return all
}

// shown is what is told: of what, and of which blocks.
type shown map[string]map[int]bool

func (s shown) add(what string, block int) {
	if s[what] == nil {
		s[what] = map[int]bool{}
	}
	s[what][block] = true
}

// shownBy returns what a cohort tells, and holds it to the truth. A share of those who waited and a number at risk count as
// if they told the numbers behind them to the last one.
func shownBy(t testing.TB, c judgement.Cohort, facts truth) shown {
	t.Helper()
	s := shown{}
	for _, block := range facts.blocks() {
		b := c.AllAges
		if block != allAges {
			b = c.Bands[block].Block
		}
		number := func(what string, told judgement.Told[int]) {
			if n, ok := told.Get(); ok {
				require.Equal(t, facts.at(what, block), n, what)
				s.add(what, block)
			}
		}
		mean := func(of string, told judgement.Told[float64]) {
			if m, ok := told.Get(); ok {
				require.InDelta(t, float64(facts.at("nights", block))/float64(facts.at(of, block)), m, 1e-9)
				s.add("nights", block)
				s.add(of, block)
			}
		}
		proportion := func(what, of string, told judgement.Told[judgement.Proportion]) {
			if p, ok := told.Get(); ok {
				require.Equal(t, []int{facts.at(what, block), facts.at(of, block)}, []int{p.Count, p.Of}, "%s of %s", what, of)
				s.add(what, block)
				s.add(of, block)
			}
		}
		number("enrolled", b.Enrolled)
		number("practised", b.Practised)
		number("over", b.Over)
		mean("enrolled", b.NightsPerEnrolled)
		mean("practised", b.NightsPerPractised)
		proportion("completed", "over", b.Completed)
		proportion("completed", "over and practised", b.CompletedOfPractised)
		proportion("off centre", "enrolled", b.OffCentre)
		proportion("off centre", "practised", b.OffCentreOfPractised)
		for kind, w := range map[string]judgement.Waiting{"swallowed": b.Swallowed, "ready": b.Ready} {
			number(kind+": followed", w.Followed)
			number(kind, w.Events)
			if n, ok := w.NotFollowed.Get(); ok {
				require.Equal(t, facts.at("enrolled", block)-facts.at(kind+": followed", block), n)
				s.add(kind+": followed", block)
			}
			for _, n := range w.Nights {
				if _, ok := n.Reached.Get(); ok {
					s.add(fmt.Sprint(kind, " by ", n.Night), block)
				}
				if _, ok := n.AtRisk.Get(); ok {
					s.add(fmt.Sprint(kind, ": at risk on ", n.Night), block)
				}
			}
		}
	}
	return s
}

// attacker works out what isn't told from what is.
type attacker struct {
	facts truth
	shown shown
	// basis is what is told as equations, each with the first unknown that the ones after it don't have. An unknown is a
	// number of one band.
	basis  [][]float64
	places map[string]int // of the unknowns of the bands, by what they are of
}

func newAttacker(facts truth, s shown) *attacker {
	a := &attacker{facts: facts, shown: s, places: map[string]int{}}
	for _, what := range slices.Sorted(maps.Keys(additive)) {
		a.places[what] = len(a.places) * len(facts.bands)
	}
	for _, what := range slices.Sorted(maps.Keys(additive)) {
		for _, block := range facts.blocks() {
			if !s[what][block] {
				continue
			}
			bands := []int{block}
			if block == allAges {
				bands = facts.blocks()[1:]
			}
			if left := a.reduced(a.equation(bands, map[string]float64{what: 1})); left != nil {
				a.basis = append(a.basis, left)
			}
		}
	}
	return a
}

// equation is a sum over bands of numbers with their factors.
func (a *attacker) equation(bands []int, factors map[string]float64) []float64 {
	e := make([]float64, len(a.places)*len(a.facts.bands))
	for what, factor := range factors {
		for _, band := range bands {
			e[a.places[what]+band] = factor
		}
	}
	return e
}

// reduced takes off what is told, and returns what is left; nil where that is nothing.
func (a *attacker) reduced(equation []float64) []float64 {
	for _, told := range a.basis {
		if factor := equation[first(told)] / told[first(told)]; factor != 0 {
			for i := range equation {
				equation[i] -= factor * told[i]
			}
		}
	}
	if first(equation) < 0 {
		return nil
	}
	return equation
}

func first(equation []float64) int {
	return slices.IndexFunc(equation, func(v float64) bool { return math.Abs(v) > 1e-6 })
}

// subtracts lists the numbers of too few that can be had by adding and subtracting what is told, for any bands together.
func (a *attacker) subtracts() (found []string) {
	for bands := range subsets(len(a.facts.bands)) {
		try := func(name string, factors map[string]float64) {
			value := 0.0
			for what, factor := range factors {
				for _, band := range bands {
					value += factor * float64(a.facts.at(what, band))
				}
			}
			if value < tooFew && a.reduced(a.equation(bands, factors)) == nil {
				found = append(found, fmt.Sprintf("%v of the bands %v: %v", name, bands, value))
			}
		}
		for what := range additive {
			if what == "nights" {
				continue
			}
			try(what, map[string]float64{what: 1})
			if what != "enrolled" {
				try("not "+what, map[string]float64{"enrolled": 1, what: -1})
			}
		}
		for _, pair := range within {
			try(fmt.Sprint(pair[1], " but not ", pair[0]), map[string]float64{pair[1]: 1, pair[0]: -1})
		}
		for _, pair := range apart {
			try(fmt.Sprint("neither ", pair[0], " nor ", pair[1]), map[string]float64{"enrolled": 1, pair[0]: -1, pair[1]: -1})
		}
		try("neither over nor practised", map[string]float64{"enrolled": 1, "over": -1, "practised": -1, "over and practised": 1})
		found = append(found, a.nightsOfFew(bands)...)
	}
	return found
}

// nightsOfFew tells of bands the sum of whose nights can be had, though too few practised in them.
func (a *attacker) nightsOfFew(bands []int) []string {
	practised := 0
	for _, band := range bands {
		practised += a.facts.at("practised", band)
	}
	if practised < tooFew && a.reduced(a.equation(bands, map[string]float64{"nights": 1})) == nil {
		return []string{fmt.Sprintf("the nights of %d in the bands %v", practised, bands)}
	}
	return nil
}

// mixes lists the numbers of too few that are left of bands whose sum can be had when in each of them the nearest number told
// is subtracted, here this and there that, or what is told of all those enrolled is made up to the nearest.
func (a *attacker) mixes() (found []string) {
	for what := range additive {
		if what == "enrolled" || what == "nights" || !a.shown[what][allAges] {
			continue
		}
		above, below := 0, 0
		for band := range a.facts.bands {
			if !a.shown[what][band] {
				low, high := a.nearest(what, band)
				above, below = above+a.facts.at(what, band)-low, below+high-a.facts.at(what, band)
			}
		}
		hidden := len(a.shown[what]) <= len(a.facts.bands)
		if hidden && min(above, below) < tooFew {
			found = append(found, fmt.Sprintf("%s: where it is hidden, %d above the nearest told and %d below", what, above, below))
		}
	}
	return found
}

// nearest returns the numbers told of a band next to a hidden one.
func (a *attacker) nearest(what string, band int) (low, high int) {
	enrolled := a.facts.at("enrolled", band)
	low, high = 0, enrolled
	for _, pair := range within {
		if pair[1] == what && a.shown[pair[0]][band] {
			low = max(low, a.facts.at(pair[0], band))
		}
		if pair[0] == what && a.shown[pair[1]][band] {
			high = min(high, a.facts.at(pair[1], band))
		}
	}
	for _, pair := range apart {
		for i, one := range pair {
			if one == what && a.shown[pair[1-i]][band] {
				high = min(high, enrolled-a.facts.at(pair[1-i], band))
			}
		}
	}
	return low, high
}

// subsets yields every choice of some of n.
func subsets(n int) func(func([]int) bool) {
	return func(yield func([]int) bool) {
		for code := 1; code < 1<<n; code++ {
			var chosen []int
			for i := range n {
				if code>>i&1 == 1 {
					chosen = append(chosen, i)
				}
			}
			if !yield(chosen) {
				return
			}
		}
	}
}

// span is what a number may be, both ends in it.
type span struct{ low, high int }

// squeezes lists the hidden numbers of too few of which what is told leaves only one possible: no number is below 0 or above
// those enrolled, what lies within another is not more, and the bands add up.
func (a *attacker) squeezes() (found []string) {
	spans := a.spans()
	for changed := true; changed; {
		changed = false
		narrow := func(s *span, low, high int) {
			if low > s.low || high < s.high {
				s.low, s.high = max(s.low, low), min(s.high, high)
				changed = true
			}
		}
		for what := range additive {
			a.narrowBySum(spans[what], what, narrow)
			if what != "nights" {
				a.narrowWithin(spans, what, "enrolled", narrow)
			}
		}
		for _, pair := range within {
			a.narrowWithin(spans, pair[0], pair[1], narrow)
		}
		for band := range a.facts.bands { // each practised one night at least, and fourteen at most
			nights, practised := &spans["nights"][band], &spans["practised"][band]
			narrow(nights, practised.low, 14*practised.high)
			narrow(practised, (nights.low+13)/14, nights.high)
		}
	}
	for what := range additive {
		for band := range a.facts.bands {
			value, of := a.facts.at(what, band), a.facts.at("enrolled", band)
			few := value < tooFew || (what != "enrolled" && of-value < tooFew)
			if what != "nights" && few && spans[what][band].low == spans[what][band].high {
				found = append(found, fmt.Sprintf("%s of band %d must be %d", what, band, value))
			}
		}
	}
	return found
}

func (a *attacker) spans() map[string][]span {
	spans := map[string][]span{}
	for what := range additive {
		for band := range a.facts.bands {
			s := span{0, math.MaxInt32}
			if what == "enrolled" {
				s.low = 1 // or it would not be listed
			}
			if a.shown[what][band] {
				s = span{a.facts.at(what, band), a.facts.at(what, band)}
			}
			spans[what] = append(spans[what], s)
		}
	}
	return spans
}

func (a *attacker) narrowBySum(spans []span, what string, narrow func(s *span, low, high int)) {
	if !a.shown[what][allAges] {
		return
	}
	total := a.facts.at(what, allAges)
	low, high := 0, 0
	for _, s := range spans {
		low, high = low+s.low, high+s.high
	}
	for i, s := range spans {
		narrow(&spans[i], total-(high-s.high), total-(low-s.low))
	}
}

func (a *attacker) narrowWithin(spans map[string][]span, inner, outer string, narrow func(s *span, low, high int)) {
	for band := range a.facts.bands {
		in, out := &spans[inner][band], &spans[outer][band]
		narrow(in, 0, out.high)
		narrow(out, in.low, math.MaxInt32)
	}
}

// some draws the programmes of one plan as they may be: a ready one has swallowed, a leader needs tries, and so on. How
// likely everything is differs from plan to plan, so that numbers lie close to nothing and close to everybody.
func some(random *rand.Rand, plan string) []judgement.Facts {
	chance := func(of ...float64) float64 { return of[random.IntN(len(of))] }
	practises, over, known := chance(0.3, 0.8, 0.95, 1), chance(0.1, 0.5, 0.9, 1), chance(0.7, 0.95, 1)
	swallows, leads, diligent := chance(0.2, 0.7, 0.95), chance(0.1, 0.5, 0.9), chance(0.2, 0.6, 0.95)
	bands := []string{"0-3", "4-5", "6-7", "8-11", "12-17", ""}
	var facts []judgement.Facts
	for _, band := range bands[:1+random.IntN(len(bands))] {
		for range 1 + random.IntN([]int{4, 12, 40, 120}[random.IntN(4)]) {
			f := judgement.Facts{Plan: plan, AgeBand: band, Over: random.Float64() < over}
			nights := 1 + random.IntN(14)
			if f.Over {
				nights = 14
			}
			if random.Float64() < practises {
				f.Practised = 1 + random.IntN(nights)
				if random.Float64() < diligent {
					f.Practised = nights
				}
			} else if random.Float64() > known {
				nights = 0
			}
			f.Completed = f.Practised >= 12
			f.Swallowed, f.Ready = judgement.Waited{Nights: nights}, judgement.Waited{Nights: nights}
			if f.Practised > 0 && random.Float64() < swallows {
				f.Swallowed = judgement.Waited{Nights: 1 + min(random.IntN(nights), random.IntN(nights)), Happened: true}
				if random.Float64() < leads {
					f.Leader = practice.Positions()[random.IntN(5)]
				}
				if f.Practised >= 6 && random.IntN(2) == 0 {
					f.Ready = judgement.Waited{Nights: f.Swallowed.Nights + random.IntN(nights-f.Swallowed.Nights+1), Happened: true}
				}
			}
			facts = append(facts, f)
		}
	}
	return facts
}

// bandsOf returns the bands of a cohort in its order.
func bandsOf(c judgement.Cohort) (bands []string) {
	for _, b := range c.Bands {
		bands = append(bands, b.AgeBand)
	}
	return bands
}

// drawn is how many cohorts are attacked.
const drawn = 120

// TestNothingOfFewCanBeWorkedOut plays somebody who adds up and subtracts whatever a cohort tells.
func TestNothingOfFewCanBeWorkedOut(t *testing.T) {
	t.Parallel()
	told := 0
	for seed := range uint64(drawn) {
		facts := some(rand.New(rand.NewPCG(seed, 1)), "plan")
		c := judgement.CohortsOf(facts)[0]
		really := truthOf(facts, bandsOf(c))
		s := shownBy(t, c, really)
		for _, blocks := range s {
			told += len(blocks)
		}
		a := newAttacker(really, s)
		require.Empty(t, a.subtracts(), "seed %d", seed)
		require.Empty(t, a.mixes(), "seed %d", seed)
		require.Empty(t, a.squeezes(), "seed %d", seed)
	}
	assert.Greater(t, told, 15*drawn, "it must not hide all")
}

// TestHidingSmallNumbersAloneDoesNotDo: where nothing is hidden but the small numbers, and those that leave few others of those
// enrolled, the same attacker finds them.
func TestHidingSmallNumbersAloneDoesNotDo(t *testing.T) {
	t.Parallel()
	subtracted, mixed, squeezed := 0, 0, 0
	for seed := range uint64(40) {
		facts := some(rand.New(rand.NewPCG(seed, 1)), "plan")
		really := truthOf(facts, bandsOf(judgement.CohortsOf(facts)[0]))
		s := shown{}
		for _, block := range really.blocks() {
			enrolled := really.at("enrolled", block)
			for what := range additive {
				n := really.at(what, block)
				if enrolled >= tooFew && n >= tooFew && (what == "enrolled" || what == "nights" || enrolled-n >= tooFew) {
					s.add(what, block)
				}
			}
		}
		a := newAttacker(really, s)
		subtracted += min(1, len(a.subtracts()))
		mixed += min(1, len(a.mixes()))
		squeezed += min(1, len(a.squeezes()))
	}
	assert.Greater(t, subtracted, 30, "cohorts of 40")
	assert.Greater(t, mixed, 15, "cohorts of 40")
	assert.Greater(t, squeezed, 10, "cohorts of 40")
}
