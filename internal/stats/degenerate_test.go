package stats_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/stats"
)

// block returns a block in which NaN marks a gap.
func block(values ...float64) stats.Block {
	b := make(stats.Block, len(values))
	for i, v := range values {
		if !math.IsNaN(v) {
			b[i] = stats.Cell{Value: v, Given: true}
		}
	}
	return b
}

var gap = math.NaN()

func seeded() *rand.Rand { return rand.New(rand.NewPCG(7, 11)) }

// TestWhereNothingDiffers has the answers where there is nothing to compare.
func TestWhereNothingDiffers(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		blocks     []stats.Block
		treatments int
		used       int
		dropped    int
		freedom    int
		comparable bool
	}{
		"no treatment":                  {nil, 0, 0, 0, 0, false},
		"no block":                      {nil, 5, 0, 0, 0, false},
		"one position":                  {[]stats.Block{block(3), block(5)}, 1, 0, 2, 0, false},
		"one position of five":          {[]stats.Block{block(gap, 3, gap, gap, gap), block(gap, 4, gap, gap, gap)}, 5, 0, 2, 0, false},
		"empty nights":                  {[]stats.Block{block(gap, gap), block(gap, gap)}, 2, 0, 2, 0, false},
		"all tied":                      {[]stats.Block{block(5, 5, 5), block(1, 1, 1)}, 3, 2, 0, 0, false},
		"one night":                     {[]stats.Block{block(1, 2, 3, 4, 5)}, 5, 1, 0, 4, true},
		"one night tied, one not":       {[]stats.Block{block(4, 4), block(1, 2)}, 2, 2, 0, 1, true},
		"never together":                {[]stats.Block{block(1, 2, gap, gap), block(gap, gap, 1, 2)}, 4, 2, 0, 2, false},
		"together only where all tied":  {[]stats.Block{block(1, 2, gap), block(gap, 3, 3)}, 3, 2, 0, 1, false},
		"linked through a third":        {[]stats.Block{block(1, 2, gap), block(gap, 3, 4)}, 3, 2, 0, 2, true},
		"of three, one was never tried": {[]stats.Block{block(1, 2, gap), block(3, 2, gap)}, 3, 2, 0, 1, true},
	} {
		d := stats.DifferencesOf(c.blocks, c.treatments)
		assert.Equal(t, []int{c.used, c.dropped, c.freedom}, []int{d.Blocks, d.Dropped, d.Freedom}, name)
		assert.Equal(t, c.comparable, d.Comparable, name)
		p, exact := d.Permuted(seeded(), 1000)
		assert.True(t, exact, name)
		if c.freedom == 0 {
			assert.Equal(t, []float64{0, 1, 1}, []float64{d.Statistic, d.P, p}, name)
		}
		assert.GreaterOrEqual(t, p, 0.0, name)
		assert.LessOrEqual(t, p, 1.0, name)
		for _, rank := range d.MeanRank {
			assert.False(t, math.IsNaN(rank), name)
		}
	}
}

// TestPermutationsOfLittle counts by hand.
func TestPermutationsOfLittle(t *testing.T) {
	t.Parallel()
	p := func(blocks ...stats.Block) float64 {
		d := stats.DifferencesOf(blocks, len(blocks[0]))
		p, exact := d.Permuted(seeded(), 1000)
		require.True(t, exact)
		return p
	}
	assert.InDelta(t, 1.0, p(block(1, 2)), 1e-12, "either order is as extreme")
	assert.InDelta(t, 0.5, p(block(1, 2), block(1, 2)), 1e-12, "both the same way, or both the other: 2 of 4")
	assert.InDelta(t, 0.25, p(block(1, 2), block(1, 2), block(3, 4)), 1e-12)
	assert.InDelta(t, 0.25, p(block(1, 2), block(1, 2), block(3, 3), block(3, 4)), 1e-12, "a tied night says nothing")
	assert.InDelta(t, 1.0/3, p(block(1, 1, 2), block(3, 3, 5)), 1e-12, "3 of 9: the odd one out is the same both times")
	assert.InDelta(t, 1.0/6, p(block(1, 2, 3), block(1, 2, 3)), 1e-12, "6 of 36")
}

// TestAnEstimateIsNearTheExactOne draws where it could count.
func TestAnEstimateIsNearTheExactOne(t *testing.T) {
	t.Parallel()
	blocks := []stats.Block{block(1, 2, 3), block(2, 1, 3), block(1, 2, 3), block(1, gap, 2), block(2, 3, 3)}
	d := stats.DifferencesOf(blocks, 3)
	exact, isExact := d.Permuted(seeded(), 6*6*6*2*3)
	require.True(t, isExact)
	estimate, isExact := d.Permuted(seeded(), 6*6*6*2*3-1)
	require.False(t, isExact)
	assert.InDelta(t, exact, estimate, 4*math.Sqrt(exact*(1-exact)/1295), "four standard errors")
	again, _ := d.Permuted(seeded(), 6*6*6*2*3-1)
	assert.InDelta(t, estimate, again, 0, "the same seed gives the same")
}

func TestTrendsOfLittle(t *testing.T) {
	t.Parallel()
	for name, values := range map[string][]float64{"none": nil, "one": {3}, "constant": {4, 4, 4, 4}} {
		trend := stats.TrendOf(readingsOf(pointers(values)))
		assert.Equal(t, stats.Trend{N: len(values), P: 1, Exact: true}, trend, name)
	}
	two := stats.TrendOf([]stats.Reading{{Night: 9, Value: 4}, {Night: 5, Value: 2}})
	assert.Equal(t, stats.Trend{N: 2, S: 1, Variance: 1, P: 1, Exact: true, Slope: 0.5, Tau: 1, Varies: true}, two, "by night, not by place")
	assert.Equal(t, stats.Trend{P: 1}, stats.Stratified())
	assert.Panics(t, func() { stats.TrendOf([]stats.Reading{{Night: 1}, {Night: 1}}) })
	assert.Panics(t, func() { stats.TrendOf([]stats.Reading{{Night: 1, Value: math.NaN()}}) })
}

// TestLongTrends are where the exact probability gives way to the normal one: the two are near each other there.
func TestLongTrends(t *testing.T) {
	t.Parallel()
	random := seeded()
	var readings []stats.Reading
	for night := range 61 {
		readings = append(readings, stats.Reading{Night: night, Value: float64(night)/40 + float64(random.IntN(5))})
	}
	long, short := stats.TrendOf(readings), stats.TrendOf(readings[:60])
	assert.False(t, long.Exact)
	assert.True(t, short.Exact)
	assert.InDelta(t, long.P, short.P, 0.02)
}

func TestRecentMeansOfLittle(t *testing.T) {
	t.Parallel()
	_, ok := stats.RecentMean(nil, 3, 4)
	assert.False(t, ok)
	_, ok = stats.RecentMean([]stats.Reading{{Night: 4, Value: 1}}, 3, 4)
	assert.False(t, ok, "what is still to come counts for nothing")
	_, ok = stats.RecentMean([]stats.Reading{{Night: -1_000_000, Value: 1}}, 3, 4)
	assert.False(t, ok, "nothing is left of it")
	one, ok := stats.RecentMean([]stats.Reading{{Night: 1, Value: 3}}, 5, 4)
	assert.True(t, ok)
	assert.Equal(t, stats.Recent{Mean: 3, Effective: 1, Weight: 0.5}, one)
	for _, halfLife := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		assert.Panics(t, func() { stats.RecentMean(nil, 3, halfLife) }, halfLife)
	}
}

func TestProportionsOfLittle(t *testing.T) {
	t.Parallel()
	assert.Equal(t, stats.Interval{Low: 0, High: 1}, stats.Wilson(0, 0, 0.95))
	assert.Equal(t, stats.Interval{Low: 0, High: 1}, stats.WilsonCorrected(0, 0, 0.95))
	assert.Zero(t, stats.WilsonLower(0, 0, 0.95))
	for n := 1; n < 40; n++ {
		assert.Zero(t, stats.Wilson(0, n, 0.95).Low)
		assert.InDelta(t, 1, stats.Wilson(n, n, 0.95).High, 0)
		assert.Zero(t, stats.WilsonCorrected(0, n, 0.95).Low)
		assert.InDelta(t, 1, stats.WilsonCorrected(n, n, 0.95).High, 0)
		for x := range n + 1 {
			w, c := stats.Wilson(x, n, 0.95), stats.WilsonCorrected(x, n, 0.95)
			p := float64(x) / float64(n)
			assert.True(t, w.Contains(p), "%d of %d", x, n)
			assert.True(t, c.Low <= w.Low && w.High <= c.High, "corrected it is wider: %d of %d", x, n)
		}
	}
	for _, bad := range []func(){
		func() { stats.Wilson(2, 1, 0.95) }, func() { stats.Wilson(-1, 1, 0.95) }, func() { stats.Wilson(1, 2, 1) },
		func() { stats.WilsonLower(1, 2, math.NaN()) }, func() { stats.RateAfter(-1, 0) }, func() { stats.Rate{}.Above(0.5) },
		func() { stats.RateAfter(1, 1).Above(1.5) }, func() { stats.Rate{A: 1.5, B: 1}.Exceeds(stats.RateAfter(1, 1)) },
	} {
		assert.Panics(t, bad)
	}
}

func TestRatesOfLittle(t *testing.T) {
	t.Parallel()
	nothing := stats.RateAfter(0, 0)
	assert.InDelta(t, 0.5, nothing.Mean(), 0)
	assert.InDelta(t, 0.3, nothing.Above(0.7), 1e-12)
	assert.InDelta(t, 0.5, nothing.Exceeds(nothing), 1e-12)
	assert.InDelta(t, 1, nothing.Above(0), 0)
	assert.Zero(t, nothing.Above(1))
	// What the rule of nine of ten rests on: the published sentence names 89 % and 68 %, and 64 to 97 % at 90 %.
	nine := stats.RateAfter(9, 1)
	assert.InDelta(t, 0.887, nine.Above(0.7), 0.0005)
	assert.InDelta(t, 0.678, nine.Above(0.8), 0.0005)
	assert.InDelta(t, 0.636, nine.Interval(0.9).Low, 0.0005)
	assert.InDelta(t, 0.967, nine.Interval(0.9).High, 0.0005)
}

func TestAgreementOfLittle(t *testing.T) {
	t.Parallel()
	assert.Equal(t, stats.Agreement{}, stats.AgreementOf(nil))
	assert.Equal(t, stats.Agreement{}, stats.AgreementOf([][]int{{5}, {}, {3}}))
	always := stats.AgreementOf([][]int{{5, 5}, {5, 5}, {5, 5}})
	assert.Equal(t, stats.Agreement{Units: 3, Ratings: 6, Pairs: 3, Equal: 3, WithinOne: 3}, always, "never 1, never 0: not defined")
	whole := stats.AgreementOf([][]int{{1, 1}, {5, 5}})
	assert.True(t, whole.Defined)
	assert.InDelta(t, 1, whole.Alpha, 1e-12)
	opposite := stats.AgreementOf([][]int{{1, 5}, {5, 1}})
	assert.Negative(t, opposite.Alpha, "worse than chance")
	three := stats.AgreementOf([][]int{{1, 2, 4}})
	assert.Equal(t, []int{3, 0, 1}, []int{three.Pairs, three.Equal, three.WithinOne})
}

func TestSurvivalsOfLittle(t *testing.T) {
	t.Parallel()
	assert.Equal(t, stats.Survival{}, stats.SurvivalOf(nil, 0.95))
	lost := stats.SurvivalOf([]stats.Followed{{Time: 3}, {Time: 3}, {Time: 5}}, 0.95)
	assert.Equal(t, stats.Survival{Followed: 3, Steps: []stats.Step{
		{Time: 3, AtRisk: 3, Censored: 2, Survival: 1}, {Time: 5, AtRisk: 1, Censored: 1, Survival: 1},
	}}, lost, "nobody is known to have got there")
	all := stats.SurvivalOf([]stats.Followed{{Time: 2, Happened: true}}, 0.95)
	assert.Equal(t, stats.Reached{Time: 2, Is: true}, all.Median)
	assert.Equal(t, stats.Survival{
		Followed: 1, Events: 1, Steps: []stats.Step{{Time: 2, AtRisk: 1, Events: 1}}, Median: stats.Reached{Time: 2, Is: true},
	}, all)
	half := stats.SurvivalOf([]stats.Followed{{Time: 2, Happened: true}, {Time: 6, Happened: true}}, 0.95)
	assert.Equal(t, stats.Reached{Time: 4, Is: true}, half.Median, "half from 2 to 6")
	never := stats.SurvivalOf([]stats.Followed{{Time: 2, Happened: true}, {Time: 6}}, 0.95)
	assert.Equal(t, stats.Reached{Time: 2, Is: true}, never.Median)
	for _, time := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		assert.Panics(t, func() { stats.SurvivalOf([]stats.Followed{{Time: time}}, 0.95) }, time)
	}
}

func TestMidranks(t *testing.T) {
	t.Parallel()
	assert.Empty(t, stats.Midranks(nil))
	assert.Equal(t, []float64{1}, stats.Midranks([]float64{9}))
	assert.Equal(t, []float64{4.5, 1, 2.5, 2.5, 4.5}, stats.Midranks([]float64{9, 1, 2, 2, 9}))
	assert.Panics(t, func() { stats.Midranks([]float64{math.NaN()}) })
}
