package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is a range with both ends in it.
type Interval struct{ Low, High float64 }

// Contains reports whether a value lies in the interval.
func (i Interval) Contains(v float64) bool { return i.Low <= v && v <= i.High }

// quantile returns the point below which a standard normal variable stays with a probability, in (0, 1).
func quantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// twoSided returns the standard normal deviate of a two-sided interval.
func twoSided(confidence float64) float64 {
	mustBeShare(confidence)
	return quantile(1 - (1-confidence)/2)
}

func mustBeShare(confidence float64) {
	if !(confidence > 0 && confidence < 1) { // also for NaN
		panic(fmt.Sprintf("stats: a confidence of %v", confidence))
	}
}

func mustBeCounts(successes, of int) {
	if successes < 0 || of < successes {
		panic(fmt.Sprintf("stats: %d successes of %d", successes, of))
	}
}

// Wilson returns the score interval for a proportion without continuity correction: Newcombe (1998), Statistics in Medicine
// 17:857-872, method 3, after Wilson (1927). Its ends are exactly 0 and 1 where no try or every try was a success. With no
// try at all nothing is known, and it is [0, 1].
func Wilson(successes, of int, confidence float64) Interval {
	mustBeCounts(successes, of)
	z := twoSided(confidence)
	if of == 0 {
		return Interval{0, 1}
	}
	return Interval{wilsonLower(successes, of, z), 1 - wilsonLower(of-successes, of, z)}
}

// WilsonLower returns the one-sided lower limit of the score interval: the proportion is at least this, at a confidence.
func WilsonLower(successes, of int, confidence float64) float64 {
	mustBeCounts(successes, of)
	mustBeShare(confidence)
	if of == 0 {
		return 0
	}
	return max(0, wilsonLower(successes, of, quantile(confidence)))
}

// wilsonLower returns the lower limit. The upper one is 1 less that of the failures.
func wilsonLower(successes, of int, z float64) float64 {
	if successes == 0 && z > 0 {
		return 0
	}
	x, n := float64(successes), float64(of)
	centre := 2*x + z*z
	spread := z * math.Sqrt(z*z+4*x*(n-x)/n)
	return (centre - spread) / (2 * (n + z*z))
}

// WilsonCorrected returns the score interval with continuity correction: Newcombe (1998), method 4. It is wider, and errs to
// the safe side. Its ends are exactly 0 and 1 where no try or every try was a success; with no try at all it is [0, 1].
func WilsonCorrected(successes, of int, confidence float64) Interval {
	mustBeCounts(successes, of)
	z := twoSided(confidence)
	if of == 0 {
		return Interval{0, 1}
	}
	return Interval{correctedLower(successes, of, z), 1 - correctedLower(of-successes, of, z)}
}

func correctedLower(successes, of int, z float64) float64 {
	if successes == 0 {
		return 0
	}
	n := float64(of)
	p := float64(successes) / n
	spread := z * math.Sqrt(z*z-2-1/n+4*p*(n*(1-p)+1))
	return max(0, (2*n*p+z*z-1-spread)/(2*(n+z*z)))
}
