package stats_test

import (
	"math/rand/v2"
	"testing"

	"swallowtail/internal/stats"
)

// The fortnight is an invented one without gaps, of five positions.

func BenchmarkDifferences(b *testing.B) {
	f, _ := exampleOf[fortnight, any](b, "syn-1")
	all := blocks(f.Ratings)
	b.ReportAllocs()
	for b.Loop() {
		stats.DifferencesOf(all, len(f.Positions))
	}
}

// BenchmarkPermuted draws a thousand.
func BenchmarkPermuted(b *testing.B) {
	f, _ := exampleOf[fortnight, any](b, "syn-1")
	d := stats.DifferencesOf(blocks(f.Ratings), len(f.Positions))
	random := rand.New(rand.NewPCG(1, 1))
	b.ReportAllocs()
	for b.Loop() {
		d.Permuted(random, 1000)
	}
}

func BenchmarkTrend(b *testing.B) {
	f, _ := exampleOf[fortnight, any](b, "syn-1")
	series := f.series(0)
	b.ReportAllocs()
	for b.Loop() {
		stats.TrendOf(series)
	}
}
