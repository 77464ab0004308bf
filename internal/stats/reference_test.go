package stats_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/stats"
)

// example is a worked example of testdata/statistics.json: data with their source, what the source prints, and what R 4.2.2
// computes of them.
type example struct {
	ID, Method, Source string
	Data               json.RawMessage
	Expected           struct {
		Computed json.RawMessage
		Printed  json.RawMessage
	}
}

// exampleOf returns an example's data and what R computes.
func exampleOf[Data, Computed any](t testing.TB, id string) (data Data, computed Computed) {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/statistics.json")
	require.NoError(t, err)
	var all []example
	require.NoError(t, json.Unmarshal(raw, &all))
	for _, e := range all {
		if e.ID == id {
			require.NotEmpty(t, e.Source)
			require.NoError(t, json.Unmarshal(e.Data, &data))
			require.NoError(t, json.Unmarshal(e.Expected.Computed, &computed))
			return data, computed
		}
	}
	require.Fail(t, "no such example", id)
	return data, computed
}

// closeTo holds a figure to R's, at 1e-8 of it.
func closeTo(t testing.TB, want, got float64, what ...any) {
	t.Helper()
	if want == 0 {
		assert.InDelta(t, want, got, 1e-12, what...)
		return
	}
	assert.InEpsilon(t, want, got, 1e-8, what...)
}

func allCloseTo(t testing.TB, want, got []float64, what ...any) {
	t.Helper()
	require.Len(t, got, len(want), what...)
	for i := range want {
		closeTo(t, want[i], got[i], what...)
	}
}

// blocks reads a matrix with gaps.
func blocks(matrix [][]*float64) []stats.Block {
	all := make([]stats.Block, len(matrix))
	for i, row := range matrix {
		for _, value := range row {
			cell := stats.Cell{}
			if value != nil {
				cell = stats.Cell{Value: *value, Given: true}
			}
			all[i] = append(all[i], cell)
		}
	}
	return all
}

type matrix struct {
	Treatments []string
	Matrix     [][]*float64
}

func (m matrix) differences() stats.Differences {
	return stats.DifferencesOf(blocks(m.Matrix), len(m.Treatments))
}

// TestFriedmanIsTheCaseWithoutGaps holds complete blocks to Friedman's statistic, corrected for ties, and Cochran's Q.
func TestFriedmanIsTheCaseWithoutGaps(t *testing.T) {
	t.Parallel()
	type computed struct {
		N, K, DF  int
		ChiSq     float64   `json:"chisq"`
		P         float64   `json:"p_chisq"`
		MeanRanks []float64 `json:"mean_ranks"`
	}
	for _, id := range []string{"friedman-1", "friedman-2"} {
		data, want := exampleOf[matrix, computed](t, id)
		d := data.differences()
		closeTo(t, want.ChiSq, d.Statistic, id)
		closeTo(t, want.P, d.P, id)
		assert.Equal(t, want.DF, d.Freedom, id)
		assert.Equal(t, want.N, d.Blocks, id)
		assert.True(t, d.Comparable)
		for i, rank := range want.MeanRanks {
			closeTo(t, stats.NormalisedRank(rank, want.K), d.MeanRank[i], id)
		}
	}
	data, cochran := exampleOf[matrix, struct {
		Q, P float64
		DF   int
	}](t, "cochranq-1")
	d := data.differences()
	closeTo(t, cochran.Q, d.Statistic, "on yes and no it is Cochran's Q")
	closeTo(t, cochran.P, d.P)
	assert.Equal(t, cochran.DF, d.Freedom)
}

func TestSkillingsMack(t *testing.T) {
	t.Parallel()
	type computed struct {
		Used     int       `json:"blocks_used"`
		Dropped  int       `json:"blocks_dropped_lt2"`
		Observed []int     `json:"n_observed_per_treatment"`
		SM       float64   `json:"SM_tie_corrected"`
		DF       int       `json:"df_tie_corrected"`
		P        float64   `json:"p_tie_corrected"`
		Mean     []float64 `json:"mean_normalised_rank"`
		Permuted *float64  `json:"p_permutation_mc"`
	}
	check := func(id string, d stats.Differences, want computed) {
		t.Helper()
		assert.Equal(t, want.Used, d.Blocks, id)
		assert.Equal(t, want.Dropped, d.Dropped, id)
		assert.Equal(t, want.Observed, d.Values, id)
		assert.Equal(t, want.DF, d.Freedom, id)
		closeTo(t, want.SM, d.Statistic, id)
		closeTo(t, want.P, d.P, id)
		allCloseTo(t, want.Mean, d.MeanRank, id)
		assert.True(t, d.Comparable)
		if want.Permuted != nil {
			p, _ := d.Permuted(rand.New(rand.NewPCG(1, 2)), 20_000)
			assert.InDelta(t, *want.Permuted, p, 0.006, id)
		}
	}
	for _, id := range []string{"skmack-1", "skmack-2"} {
		data, want := exampleOf[matrix, computed](t, id)
		check(id, data.differences(), want)
	}
	for _, id := range []string{"syn-1", "syn-2"} {
		data, want := exampleOf[fortnight, struct {
			SM computed `json:"skillings_mack"`
		}](t, id)
		check(id, stats.DifferencesOf(blocks(data.Ratings), len(data.Positions)), want.SM)
	}
}

// fortnight is fourteen nights of five positions, invented in the shape of ours.
type fortnight struct {
	Positions []string
	Ratings   [][]*float64
	Swallowed [][]*int
	Second    [][]*float64 `json:"second_caregiver"`
}

// series returns what is given of one position.
func (f fortnight) series(position int) []stats.Reading {
	var readings []stats.Reading
	for night, row := range f.Ratings {
		if v := row[position]; v != nil {
			readings = append(readings, stats.Reading{Night: night + 1, Value: *v})
		}
	}
	return readings
}

// ranks returns the normalised rank of one position on each night on which it can be ranked.
func (f fortnight) ranks(position int) []stats.Reading {
	var readings []stats.Reading
	for night, row := range f.Ratings {
		if row[position] == nil {
			continue
		}
		var given []float64
		at := 0
		for p, v := range row {
			if v != nil {
				if p == position {
					at = len(given)
				}
				given = append(given, *v)
			}
		}
		if len(given) > 1 {
			rank := stats.NormalisedRank(stats.Midranks(given)[at], len(given))
			readings = append(readings, stats.Reading{Night: night + 1, Value: rank})
		}
	}
	return readings
}

func TestProportions(t *testing.T) {
	t.Parallel()
	type rows struct {
		X, N          []int
		Conf          []float64
		WilsonLow     []float64 `json:"wilson_lo"`
		WilsonHigh    []float64 `json:"wilson_hi"`
		CorrectedLow  []float64 `json:"wilson_cc_lo"`
		CorrectedHigh []float64 `json:"wilson_cc_hi"`
		OneSided      []float64 `json:"wilson_one_sided_lower"`
	}
	for _, id := range []string{"prop-1", "prop-2", "prop-3"} {
		_, want := exampleOf[any, struct{ Rows rows }](t, id)
		r := want.Rows
		require.NotEmpty(t, r.X)
		for i := range r.X {
			w := stats.Wilson(r.X[i], r.N[i], r.Conf[i])
			closeTo(t, r.WilsonLow[i], w.Low, id)
			closeTo(t, r.WilsonHigh[i], w.High, id)
			c := stats.WilsonCorrected(r.X[i], r.N[i], r.Conf[i])
			closeTo(t, r.CorrectedLow[i], c.Low, id)
			closeTo(t, r.CorrectedHigh[i], c.High, id)
			closeTo(t, r.OneSided[i], stats.WilsonLower(r.X[i], r.N[i], r.Conf[i]), id)
		}
	}
}

func TestRates(t *testing.T) {
	t.Parallel()
	type data struct {
		Successes, Failures int
		Thresholds          []float64
	}
	type computed struct {
		A        float64 `json:"post_a"`
		B        float64 `json:"post_b"`
		Mean, SD float64
		ETI95    []float64
		ETI90    []float64
		Above    []float64 `json:"p_gt_threshold"`
	}
	for _, id := range []string{"beta-1", "beta-2"} {
		given, want := exampleOf[data, computed](t, id)
		r := stats.RateAfter(given.Successes, given.Failures)
		assert.Equal(t, stats.Rate{A: want.A, B: want.B}, r, id)
		closeTo(t, want.Mean, r.Mean(), id)
		closeTo(t, want.SD, r.StdDev(), id)
		i95, i90 := r.Interval(0.95), r.Interval(0.9)
		allCloseTo(t, want.ETI95, []float64{i95.Low, i95.High}, id)
		allCloseTo(t, want.ETI90, []float64{i90.Low, i90.High}, id)
		for i, threshold := range given.Thresholds {
			closeTo(t, want.Above[i], r.Above(threshold), id)
		}
	}
	pairs, want := exampleOf[struct {
		Rows struct{ A, B, C, D []float64 }
	}, struct {
		P []float64 `json:"p_x_gt_y"`
	}](t, "betacmp-1")
	for i, p := range want.P {
		one, other := stats.Rate{A: pairs.Rows.A[i], B: pairs.Rows.B[i]}, stats.Rate{A: pairs.Rows.C[i], B: pairs.Rows.D[i]}
		closeTo(t, p, one.Exceeds(other), "row", i)
		closeTo(t, 1-p, other.Exceeds(one), "row", i)
	}
}

func TestRecentMeans(t *testing.T) {
	t.Parallel()
	type computed struct {
		Results []struct {
			HalfLife float64 `json:"half_life"`
			SumW     float64 `json:"sum_w"`
			NEff     float64 `json:"n_eff"`
			Path     []float64
		}
	}
	data, want := exampleOf[struct{ X []*float64 }, computed](t, "ewm-2")
	readings := readingsOf(data.X)
	for _, r := range want.Results {
		for night, mean := range r.Path {
			got, ok := stats.RecentMean(readings, night+1, r.HalfLife)
			require.True(t, ok)
			closeTo(t, mean, got.Mean, "half-life", r.HalfLife, "night", night+1)
		}
		last, _ := stats.RecentMean(readings, len(data.X), r.HalfLife)
		closeTo(t, r.NEff, last.Effective)
		closeTo(t, r.SumW, last.Weight)
	}
	handbook, ewma := exampleOf[struct {
		X             []float64
		Lambda, Start float64
	}, struct {
		EWMA     []float64
		HalfLife float64 `json:"half_life"`
	}](t, "ewm-1")
	// The start value is one whose weight is that of all that came before the first.
	lambda := 1 - math.Exp2(-1/ewma.HalfLife)
	closeTo(t, handbook.Lambda, lambda)
	for night := range handbook.X {
		got, _ := stats.RecentMean(readingsOf(pointers(handbook.X)), night+1, ewma.HalfLife)
		start := math.Pow(1-lambda, float64(night+1))
		closeTo(t, ewma.EWMA[night], got.Mean*(1-start)+handbook.Start*start, "night", night+1)
	}
	for _, id := range []string{"syn-1", "syn-2"} {
		f, figures := exampleOf[fortnight, struct {
			Shift struct {
				PerPosition map[string]struct {
					N, S   int
					VarS   float64
					Z      float64
					PExact float64 `json:"p_exact"`
					Recent float64 `json:"ew_half_life_4"`
				} `json:"per_position"`
			} `json:"preference_shift_normalised_rank"`
		}](t, id)
		for p, name := range f.Positions {
			want := figures.Shift.PerPosition[name]
			ranks := f.ranks(p)
			got, _ := stats.RecentMean(ranks, len(f.Ratings), 4)
			closeTo(t, want.Recent, got.Mean, id, name)
			trend := stats.TrendOf(ranks)
			assert.Equal(t, want.S, trend.S, "%s %s", id, name)
			assert.Equal(t, want.N, trend.N, "%s %s", id, name)
			closeTo(t, want.VarS, trend.Variance, id, name)
			closeTo(t, want.Z, trend.Z, id, name)
			closeTo(t, want.PExact, trend.P, id, name)
		}
	}
}

func pointers(values []float64) (all []*float64) {
	for i := range values {
		all = append(all, &values[i])
	}
	return all
}

func readingsOf(values []*float64) (readings []stats.Reading) {
	for i, v := range values {
		if v != nil {
			readings = append(readings, stats.Reading{Night: i + 1, Value: *v})
		}
	}
	return readings
}

// trend is what R computes of one.
type trend struct {
	N, S    int
	VarS    float64
	Z       float64 `json:"z_continuity"`
	PNormal float64 `json:"p_normal"`
	Tau     float64 `json:"tau_b"`
	Slope   float64 `json:"sen_slope"`
	PExact  any     `json:"p_exact"`
}

func (want trend) check(t *testing.T, got stats.Trend, what ...any) {
	t.Helper()
	assert.Equal(t, want.N, got.N, what...)
	assert.Equal(t, want.S, got.S, what...)
	closeTo(t, want.VarS, got.Variance, what...)
	closeTo(t, want.Z, got.Z, what...)
	closeTo(t, want.Tau, got.Tau, what...)
	assert.InDelta(t, want.Slope, got.Slope, 1e-8, what...)
	p, exact := want.PExact.(float64)
	assert.Equal(t, exact, got.Exact, what...)
	if !exact {
		p = want.PNormal
	}
	closeTo(t, p, got.P, what...)
}

func TestTrends(t *testing.T) {
	t.Parallel()
	for _, id := range []string{"mk-1", "mk-2", "mk-3"} {
		data, want := exampleOf[struct{ X []*float64 }, trend](t, id)
		want.check(t, stats.TrendOf(readingsOf(data.X)), id)
	}
	for _, id := range []string{"syn-1", "syn-2"} {
		f, figures := exampleOf[fortnight, struct {
			Ease struct {
				PerPosition map[string]trend `json:"per_position"`
				Stratified  trend
			} `json:"ease_trend"`
		}](t, id)
		var all []stats.Trend
		for p, name := range f.Positions {
			all = append(all, stats.TrendOf(f.series(p)))
			figures.Ease.PerPosition[name].check(t, all[p], id, name)
		}
		together := stats.Stratified(all...)
		assert.Equal(t, figures.Ease.Stratified.S, together.S)
		closeTo(t, figures.Ease.Stratified.VarS, together.Variance)
		closeTo(t, figures.Ease.Stratified.Z, together.Z)
		closeTo(t, figures.Ease.Stratified.PNormal, together.P)
	}
}

// TestExactTrendsAreKendalls holds the exact probabilities to the table of the distribution of S without ties.
func TestExactTrendsAreKendalls(t *testing.T) {
	t.Parallel()
	_, want := exampleOf[any, struct {
		Tables map[string]struct {
			S    []int
			Tail []float64 `json:"upper_tail"`
		}
	}](t, "mkexact-1")
	for name, n := range map[string]int{"4": 4, "5": 5, "8": 8} {
		table := want.Tables[name]
		for i, s := range table.S {
			got := stats.TrendOf(withS(t, n, s))
			require.Equal(t, s, got.S)
			closeTo(t, min(1, 2*table.Tail[i]), got.P, "n", n, "S", s)
		}
	}
}

// withS returns an order of 1..n with the given S, by as many exchanges of neighbours as it takes.
func withS(t *testing.T, n, s int) []stats.Reading {
	t.Helper()
	readings := make([]stats.Reading, n)
	for i := range readings {
		readings[i] = stats.Reading{Night: i, Value: float64(i)}
	}
	for inversions := (n*(n-1)/2 - s) / 2; inversions > 0; {
		before := inversions
		for i := 1; i < n && inversions > 0; i++ {
			if readings[i-1].Value < readings[i].Value {
				readings[i-1].Value, readings[i].Value = readings[i].Value, readings[i-1].Value
				inversions--
			}
		}
		require.Less(t, inversions, before)
	}
	return readings
}

func TestAgreementIsKrippendorffs(t *testing.T) {
	t.Parallel()
	type computed struct {
		Ordinal float64 `json:"alpha_ordinal"`
		N       int     `json:"n_pairable"`
	}
	for _, id := range []string{"alpha-1", "alpha-2"} {
		data, want := exampleOf[struct{ Ratings [][]*int }, computed](t, id)
		units := make([][]int, len(data.Ratings[0]))
		for _, rater := range data.Ratings {
			for unit, rating := range rater {
				if rating != nil {
					units[unit] = append(units[unit], *rating)
				}
			}
		}
		a := stats.AgreementOf(units)
		assert.True(t, a.Defined)
		closeTo(t, want.Ordinal, a.Alpha, id)
		assert.Equal(t, want.N, a.Ratings, id)
	}
	for _, id := range []string{"syn-1", "syn-2"} {
		f, want := exampleOf[fortnight, struct {
			Agreement struct {
				Kappa struct {
					N         int
					Percent   float64 `json:"percent_agreement"`
					WithinOne float64 `json:"percent_within_one"`
				}
				Alpha computed
			}
		}](t, id)
		var units [][]int
		for night, row := range f.Ratings {
			for p, one := range row {
				if other := f.Second[night][p]; one != nil && other != nil {
					units = append(units, []int{int(*one), int(*other)})
				}
			}
		}
		a := stats.AgreementOf(units)
		closeTo(t, want.Agreement.Alpha.Ordinal, a.Alpha, id)
		assert.Equal(t, want.Agreement.Kappa.N, a.Pairs, id)
		closeTo(t, want.Agreement.Kappa.Percent, 100*float64(a.Equal)/float64(a.Pairs), id)
		closeTo(t, want.Agreement.Kappa.WithinOne, 100*float64(a.WithinOne)/float64(a.Pairs), id)
	}
}

func TestSurvivals(t *testing.T) {
	t.Parallel()
	type data struct {
		Time  []float64
		Event []int
		Group []string
	}
	type computed struct {
		Groups map[string]struct {
			N, Events int
			Table     struct {
				Time     []float64
				AtRisk   []int      `json:"n_risk"`
				Events   []int      `json:"n_event"`
				Censored []int      `json:"n_censor"`
				Survival []float64  `json:"surv"`
				StdErr   []*float64 `json:"greenwood_se"`
				Low      []*float64 `json:"loglog_lo"`
				High     []*float64 `json:"loglog_hi"`
			}
			Median *float64
			Limits []*float64 `json:"median_ci_loglog"`
		}
	}
	for _, id := range []string{"km-1", "km-2", "km-3"} {
		given, want := exampleOf[data, computed](t, id)
		require.NotEmpty(t, want.Groups)
		for group, figures := range want.Groups {
			var followed []stats.Followed
			for i, time := range given.Time {
				if given.Group[i] == group {
					followed = append(followed, stats.Followed{Time: time, Happened: given.Event[i] == 1})
				}
			}
			s := stats.SurvivalOf(followed, 0.95)
			assert.Equal(t, figures.N, s.Followed, "%s %s", id, group)
			assert.Equal(t, figures.Events, s.Events, "%s %s", id, group)
			require.Len(t, s.Steps, len(figures.Table.Time), "%s %s", id, group)
			for i, step := range s.Steps {
				table := figures.Table
				assert.Equal(t, []int{table.AtRisk[i], table.Events[i], table.Censored[i]}, []int{step.AtRisk, step.Events, step.Censored})
				closeTo(t, table.Time[i], step.Time, id, group)
				closeTo(t, table.Survival[i], step.Survival, id, group)
				if step.Survival < 1 { // the table has no error and limits of [1, 1] where it is 1
					assert.Equal(t, table.Low[i] != nil, step.Limited, "%s %s at %v", id, group, step.Time)
				}
				if step.Limited {
					closeTo(t, *table.StdErr[i], step.StdErr, id, group)
					closeTo(t, *table.Low[i], step.Limits.Low, id, group)
					closeTo(t, *table.High[i], step.Limits.High, id, group)
				}
			}
			reached(t, figures.Median, s.Median)
			reached(t, figures.Limits[0], s.MedianLow)
			reached(t, figures.Limits[1], s.MedianHigh)
		}
	}
}

func reached(t *testing.T, want *float64, got stats.Reached) {
	t.Helper()
	if assert.Equal(t, want != nil, got.Is) && want != nil {
		closeTo(t, *want, got.Time)
	}
}
