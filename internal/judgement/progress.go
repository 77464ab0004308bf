package judgement

import (
	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// Progress is whether swallowing becomes easier over the nights.
type Progress struct {
	// Positions is the trend in each position with two scored tries or more, in the order of practice.Positions.
	Positions []PositionTrend
	// All is these together, each position against itself alone. Positions that rise and fall together on the same nights
	// make its P too small.
	All stats.Trend
}

// PositionTrend is the trend in one position.
type PositionTrend struct {
	Position practice.Position
	stats.Trend
}

// ProgressOf works out the trends of a programme. A try is worth its ease, and less than any where nothing was swallowed.
func ProgressOf(p *practice.Programme) Progress {
	var progress Progress
	var trends []stats.Trend
	for _, position := range places {
		var readings []stats.Reading
		for i := range p.Nights {
			for _, s := range p.Nights[i].Scores {
				if s.Position == position {
					readings = append(readings, stats.Reading{Night: int(p.Nights[i].Night), Value: worth(s)})
				}
			}
		}
		if len(readings) > 1 {
			trends = append(trends, stats.TrendOf(readings))
			progress.Positions = append(progress.Positions, PositionTrend{position, trends[len(trends)-1]})
		}
	}
	progress.All = stats.Stratified(trends...)
	return progress
}
