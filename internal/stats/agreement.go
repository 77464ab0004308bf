package stats

import (
	"math"
	"slices"
)

// Agreement is how far raters agree on an ordered scale.
type Agreement struct {
	// Units is how many units (tries) have two ratings or more, Ratings how many ratings these have.
	Units, Ratings int
	// Pairs is how many pairs of ratings of one unit there are; Equal and WithinOne how many of them are the same, or at most
	// one step apart.
	Pairs, Equal, WithinOne int
	// Alpha is Krippendorff's alpha with the ordinal metric, at most 1; 0 is what chance gives, below it is worse than chance.
	Alpha float64
	// Defined tells that there is an alpha: without a pair, or where all ratings are the same, there is none. Many equal ratings
	// of one value give a low alpha with high agreement, so neither is to be shown without the other.
	Defined bool
}

// AgreementOf compares the ratings of each unit, in any number and order. A unit with one rating says nothing.
//
// Krippendorff (2011), Computing Krippendorff's Alpha-Reliability, by way of the coincidence matrix.
func AgreementOf(units [][]int) Agreement {
	var a Agreement
	c := newCoincidences(units)
	for _, ratings := range units {
		if len(ratings) < 2 {
			continue
		}
		a.Units++
		a.Ratings += len(ratings)
		for i, one := range ratings {
			for _, other := range ratings[:i] {
				a.Pairs++
				if one == other {
					a.Equal++
				}
				if max(one-other, other-one) <= 1 {
					a.WithinOne++
				}
			}
		}
		c.take(ratings)
	}
	a.Alpha, a.Defined = c.alpha()
	return a
}

// coincidences counts how often each two values are of one unit.
type coincidences struct {
	values []int // that occur, in order
	counts [][]float64
}

func newCoincidences(units [][]int) *coincidences {
	c := &coincidences{}
	for _, ratings := range units {
		if len(ratings) > 1 {
			c.values = append(c.values, ratings...)
		}
	}
	slices.Sort(c.values)
	c.values = slices.Compact(c.values)
	c.counts = make([][]float64, len(c.values))
	for i := range c.counts {
		c.counts[i] = make([]float64, len(c.values))
	}
	return c
}

func (c *coincidences) take(ratings []int) {
	share := 1 / float64(len(ratings)-1)
	for i, one := range ratings {
		for j, other := range ratings {
			if i != j {
				a, _ := slices.BinarySearch(c.values, one)
				b, _ := slices.BinarySearch(c.values, other)
				c.counts[a][b] += share
			}
		}
	}
}

func (c *coincidences) alpha() (alpha float64, defined bool) {
	if len(c.values) < 2 {
		return 0, false
	}
	marginal := make([]float64, len(c.values))
	all := 0.0
	for i, row := range c.counts {
		for _, n := range row {
			marginal[i] += n
			all += n
		}
	}
	observed, expected := 0.0, 0.0
	for i := range c.values {
		for j := range c.values {
			distance := ordinalDistance(marginal, min(i, j), max(i, j))
			observed += c.counts[i][j] * distance
			expected += marginal[i] * marginal[j] * distance
		}
	}
	return 1 - (all-1)*observed/expected, true
}

// ordinalDistance is the squared number of ratings from the middle of one value's to the middle of another's.
func ordinalDistance(marginal []float64, low, high int) float64 {
	sum := 0.0
	for _, n := range marginal[low : high+1] {
		sum += n
	}
	return math.Pow(sum-(marginal[low]+marginal[high])/2, 2)
}
