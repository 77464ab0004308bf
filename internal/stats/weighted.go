package stats

import (
	"fmt"
	"math"
)

// Recent is a mean in which the newest values count most.
type Recent struct {
	Mean float64
	// Effective is the number of equal values that the weights are worth, (sum of w)^2 / sum of w^2: at most how many values
	// there are.
	Effective float64
	// Weight is the sum of the weights, of which the newest night's is 1.
	Weight float64
}

// Reading is a value on a night. Nights are counted from any day on.
type Reading struct {
	Night int
	Value float64
}

// RecentMean returns the mean of readings as of a night, where the weight of a reading halves with every halfLife nights,
// above 0, that lie between: w = 2^(-(night - its night)/halfLife). A night without a reading has no weight, but time passes
// on it all the same. Readings after the night count for nothing. False where there are none.
//
// At the steady state this is the exponentially weighted moving average of the NIST/SEMATECH e-Handbook of Statistical
// Methods, section 6.3.2.4, with lambda = 1 - 2^(-1/halfLife), without its start value.
func RecentMean(readings []Reading, night int, halfLife float64) (Recent, bool) {
	mustBeHalfLife(halfLife)
	var sum, weights, squares float64
	for _, r := range readings {
		if r.Night > night {
			continue
		}
		w := RecentWeight(r.Night, night, halfLife)
		sum += w * r.Value
		weights += w
		squares += w * w
	}
	if squares == 0 { // none, or so long ago that nothing is left of them
		return Recent{}, false
	}
	return Recent{Mean: sum / weights, Effective: weights * weights / squares, Weight: weights}, true
}

// RecentWeight returns the weight of a reading on a night as of a later one, as [RecentMean] has it: from 0 to 1.
func RecentWeight(of, night int, halfLife float64) float64 {
	mustBeHalfLife(halfLife)
	return math.Exp2(float64(of-night) / halfLife)
}

func mustBeHalfLife(halfLife float64) {
	if !(halfLife > 0) || math.IsInf(halfLife, 0) {
		panic(fmt.Sprintf("stats: a half-life of %v", halfLife))
	}
}
