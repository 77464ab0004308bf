package judgement_test

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// times is so many programmes alike.
func times(n int, f judgement.Facts) []judgement.Facts { return slices.Repeat([]judgement.Facts{f}, n) }

// get returns what is told.
func get[T any](t *testing.T, told judgement.Told[T]) T {
	t.Helper()
	v, ok := told.Get()
	require.True(t, ok, "is told")
	return v
}

func untold[T any](t *testing.T, told judgement.Told[T], what ...any) {
	t.Helper()
	v, ok := told.Get()
	assert.False(t, ok, what...)
	assert.Zero(t, v, what...)
}

// sixty is a band in which whatever can be subtracted leaves five or more: 40 practised, 26 are over, 20 are both.
func sixty(band string) []judgement.Facts {
	return slices.Concat(
		times(10, judgement.Facts{AgeBand: band, Practised: 12, Over: true, Completed: true, Leader: practice.Left}),
		times(2, judgement.Facts{AgeBand: band, Practised: 12, Over: true, Completed: true, Leader: practice.Centre}),
		times(8, judgement.Facts{AgeBand: band, Practised: 5, Over: true}),
		times(6, judgement.Facts{AgeBand: band, Over: true}),
		times(5, judgement.Facts{AgeBand: band, Practised: 4, Leader: practice.Up}),
		times(15, judgement.Facts{AgeBand: band, Practised: 4}),
		times(14, judgement.Facts{AgeBand: band}),
	)
}

func TestCohortOfNobody(t *testing.T) {
	t.Parallel()
	assert.Empty(t, judgement.CohortsOf(nil))
	assert.Empty(t, judgement.CohortsOf([]judgement.Facts{}))
}

// TestCohortByHand: two bands of sixty alike.
func TestCohortByHand(t *testing.T) {
	t.Parallel()
	cohorts := judgement.CohortsOf(append(sixty("8-11"), sixty("4-5")...))
	require.Len(t, cohorts, 1)
	assert.Equal(t, []string{"4-5", "8-11"}, bandsOf(cohorts[0]))
	for _, b := range []struct {
		judgement.Block
		times int
	}{{cohorts[0].AllAges, 2}, {cohorts[0].Bands[0].Block, 1}, {cohorts[0].Bands[1].Block, 1}} {
		assert.Equal(t, 60*b.times, get(t, b.Enrolled))
		assert.Equal(t, 40*b.times, get(t, b.Practised))
		assert.Equal(t, 26*b.times, get(t, b.Over))
		assert.InDelta(t, 264.0/60, get(t, b.NightsPerEnrolled), 1e-12, "12 times 12, 8 times 5, 20 times 4")
		assert.InDelta(t, 264.0/40, get(t, b.NightsPerPractised), 1e-12)
		for _, p := range []struct {
			told      judgement.Told[judgement.Proportion]
			count, of int
		}{{b.Completed, 12, 26}, {b.CompletedOfPractised, 12, 20}, {b.OffCentre, 15, 60}, {b.OffCentreOfPractised, 15, 40}} {
			got := get(t, p.told)
			assert.Equal(t, []int{p.count * b.times, p.of * b.times}, []int{got.Count, got.Of})
			assert.InDelta(t, float64(p.count)/float64(p.of), got.Share, 1e-12)
			assert.True(t, got.Interval.Contains(got.Share))
		}
		untold(t, b.Swallowed.Followed, "nobody is")
		untold(t, b.Swallowed.Events)
		untold(t, b.Swallowed.Median)
	}
	p := get(t, cohorts[0].Bands[0].CompletedOfPractised)
	assert.InDelta(t, 0.387, p.Interval.Low, 5e-4, "12 of 20")
	assert.InDelta(t, 0.781, p.Interval.High, 5e-4)
}

// TestWaitingByHand: of 25, five swallow on the second night and five on the sixth; five drop out on the fourth and ten go on
// to the end. At risk are 25 on the second night and 15 on the sixth: 4/5 and 4/5 times 2/3 still wait.
func TestWaitingByHand(t *testing.T) {
	t.Parallel()
	b := judgement.CohortsOf(slices.Concat(
		times(5, judgement.Facts{Swallowed: judgement.Waited{Nights: 2, Happened: true}, Ready: judgement.Waited{Nights: 14}}),
		times(5, judgement.Facts{Swallowed: judgement.Waited{Nights: 6, Happened: true}, Ready: judgement.Waited{Nights: 14}}),
		times(5, judgement.Facts{Swallowed: judgement.Waited{Nights: 4}, Ready: judgement.Waited{Nights: 4}}),
		times(10, judgement.Facts{Swallowed: judgement.Waited{Nights: 14}, Ready: judgement.Waited{Nights: 14}}),
	))[0].AllAges
	w := b.Swallowed
	assert.Equal(t, 10, get(t, w.Events))
	untold(t, w.Followed, "the others are none")
	untold(t, w.NotFollowed)
	median := get(t, w.Median)
	assert.False(t, median.At.Is, "8/15 still wait at the end")
	assert.Equal(t, stats.Reached{Time: 6, Is: true}, median.Low, "the lower limit falls below one half then")
	require.Len(t, w.Nights, 4)
	assert.Equal(t, []int{3, 7, 10, 14}, []int{w.Nights[0].Night, w.Nights[1].Night, w.Nights[2].Night, w.Nights[3].Night})
	assert.InDelta(t, 0.20, get(t, w.Nights[0].Reached).Share, 1e-12)
	assert.InDelta(t, 0.47, get(t, w.Nights[3].Reached).Share, 1e-12)
	assert.Equal(t, 10, get(t, w.Nights[3].AtRisk))
	untold(t, w.Nights[0].AtRisk, "20, and 5 have swallowed: nobody was lost before")
	untold(t, w.Nights[1].Reached, "between it and the end were none")
	untold(t, w.Nights[2].Reached, "between it and the end were none")
	untold(t, b.Ready.Events)
	untold(t, b.Ready.Median)
	for _, n := range b.Ready.Nights {
		untold(t, n.Reached)
		untold(t, n.AtRisk)
	}
}

// published returns a worked example of testdata/statistics.json: the data with their source, and what R computes of them.
func published[Data, Computed any](t *testing.T, id string) (data Data, computed Computed) {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/statistics.json")
	require.NoError(t, err)
	var all []struct {
		ID       string
		Data     json.RawMessage
		Expected struct{ Computed json.RawMessage }
	}
	require.NoError(t, json.Unmarshal(raw, &all))
	for _, e := range all {
		if e.ID == id {
			require.NoError(t, json.Unmarshal(e.Data, &data))
			require.NoError(t, json.Unmarshal(e.Expected.Computed, &computed))
			return data, computed
		}
	}
	require.Fail(t, "no such example", id)
	return data, computed
}

// TestWaitingIsThePublished holds nights to what R computes of published times and of invented ones in our shape, the group
// once for the limits and three times over for the nights that a small group doesn't tell.
func TestWaitingIsThePublished(t *testing.T) {
	t.Parallel()
	type data struct {
		Time  []int
		Event []int
		Group []string
	}
	type group struct {
		Table struct {
			Time   []int
			AtRisk []int     `json:"n_risk"`
			Waits  []float64 `json:"surv"`
			Low    []float64 `json:"loglog_lo"`
			High   []float64 `json:"loglog_hi"`
		}
		Median *float64
		Limits []*float64 `json:"median_ci_loglog"`
	}
	for _, c := range []struct {
		id, group    string
		copies, told int
	}{{"km-3", "all", 1, 2}, {"km-3", "all", 3, 2}, {"km-1", "6-MP", 3, 2}, {"km-1", "control", 1, 2}, {"km-1", "control", 3, 4}} {
		given, computed := published[data, struct{ Groups map[string]group }](t, c.id)
		var facts []judgement.Facts
		for i, night := range given.Time {
			if given.Group[i] == c.group {
				waited := judgement.Waited{Nights: night, Happened: given.Event[i] == 1}
				facts = append(facts, times(c.copies, judgement.Facts{Swallowed: waited, Ready: waited})...)
			}
		}
		want, b := computed.Groups[c.group], judgement.CohortsOf(facts)[0].AllAges
		told := 0
		for _, n := range b.Swallowed.Nights {
			reached, ok := n.Reached.Get()
			if !ok {
				continue
			}
			told++
			at := len(want.Table.Time) - 1
			for want.Table.Time[at] > n.Night {
				at--
			}
			assert.InDelta(t, 1-want.Table.Waits[at], reached.Share, 0.005, "%v by %d", c, n.Night)
			if c.copies == 1 {
				assert.InDelta(t, 1-want.Table.High[at], reached.Limits.Low, 0.005, "%v by %d", c, n.Night)
				assert.InDelta(t, 1-want.Table.Low[at], reached.Limits.High, 0.005, "%v by %d", c, n.Night)
			}
			if risk, ok := n.AtRisk.Get(); ok && want.Table.Time[at] == n.Night {
				assert.Equal(t, want.Table.AtRisk[at]*c.copies/5*5, risk, "%v on %d", c, n.Night)
			}
		}
		assert.Equal(t, c.told, told, "%v", c)
		median := get(t, b.Swallowed.Median)
		assert.InDelta(t, *want.Median, median.At.Time, 1e-12, "%v", c)
		if c.copies == 1 {
			assert.Equal(t, want.Limits[1] != nil, median.High.Is, "%v", c)
			assert.InDelta(t, *want.Limits[0], median.Low.Time, 1e-12, "%v", c)
		}
	}
}

// TestSharesAreThePublished holds the intervals to those of a published table.
func TestSharesAreThePublished(t *testing.T) {
	t.Parallel()
	_, computed := published[any, struct {
		Rows struct {
			X, N []int
			Low  []float64 `json:"wilson_lo"`
			High []float64 `json:"wilson_hi"`
		}
	}](t, "prop-1")
	rows, told := computed.Rows, 0
	for i, x := range rows.X {
		p, ok := judgement.CohortsOf(append(
			times(x, judgement.Facts{Practised: 9, Leader: practice.Down}),
			times(rows.N[i]-x, judgement.Facts{Practised: 9, Leader: practice.Centre})...,
		))[0].AllAges.OffCentre.Get()
		assert.Equal(t, x >= tooFew, ok, "%d", x)
		if ok {
			told++
			assert.InDelta(t, rows.Low[i], p.Interval.Low, 1e-8)
			assert.InDelta(t, rows.High[i], p.Interval.High, 1e-8)
		}
	}
	assert.Equal(t, 2, told)
}

// TestBandsTooSmallHideOthers shows which bands tell how many they are.
func TestBandsTooSmallHideOthers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		enrolled []int
		all      bool
		told     []bool
	}{
		{[]int{4}, false, []bool{false}},
		{[]int{5}, true, []bool{true}},
		{[]int{5, 5}, true, []bool{true, true}},
		{[]int{3, 30, 6}, true, []bool{false, true, false}}, // the 3 are all less the others
		{[]int{3, 4, 30}, true, []bool{false, false, true}},
		{[]int{3, 2, 30}, true, []bool{false, false, false}}, // 3 for others than one in each
		{[]int{2, 1}, false, []bool{false, false}},
		{[]int{1, 1, 1, 1, 1}, false, []bool{false, false, false, false, false}}, // one in each, as there are so many bands
		{[]int{4, 3, 2}, true, []bool{false, false, false}},
	} {
		var facts []judgement.Facts
		for i, n := range c.enrolled {
			facts = append(facts, times(n, judgement.Facts{AgeBand: []string{"0-3", "4-5", "6-7", "8-11", "12-17"}[i]})...)
		}
		cohort := judgement.CohortsOf(facts)[0]
		_, all := cohort.AllAges.Enrolled.Get()
		assert.Equal(t, c.all, all, "%v", c.enrolled)
		for i, b := range cohort.Bands {
			n, told := b.Enrolled.Get()
			assert.Equal(t, c.told[i], told, "%v", c.enrolled)
			if told {
				assert.Equal(t, c.enrolled[i], n)
			} else {
				assert.Equal(t, judgement.Block{}, b.Block, "nothing else is told either")
			}
		}
	}
}

// TestOneSmallNumberHidesAnother: in the band of the eldest three never practised. The smallest of the other bands, whose own
// numbers could be told, hides them too.
func TestOneSmallNumberHidesAnother(t *testing.T) {
	t.Parallel()
	band := func(name string, practised, not int) []judgement.Facts {
		return slices.Concat(
			times(practised/2, judgement.Facts{AgeBand: name, Practised: 5}),
			times(practised/2, judgement.Facts{AgeBand: name, Practised: 1}), times(not, judgement.Facts{AgeBand: name}),
		)
	}
	c := judgement.CohortsOf(slices.Concat(band("0-3", 20, 9), band("4-5", 10, 10), band("6-7", 30, 3)))[0]
	assert.Equal(t, 60, get(t, c.AllAges.Practised))
	assert.Equal(t, 20, get(t, c.Bands[0].Practised))
	untold(t, c.Bands[1].Practised)
	untold(t, c.Bands[2].Practised)
	untold(t, c.Bands[1].NightsPerPractised)
	assert.InDelta(t, 90.0/33, get(t, c.Bands[2].NightsPerEnrolled), 1e-12, "thirty practised")
}

// TestNumbersWithinOneAnother: 12 practised and 9 of them have a leader off the centre, which leaves 3.
func TestNumbersWithinOneAnother(t *testing.T) {
	t.Parallel()
	b := judgement.CohortsOf(slices.Concat(
		times(9, judgement.Facts{Practised: 5, Leader: practice.Left}), times(3, judgement.Facts{Practised: 5}), times(6, judgement.Facts{}),
	))[0].AllAges
	_, practised := b.Practised.Get()
	_, off := b.OffCentre.Get()
	assert.NotEqual(t, practised, off, "one of them is told, and not the other")
	untold(t, b.OffCentreOfPractised)
}

// TestNumbersThatTogetherAreAll: each of 34 is over or has practised, 18 the one and 19 the other, so 3 are both.
func TestNumbersThatTogetherAreAll(t *testing.T) {
	t.Parallel()
	b := judgement.CohortsOf(slices.Concat(
		times(15, judgement.Facts{Over: true}), times(3, judgement.Facts{Over: true, Practised: 2}), times(16, judgement.Facts{Practised: 2}),
	))[0].AllAges
	_, practised := b.Practised.Get()
	_, over := b.Over.Get()
	assert.NotEqual(t, practised, over, "one of them is told, and not the other")
}

// TestOneSmallNumberMadeOfTwo: in the first band one is neither over nor has practised, in the second one is both. Both bands
// hide how many are both, who are many together. But with their sum added to those enrolled in the first, less its numbers
// of either, these two would be left.
func TestOneSmallNumberMadeOfTwo(t *testing.T) {
	t.Parallel()
	band := func(name string, completed, both, over, practised, neither int) []judgement.Facts {
		return slices.Concat(
			times(completed, judgement.Facts{AgeBand: name, Over: true, Practised: 14, Completed: true}),
			times(both-completed, judgement.Facts{AgeBand: name, Over: true, Practised: 6}),
			times(over, judgement.Facts{AgeBand: name, Over: true}),
			times(practised, judgement.Facts{AgeBand: name, Practised: 6}),
			times(neither, judgement.Facts{AgeBand: name}),
		)
	}
	for _, c := range []struct {
		first, second int
		told          bool
	}{{1, 1, false}, {1, 3, false}, {1, 4, true}} {
		cohort := judgement.CohortsOf(slices.Concat(
			band("0-3", 15, 30, 10, 10, c.first), band("4-5", 0, c.second, 20, 20, 30), band("6-7", 12, 24, 10, 10, 10),
		))[0]
		assert.Equal(t, 27, get(t, cohort.AllAges.CompletedOfPractised).Count)
		for _, b := range cohort.Bands {
			get(t, b.Over)
			get(t, b.Practised)
		}
		untold(t, cohort.Bands[0].CompletedOfPractised)
		untold(t, cohort.Bands[1].CompletedOfPractised)
		_, told := cohort.Bands[2].CompletedOfPractised.Get()
		assert.Equal(t, c.told, told, "%+v", c)
	}
}

// TestWhatMostBandsCanTellComesFirst: only one of two bands can tell how many practised, and then could not tell for how many a
// position off the centre leads.
func TestWhatMostBandsCanTellComesFirst(t *testing.T) {
	t.Parallel()
	band := func(name string, off, practised, not int) []judgement.Facts {
		return slices.Concat(
			times(off, judgement.Facts{AgeBand: name, Practised: 5, Leader: practice.Up}),
			times(practised-off, judgement.Facts{AgeBand: name, Practised: 2}), times(not, judgement.Facts{AgeBand: name}),
		)
	}
	c := judgement.CohortsOf(append(band("4-5", 17, 20, 10), band("6-7", 15, 28, 2)...))[0]
	assert.Equal(t, 17, get(t, c.Bands[0].OffCentre).Count)
	assert.Equal(t, 15, get(t, c.Bands[1].OffCentre).Count)
	assert.Equal(t, 48, get(t, c.AllAges.Practised))
	untold(t, c.Bands[0].Practised)
	untold(t, c.Bands[1].Practised)
}

// TestThoseNotFollowed are told where they are five or more, once for each wait.
func TestThoseNotFollowed(t *testing.T) {
	t.Parallel()
	waits := judgement.Waited{Nights: 5}
	b := judgement.CohortsOf(append(times(12, judgement.Facts{Swallowed: waits, Ready: waits}), times(6, judgement.Facts{})...))[0].AllAges
	for _, w := range []judgement.Waiting{b.Swallowed, b.Ready} {
		assert.Equal(t, 12, get(t, w.Followed))
		assert.Equal(t, 6, get(t, w.NotFollowed))
	}
	b = judgement.CohortsOf(slices.Concat(
		times(12, judgement.Facts{Swallowed: waits, Ready: waits}), times(3, judgement.Facts{Ready: waits}), times(6, judgement.Facts{}),
	))[0].AllAges
	assert.Equal(t, 12, get(t, b.Swallowed.Followed))
	untold(t, b.Ready.Followed, "3 more")
}

// TestMeansDoNotTellHowManyPractised in bands that hide it, where so many nights take just so many: as on the first night,
// or where everybody who practised did so to the end.
func TestMeansDoNotTellHowManyPractised(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		most, fewer int // nights
		told        bool
	}{{1, 1, false}, {14, 14, false}, {14, 7, true}} {
		var facts []judgement.Facts
		for _, band := range []string{"4-5", "6-7"} {
			facts = slices.Concat(
				facts, times(9, judgement.Facts{AgeBand: band, Practised: c.most}),
				times(9, judgement.Facts{AgeBand: band, Practised: c.fewer}), times(3, judgement.Facts{AgeBand: band}),
			)
		}
		cohort := judgement.CohortsOf(facts)[0]
		assert.InDelta(t, float64(9*(c.most+c.fewer))/21, get(t, cohort.Bands[0].NightsPerEnrolled), 1e-12)
		untold(t, cohort.Bands[0].Practised)
		_, told := cohort.AllAges.Practised.Get()
		assert.Equal(t, c.told, told, "%+v", c)

		elder := slices.Concat(
			times(9, judgement.Facts{AgeBand: "8-11", Practised: 14}), times(20, judgement.Facts{AgeBand: "8-11", Practised: 2}),
			times(6, judgement.Facts{AgeBand: "8-11"}),
		)
		cohort = judgement.CohortsOf(append(facts, elder...))[0]
		get(t, cohort.AllAges.Practised)
		_, told = cohort.Bands[2].Practised.Get()
		assert.Equal(t, c.told, told, "the band of the eldest hides it where the others need that: %+v", c)
	}
}

// TestMeansDoNotTellThatAllPractised, nor of whom fewer than five did.
func TestMeansDoNotTellThatAllPractised(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		every, some, none int
		told              bool
	}{{20, 0, 0, false}, {19, 0, 1, true}, {15, 5, 0, true}, {4, 0, 16, false}, {5, 0, 4, false}, {5, 0, 5, true}} {
		b := judgement.CohortsOf(slices.Concat(
			times(c.every, judgement.Facts{Practised: 14}), times(c.some, judgement.Facts{Practised: 7}), times(c.none, judgement.Facts{}),
		))[0].AllAges
		_, told := b.NightsPerEnrolled.Get()
		assert.Equal(t, c.told, told, "%+v", c)
	}
}

// TestMediansOfFew: among nine, five events would tell that four had none, and where all have had it at once a median would
// tell that nobody is left.
func TestMediansOfFew(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		events, others int
		told           bool
	}{{5, 4, false}, {4, 6, false}, {5, 5, true}, {10, 0, false}, {6, 4, false}, {10, 5, true}} {
		b := judgement.CohortsOf(slices.Concat(
			times(c.events, judgement.Facts{Ready: judgement.Waited{Nights: 3, Happened: true}}),
			times(c.others, judgement.Facts{Ready: judgement.Waited{Nights: 9}}),
		))[0].AllAges
		_, told := b.Ready.Median.Get()
		assert.Equal(t, c.told, told, "%+v", c)
	}
}

// TestSharesNeedSomebodyAtRisk: of those followed past the third night all have swallowed by the seventh, and the estimate
// falls to nothing though ten dropped out before.
func TestSharesNeedSomebodyAtRisk(t *testing.T) {
	t.Parallel()
	w := judgement.CohortsOf(slices.Concat(
		times(10, judgement.Facts{Swallowed: judgement.Waited{Nights: 2, Happened: true}}),
		times(10, judgement.Facts{Swallowed: judgement.Waited{Nights: 3}}),
		times(10, judgement.Facts{Swallowed: judgement.Waited{Nights: 7, Happened: true}}),
	))[0].AllAges.Swallowed
	assert.Equal(t, 20, get(t, w.Events))
	assert.InDelta(t, 0.33, get(t, w.Nights[0].Reached).Share, 1e-12)
	for _, n := range w.Nights[1:] {
		untold(t, n.Reached, n.Night)
	}
}

// TestOrderOfFactsDoesNotMatter, and neither do the programmes of another plan.
func TestOrderOfFactsDoesNotMatter(t *testing.T) {
	t.Parallel()
	for seed := range uint64(50) {
		random := rand.New(rand.NewPCG(seed, 2))
		one, other := some(random, "one"), some(random, "other")
		want := append(judgement.CohortsOf(one), judgement.CohortsOf(other)...)
		both := slices.Concat(other, one)
		random.Shuffle(len(both), func(i, j int) { both[i], both[j] = both[j], both[i] })
		given := slices.Clone(both)
		require.Equal(t, want, judgement.CohortsOf(both))
		require.Equal(t, given, both, "the facts are left as they were")
	}
}

func TestBandsAreInOrderOfAge(t *testing.T) {
	t.Parallel()
	var facts []judgement.Facts
	for _, band := range []string{"18+", "", "4-5", "12-17", "0-3", "8-11"} {
		facts = append(facts, judgement.Facts{AgeBand: band})
	}
	assert.Equal(t, []string{"0-3", "4-5", "8-11", "12-17", "18+", ""}, bandsOf(judgement.CohortsOf(facts)[0]))
}

// TestNoFigureIsUndefined draws small cohorts, where least is defined.
func TestNoFigureIsUndefined(t *testing.T) {
	t.Parallel()
	for seed := range uint64(300) {
		c := judgement.CohortsOf(some(rand.New(rand.NewPCG(seed, 3)), "plan"))[0]
		for _, b := range append(c.Bands, judgement.Band{Block: c.AllAges}) {
			for _, mean := range []judgement.Told[float64]{b.NightsPerEnrolled, b.NightsPerPractised} {
				if v, told := mean.Get(); told {
					assert.True(t, v > 0 && v <= 14)
				} else {
					assert.Zero(t, v, "what is not told is not there, not even as a division by nobody")
				}
			}
			for _, n := range append(b.Swallowed.Nights, b.Ready.Nights...) {
				if reached, told := n.Reached.Get(); told {
					assert.True(t, 0 <= reached.Limits.Low && reached.Limits.Low <= reached.Share)
					assert.True(t, reached.Share <= reached.Limits.High && reached.Limits.High <= 1)
				}
			}
		}
	}
}

// BenchmarkCohorts tells of 5,000 programmes in three plans and five bands.
func BenchmarkCohorts(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 4))
	var facts []judgement.Facts
	for len(facts) < 5000 {
		facts = append(facts, some(random, "plan")...)
	}
	facts = facts[:5000]
	for i := range facts {
		facts[i].Plan = []string{"one", "two", "three"}[i%3]
		facts[i].AgeBand = []string{"0-3", "4-5", "6-7", "8-11", "12-17"}[i/3%5]
	}
	b.ReportAllocs()
	for b.Loop() {
		judgement.CohortsOf(facts)
	}
}
