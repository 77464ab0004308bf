package stats

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Trend is whether values rise or fall over the nights: Mann (1945), Econometrica 13:245-259, with Kendall's variance for ties,
// and the slope of Sen (1968), JASA 63:1379-1389.
type Trend struct {
	N int // readings
	// S is the number of pairs that rise less the number that fall.
	S int
	// Variance is that of S where nothing changes but by chance, given the ties. It is 0 where the values do not vary.
	Variance float64
	// Z is S in standard deviations, drawn one step towards 0; 0 where the values do not vary.
	Z float64
	// P is the probability of a trend as strong as this, either way, where there is none: exact to 60 readings, ties and all,
	// beyond that by the normal distribution. It is 1 where the values do not vary. Nights that hang together make it too
	// small.
	P float64
	// Exact tells that P is the exact one.
	Exact bool
	// Slope is the median change in a night; 0 for fewer than two readings.
	Slope float64
	// Tau is Kendall's tau-b, from -1 to 1. It is not defined, and Varies is false, where the values do not vary.
	Tau    float64
	Varies bool
}

// mostExact is the number of readings to which the exact probability is worked out; (60)! is far within a float64.
const mostExact = 60

// TrendOf returns the trend of readings, of which no two may be of one night.
func TrendOf(readings []Reading) Trend {
	sorted := slices.Clone(readings)
	slices.SortFunc(sorted, func(a, b Reading) int { return cmp.Compare(a.Night, b.Night) })
	values := make([]float64, len(sorted))
	for i, r := range sorted {
		if i > 0 && r.Night == sorted[i-1].Night {
			panic("stats: two readings of one night")
		}
		values[i] = r.Value
	}
	mustBeFinite(values)
	ties := tieSizes(values)
	t := Trend{N: len(sorted), S: concordance(values), Variance: varianceOfS(len(sorted), ties), P: 1, Slope: slope(sorted)}
	if t.Varies = len(ties) > 1; !t.Varies {
		t.Exact = true
		return t
	}
	pairs := float64(t.N*(t.N-1)) / 2
	t.Tau = float64(t.S) / math.Sqrt(pairs*pairsUntied(t.N, ties))
	t.Z, t.P = normalTrend(t.S, t.Variance)
	if t.N <= mostExact {
		t.P, t.Exact = exactTrend(t.S, ties), true
	}
	return t
}

// Stratified puts trends of several series together, such as one of each position: the sums of S and of its variance, by the
// normal distribution. Hirsch, Slack and Smith (1982), Water Resources Research 18:107-121. Slope and tau are left at 0.
func Stratified(trends ...Trend) Trend {
	all := Trend{P: 1}
	for _, t := range trends {
		all.N += t.N
		all.S += t.S
		all.Variance += t.Variance
		all.Varies = all.Varies || t.Varies
	}
	if all.Varies {
		all.Z, all.P = normalTrend(all.S, all.Variance)
	}
	return all
}

func concordance(values []float64) (s int) {
	for i := range values {
		for j := range i {
			s += cmp.Compare(values[i], values[j])
		}
	}
	return s
}

func varianceOfS(n int, ties []int) float64 {
	term := func(n int) float64 { return float64(n) * float64(n-1) * float64(2*n+5) }
	v := term(n)
	for _, t := range ties {
		v -= term(t)
	}
	return v / 18
}

// pairsUntied returns how many pairs of values differ.
func pairsUntied(n int, ties []int) float64 {
	pairs := n * (n - 1) / 2
	for _, t := range ties {
		pairs -= t * (t - 1) / 2
	}
	return float64(pairs)
}

func normalTrend(s int, variance float64) (z, p float64) {
	if s == 0 || variance <= 0 {
		return 0, 1
	}
	z = math.Copysign((math.Abs(float64(s))-1)/math.Sqrt(variance), float64(s))
	return z, min(1, 2*distuv.UnitNormal.Survival(math.Abs(z)))
}

// exactTrend returns the probability of an S as far from 0 as this over all orders of the values. S is the number of pairs
// that differ less twice the inversions, and the numbers of orders with so many inversions are the coefficients of the
// Gaussian multinomial of the tie sizes: Stanley, Enumerative Combinatorics, vol. 1, section 1.7.
func exactTrend(s int, ties []int) float64 {
	orders := []float64{1} // by inversions
	n := 0
	for _, t := range ties {
		n += t
		orders = multiply(orders, gaussian(n, t))
	}
	differ := len(orders) - 1
	all, extreme := 0.0, 0.0
	for inversions, count := range orders {
		all += count
		if at := differ - 2*inversions; max(at, -at) >= max(s, -s) {
			extreme += count
		}
	}
	return min(1, extreme/all)
}

// gaussian returns the coefficients of the Gaussian binomial of n over k.
func gaussian(n, k int) []float64 {
	row := make([][]float64, k+1) // of so many over 0..k, beginning with 0 over them
	row[0] = []float64{1}
	for m := 1; m <= n; m++ {
		for j := min(m, k); j >= 1; j-- {
			row[j] = add(shift(row[j], j), row[j-1])
		}
	}
	return row[k]
}

// shift multiplies a polynomial by q^by; one without coefficients is 0.
func shift(p []float64, by int) []float64 {
	if len(p) == 0 {
		return nil
	}
	return append(make([]float64, by), p...)
}

func add(a, b []float64) []float64 {
	if len(a) < len(b) {
		a, b = b, a
	}
	sum := slices.Clone(a)
	for i, v := range b {
		sum[i] += v
	}
	return sum
}

func multiply(a, b []float64) []float64 {
	product := make([]float64, len(a)+len(b)-1)
	for i, x := range a {
		for j, y := range b {
			product[i+j] += x * y
		}
	}
	return product
}

// slope returns the median of the slopes between every two readings, which are in order.
func slope(readings []Reading) float64 {
	var slopes []float64
	for i, later := range readings {
		for _, earlier := range readings[:i] {
			slopes = append(slopes, (later.Value-earlier.Value)/float64(later.Night-earlier.Night))
		}
	}
	return median(slopes)
}

// median returns the middle of values, 0 of none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	middle := len(values) / 2
	if len(values)%2 == 1 {
		return values[middle]
	}
	return (values[middle-1] + values[middle]) / 2
}
