package stats_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"swallowtail/internal/stats"
)

// nights draws some nights of up to five positions, with gaps and many ties.
func nights(t *rapid.T) ([]stats.Block, int) {
	positions := rapid.IntRange(1, 5).Draw(t, "positions")
	cell := rapid.Custom(func(t *rapid.T) stats.Cell {
		if rapid.IntRange(0, 3).Draw(t, "gap") == 0 {
			return stats.Cell{}
		}
		return stats.Cell{Value: float64(rapid.IntRange(0, 5).Draw(t, "ease")), Given: true}
	})
	night := rapid.Custom(func(t *rapid.T) stats.Block { return rapid.SliceOfN(cell, positions, positions).Draw(t, "night") })
	return rapid.SliceOfN(night, 0, 14).Draw(t, "nights"), positions
}

func sound(t assert.TestingT, d stats.Differences) {
	for _, v := range append(slices.Clone(d.MeanRank), d.Statistic, d.P) {
		assert.False(t, math.IsNaN(v) || math.IsInf(v, 0) || v < 0)
	}
	assert.LessOrEqual(t, d.P, 1.0)
}

// TestNamesOfPositionsDoNotMatter renames them.
func TestNamesOfPositionsDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		blocks, positions := nights(t)
		order := rapid.Permutation(seq(positions)).Draw(t, "order")
		renamed := make([]stats.Block, len(blocks))
		for i, b := range blocks {
			for _, from := range order {
				renamed[i] = append(renamed[i], b[from])
			}
		}
		d, r := stats.DifferencesOf(blocks, positions), stats.DifferencesOf(renamed, positions)
		sound(t, d)
		assert.InDelta(t, d.Statistic, r.Statistic, 1e-9*(1+d.Statistic))
		assert.Equal(t, []any{d.Freedom, d.Blocks, d.Dropped, d.Comparable}, []any{r.Freedom, r.Blocks, r.Dropped, r.Comparable})
		for i, from := range order {
			assert.InDelta(t, d.MeanRank[from], r.MeanRank[i], 1e-12)
		}
	})
}

func seq(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// TestATiedNightChangesNothing but the mean ranks, which it draws to the middle.
func TestATiedNightChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		blocks, positions := nights(t)
		tied := make(stats.Block, positions)
		for i := range tied {
			tied[i] = stats.Cell{Value: 3, Given: true}
		}
		d, with := stats.DifferencesOf(blocks, positions), stats.DifferencesOf(append(slices.Clone(blocks), tied), positions)
		assert.InDelta(t, d.Statistic, with.Statistic, 1e-9*(1+d.Statistic))
		assert.Equal(t, d.Freedom, with.Freedom)
	})
}

// TestOrderAndScaleDoNotMatter: nights in another order, and any rating scale with the same order.
func TestOrderAndScaleDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		blocks, positions := nights(t)
		other := rapid.Permutation(blocks).Draw(t, "order")
		stretched := make([]stats.Block, len(other))
		for i, b := range other {
			for _, c := range b {
				stretched[i] = append(stretched[i], stats.Cell{Value: math.Exp(c.Value) - 7, Given: c.Given})
			}
		}
		d, s := stats.DifferencesOf(blocks, positions), stats.DifferencesOf(stretched, positions)
		assert.InDelta(t, d.Statistic, s.Statistic, 1e-9*(1+d.Statistic))
		p, exact := d.Permuted(rand.New(rand.NewPCG(1, 1)), 300)
		assert.True(t, p > 0 && p <= 1)
		if q, _ := s.Permuted(rand.New(rand.NewPCG(1, 1)), 300); exact {
			assert.InDelta(t, p, q, 1e-12)
		}
	})
}

// TestATrendTurnedRoundIsItsOpposite turns nights and values round.
func TestATrendTurnedRoundIsItsOpposite(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.IntRange(0, 5), 0, 70).Draw(t, "values")
		var there, back, upside []stats.Reading
		for i, v := range values {
			there = append(there, stats.Reading{Night: i, Value: float64(v)})
			back = append(back, stats.Reading{Night: -i, Value: float64(v)})
			upside = append(upside, stats.Reading{Night: i, Value: -float64(v)})
		}
		a := stats.TrendOf(there)
		for _, b := range []stats.Trend{stats.TrendOf(back), stats.TrendOf(upside)} {
			assert.Equal(t, -a.S, b.S)
			assert.InDelta(t, a.P, b.P, 1e-12)
			assert.InDelta(t, a.Slope, -b.Slope, 1e-12)
			assert.InDelta(t, a.Tau, -b.Tau, 1e-12)
		}
		assert.True(t, a.P > 0 && a.P <= 1 && math.Abs(a.Tau) <= 1+1e-12)
	})
}

// TestMoreSuccessIsABetterRate and a better rate is above any threshold with more probability.
func TestMoreSuccessIsABetterRate(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "tries")
		x := rapid.IntRange(0, n-1).Draw(t, "successes")
		threshold := rapid.Float64Range(0, 1).Draw(t, "threshold")
		less, more := stats.RateAfter(x, n-x), stats.RateAfter(x+1, n-x-1)
		assert.LessOrEqual(t, less.Above(threshold), more.Above(threshold)+1e-12)
		assert.Less(t, less.Exceeds(more), 0.5)
		assert.InDelta(t, 1, less.Exceeds(more)+more.Exceeds(less), 1e-9)
		assert.LessOrEqual(t, stats.Wilson(x, n, 0.9).Low, stats.Wilson(x+1, n, 0.9).Low)
	})
}

// TestRatersAreInterchangeable: who rates first does not matter, nor does the order of units.
func TestRatersAreInterchangeable(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		units := rapid.SliceOfN(rapid.SliceOfN(rapid.IntRange(0, 5), 0, 4), 0, 20).Draw(t, "units")
		a := stats.AgreementOf(units)
		other := make([][]int, len(units))
		for i, u := range rapid.Permutation(units).Draw(t, "order") {
			other[i] = slices.Clone(u)
			slices.Reverse(other[i])
		}
		b := stats.AgreementOf(other)
		assert.InDelta(t, a.Alpha, b.Alpha, 1e-9)
		assert.False(t, math.IsNaN(a.Alpha))
		assert.LessOrEqual(t, a.Alpha, 1+1e-12)
		a.Alpha, b.Alpha = 0, 0
		assert.Equal(t, a, b)
	})
}

// TestSurvivalOnlyFalls, within its limits, and without anybody lost it is the plain share.
func TestSurvivalOnlyFalls(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		times := rapid.SliceOfN(rapid.IntRange(1, 14), 0, 40).Draw(t, "times")
		lost := rapid.Bool().Draw(t, "lost")
		var followed []stats.Followed
		for i, time := range times {
			followed = append(followed, stats.Followed{Time: float64(time), Happened: !lost || i%3 > 0})
		}
		s := stats.SurvivalOf(followed, 0.95)
		before, left := 1.0, len(times)
		for _, step := range s.Steps {
			assert.LessOrEqual(t, step.Survival, before)
			before = step.Survival
			left -= step.Events + step.Censored
			if !lost {
				assert.InDelta(t, float64(left)/float64(len(times)), step.Survival, 1e-9)
			}
			if step.Limited {
				assert.True(t, step.Limits.Contains(step.Survival) && step.Limits.Low >= 0 && step.Limits.High <= 1)
			}
		}
	})
}
