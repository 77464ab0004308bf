package stats

import (
	"cmp"
	"math"
	"slices"
)

// Midranks returns the rank of each value from 1, the lowest. Equal values share the mean of the ranks that they take up.
func Midranks(values []float64) []float64 {
	mustBeFinite(values)
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(values[a], values[b]) })
	ranks := make([]float64, len(values))
	for first := 0; first < len(order); {
		last := first
		for last < len(order) && values[order[last]] == values[order[first]] {
			last++
		}
		for _, at := range order[first:last] {
			ranks[at] = float64(first+1+last) / 2
		}
		first = last
	}
	return ranks
}

// NormalisedRank returns (rank - 1/2) / of: where a midrank lies among so many, from above 0 to below 1. The mean over all
// that are ranked is 1/2 whatever their number, so nights with more and with fewer positions can be put together.
func NormalisedRank(rank float64, of int) float64 { return (rank - 0.5) / float64(of) }

// tieSizes returns how many values there are of each that occurs.
func tieSizes(values []float64) []int {
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	var sizes []int
	for i, v := range sorted {
		if i == 0 || v != sorted[i-1] {
			sizes = append(sizes, 0)
		}
		sizes[len(sizes)-1]++
	}
	return sizes
}

func mustBeFinite(values []float64) {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			panic("stats: a value that is no number")
		}
	}
}
