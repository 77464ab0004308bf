package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Rate is what is known of a rate of success after some tries: a Beta distribution with the parameters A and B, both above 0.
// Gelman et al., Bayesian Data Analysis, 3rd ed. (2013), section 2.4.
type Rate struct{ A, B float64 }

// RateAfter returns what is known of a rate after tries, where before them every rate was as likely as any other.
func RateAfter(successes, failures int) Rate {
	if successes < 0 || failures < 0 {
		panic(fmt.Sprintf("stats: %d successes and %d failures", successes, failures))
	}
	return Rate{1 + float64(successes), 1 + float64(failures)}
}

func (r Rate) distribution() distuv.Beta {
	if !(r.A > 0 && r.B > 0) || math.IsInf(r.A+r.B, 0) {
		panic(fmt.Sprintf("stats: a rate with parameters %v and %v", r.A, r.B))
	}
	return distuv.Beta{Alpha: r.A, Beta: r.B}
}

// Mean returns the mean of the distribution.
func (r Rate) Mean() float64 { return r.A / (r.A + r.B) }

// StdDev returns its standard deviation.
func (r Rate) StdDev() float64 { return r.distribution().StdDev() }

// Above returns the probability that the rate is above a threshold, which is in [0, 1].
func (r Rate) Above(threshold float64) float64 {
	switch {
	case !(threshold >= 0 && threshold <= 1):
		panic(fmt.Sprintf("stats: a threshold of %v", threshold))
	case threshold == 0:
		return 1
	case threshold == 1:
		return 0
	}
	// From the other end, so that a small probability keeps its digits.
	return distuv.Beta{Alpha: r.distribution().Beta, Beta: r.A}.CDF(1 - threshold)
}

// Interval returns the range that holds the rate with a probability, with as much of what is left below as above.
func (r Rate) Interval(probability float64) Interval {
	mustBeShare(probability)
	tail := (1 - probability) / 2
	d := r.distribution()
	return Interval{d.Quantile(tail), 1 - distuv.Beta{Alpha: r.B, Beta: r.A}.Quantile(tail)}
}

// Exceeds returns the probability that this rate is above another, where nothing links the two. This rate's A must be a
// whole number. Cook (2005), Exact Calculation of Beta Inequalities, UTMDABTR-005-05.
func (r Rate) Exceeds(other Rate) float64 {
	r.distribution()
	other.distribution()
	if r.A != math.Trunc(r.A) {
		panic(fmt.Sprintf("stats: a rate with %v for a number of successes", r.A))
	}
	sum := 0.0
	for i := range int(r.A) {
		n := float64(i)
		sum += math.Exp(logBeta(other.A+n, other.B+r.B) - math.Log(r.B+n) - logBeta(1+n, r.B) - logBeta(other.A, other.B))
	}
	return min(1, sum)
}

func logBeta(a, b float64) float64 {
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	both, _ := math.Lgamma(a + b)
	return la + lb - both
}
