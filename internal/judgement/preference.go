package judgement

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// How often is drawn. The standard error of a probability is at most sqrt(1/4/draws): 1.6 in a hundred, and where the
// permutations are few they are all counted.
const (
	resamples    = 1000
	permutations = 1000
)

// Preference is which position goes best, as far as the nights can tell. There is none by default.
type Preference struct {
	// Ranked is the nights that rank positions: those with scores in two or more.
	Ranked    []practice.Night
	Positions []Standing // of those ranked on any night, in the order of practice.Positions
	// Leader is the position that is best with the probability that the plan names, RunnerUp the next: empty where none is,
	// with fewer nights that rank positions than the plan names, and where several stand alike.
	Leader, RunnerUp practice.Position
	// MarginOverCentre is how much better than the centre the leader stands, in normalised ranks; nil without both.
	MarginOverCentre *float64
	// FirstWeek and SecondWeek are the leaders of the first seven nights of the programme and of the next, each on its own.
	FirstWeek, SecondWeek practice.Position
	// Differ tells whether the positions differ at all. Its P is the one under permutation.
	Differ stats.Differences
	// Exact tells that P was counted, not drawn.
	Exact bool

	rule practice.PreferenceRule
}

// Standing is how one position stands among the others.
type Standing struct {
	Position practice.Position
	Nights   int     // on which it was ranked
	Rank     float64 // mean normalised rank, recent nights counting most: 1/2 is as good as the others, more is better
	// Effective is how many nights of equal weight Rank is worth.
	Effective float64
	// Best is the probability that it is the best, by resampling the nights.
	Best float64
}

// NoneShown reports whether the nights show no preference: there are some that rank positions, and on every one all are tied.
func (p *Preference) NoneShown() bool { return len(p.Ranked) > 0 && p.Differ.Freedom == 0 }

// worth is what a scored try is worth among the others of its night: its ease, and less than any where nothing was
// swallowed.
func worth(s practice.Score) float64 {
	if s.Outcome != practice.Swallowed {
		return 0
	}
	return float64(s.Ease)
}

// rankedNight is a night on which at least two positions were scored.
type rankedNight struct {
	night practice.Night
	block stats.Block     // by position, in the order of practice.Positions
	ranks []stats.Reading // normalised, in the same order; those without a score are not given
}

func rankedNights(nights []practice.NightView) []rankedNight {
	var all []rankedNight
	for i := range nights {
		scores := nights[i].Scores
		if len(scores) < 2 {
			continue
		}
		values := make([]float64, len(scores))
		for j, s := range scores {
			values[j] = worth(s)
		}
		n := rankedNight{nights[i].Night, make(stats.Block, len(places)), make([]stats.Reading, len(places))}
		for j, rank := range stats.Midranks(values) {
			at := placeOf(scores[j].Position)
			n.block[at] = stats.Cell{Value: values[j], Given: true}
			n.ranks[at] = stats.Reading{Night: int(n.night), Value: stats.NormalisedRank(rank, len(scores))}
		}
		all = append(all, n)
	}
	return all
}

var places = practice.Positions()

func placeOf(p practice.Position) int { return slices.Index(places, p) }

// PreferenceOf works out which position goes best in a programme.
func PreferenceOf(programme *practice.Programme) Preference {
	nights := rankedNights(programme.Nights)
	rule := programme.Enrolment.Plan.Preference
	p := preferenceOf(nights, rule)
	p.FirstWeek = leaderWithin(nights, programme.Enrolment.FirstNight, rule)
	p.SecondWeek = leaderWithin(nights, programme.Enrolment.FirstNight+7, rule)
	p.Differ.P, p.Exact = p.Differ.Permuted(seeded(), permutations)
	return p
}

// leaderWithin returns the leader of the week that begins with a night.
func leaderWithin(nights []rankedNight, from practice.Night, rule practice.PreferenceRule) practice.Position {
	p := preferenceOf(slices.DeleteFunc(slices.Clone(nights), func(n rankedNight) bool {
		return n.night < from || n.night >= from+7
	}), rule)
	return p.Leader
}

// seeded returns a generator that draws the same every time: what is worked out again is to come out the same.
func seeded() *rand.Rand { return rand.New(rand.NewPCG(14, 5)) } //nolint:gosec // nothing secret is drawn

func preferenceOf(nights []rankedNight, rule practice.PreferenceRule) Preference {
	p := Preference{rule: rule}
	blocks := make([]stats.Block, len(nights))
	for i, n := range nights {
		p.Ranked = append(p.Ranked, n.night)
		blocks[i] = n.block
	}
	p.Differ = stats.DifferencesOf(blocks, len(places))
	best := chancesOfBest(nights, rule.HalfLife)
	for at, position := range places {
		if s, ok := standingOf(nights, at, rule.HalfLife); ok {
			s.Position, s.Best = position, best[at]
			p.Positions = append(p.Positions, s)
		}
	}
	if len(nights) >= rule.Nights && p.Differ.Freedom > 0 {
		p.nameLeader()
	}
	return p
}

// standingOf returns how a position stands; false where it was never ranked.
func standingOf(nights []rankedNight, at int, halfLife float64) (Standing, bool) {
	var ranks []stats.Reading
	for _, n := range nights {
		if n.block[at].Given {
			ranks = append(ranks, n.ranks[at])
		}
	}
	if len(ranks) == 0 {
		return Standing{}, false
	}
	recent, ok := stats.RecentMean(ranks, ranks[len(ranks)-1].Night, halfLife) // the weights of all fade alike from then on
	return Standing{Nights: len(ranks), Rank: recent.Mean, Effective: recent.Effective}, ok
}

// nameLeader names the position that is best with enough probability, and the next after it.
func (p *Preference) nameLeader() {
	order := slices.Clone(p.Positions)
	slices.SortStableFunc(order, compareStandings)
	if len(order) == 0 || order[0].Best < p.rule.Leads {
		return
	}
	p.Leader = order[0].Position
	if len(order) == 2 || (len(order) > 2 && compareStandings(order[1], order[2]) != 0) {
		p.RunnerUp = order[1].Position
	}
	for _, s := range p.Positions {
		if s.Position == practice.Centre && p.Leader != practice.Centre {
			margin := order[0].Rank - s.Rank
			p.MarginOverCentre = &margin
		}
	}
}

// compareStandings puts the better first: who is more likely the best, then who ranks higher. 0 where they stand alike.
func compareStandings(a, b Standing) int {
	switch {
	case math.Abs(a.Best-b.Best) > nearlyEqual:
		return cmp.Compare(b.Best, a.Best)
	case math.Abs(a.Rank-b.Rank) > nearlyEqual:
		return cmp.Compare(b.Rank, a.Rank)
	}
	return 0
}

// chancesOfBest returns how likely each position is to be the best, by drawing as many nights as there are from among them,
// again and again: Efron and Tibshirani, An Introduction to the Bootstrap (1993), chapter 6. Positions that tie for the best
// share it.
func chancesOfBest(nights []rankedNight, halfLife float64) []float64 {
	best := make([]float64, len(places))
	if len(nights) == 0 {
		return best
	}
	weights := make([]float64, len(nights))
	for i, n := range nights {
		weights[i] = stats.RecentWeight(int(n.night), int(nights[len(nights)-1].night), halfLife)
	}
	random := seeded()
	sums, totals := make([]float64, len(places)), make([]float64, len(places))
	for range resamples {
		clear(sums)
		clear(totals)
		for range nights {
			i := random.IntN(len(nights))
			for at, cell := range nights[i].block {
				if cell.Given {
					sums[at] += weights[i] * nights[i].ranks[at].Value
					totals[at] += weights[i]
				}
			}
		}
		share(best, sums, totals)
	}
	for at := range best {
		best[at] /= resamples
	}
	return best
}

// nearlyEqual is how far two mean ranks may lie apart and be one, summed in another order.
const nearlyEqual = 1e-9

// share gives the best of a draw one point, in equal parts where several are best.
func share(best, sums, totals []float64) {
	top, holders := -1.0, 0
	for at, total := range totals {
		if total == 0 {
			continue
		}
		switch mean := sums[at] / total; {
		case mean > top+nearlyEqual:
			top, holders = mean, 1
		case mean > top-nearlyEqual:
			holders++
		}
	}
	for at, total := range totals {
		if total > 0 && sums[at]/total > top-nearlyEqual {
			best[at] += 1 / float64(holders)
		}
	}
}
