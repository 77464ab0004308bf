package judgement

import (
	"fmt"
	"math"

	"swallowtail/internal/practice"
)

// Medicine is what is to be swallowed in the end, as it is dispensed: a two-piece capsule by its size code, or a tablet by its
// dimensions.
type Medicine struct {
	CapsuleSize string  // such as "00", which is not "0"; empty for a tablet
	LengthMM    float64 // the longer dimension of a tablet
	WidthMM     float64 // its smaller one, more than 0
}

// Shell is the nominal dimensions of a capsule, closed.
type Shell struct{ LengthMM, DiameterMM float64 }

// shells are the nominal dimensions by size code: the closed lengths and cap diameters of a published vendor's table of
// two-piece capsules; for the elongated ones a second table, whose diameters are the same. Published tables differ by up to
// 0.4 mm in length and 0.05 mm in diameter. See testdata/capsules.json.
func shells() map[string]Shell {
	return map[string]Shell{
		"000": {26.1, 9.91}, "00el": {25.5, 8.55}, "00": {23.5, 8.54}, "0el": {23.2, 7.66}, "0": {21.7, 7.64}, "1el": {20.4, 6.93},
		"1": {19.4, 6.91}, "2el": {19.3, 6.37}, "2": {18.0, 6.35}, "3": {15.9, 5.82}, "4": {14.3, 5.32}, "5": {11.1, 4.91},
	}
}

// ShellOf returns the nominal dimensions of a capsule of a size code.
func ShellOf(size string) (Shell, bool) {
	s, ok := shells()[size]
	return s, ok
}

// Smaller returns the smaller dimension, in mm: what must pass. False for a capsule of unknown size.
func (m Medicine) Smaller() (float64, bool) {
	if m.CapsuleSize == "" {
		return m.WidthMM, true
	}
	s, ok := ShellOf(m.CapsuleSize)
	return s.DiameterMM, ok
}

// sizePractised asks whether a sweet as thick as the medicine has been swallowed.
func sizePractised(c *Case) Criterion {
	largest, nights := largestSwallowed(c.Programme)
	criterion := Criterion{ID: "size_practised", Nights: nights, Seen: "no sweet of known size swallowed"}
	if largest > 0 {
		criterion.Seen = fmt.Sprintf("a sweet of %s swallowed", millimetres(largest))
	}
	if c.Medicine == nil {
		criterion.Wanted = "a sweet at least as thick as the medicine"
		criterion.Why = "No medicine is named at enrolment, so there is nothing to compare the sweets with."
		return criterion
	}
	smaller, known := c.Medicine.Smaller()
	if !known {
		criterion.Wanted = "a sweet at least as thick as the medicine"
		criterion.Why = "The size of this capsule is not known, so there is nothing to compare the sweets with."
		return criterion
	}
	criterion.Wanted = fmt.Sprintf("a sweet of at least %s swallowed", millimetres(smaller))
	criterion.Met = largest >= smaller
	criterion.Why = fmt.Sprintf("The medicine is %s at its thinnest; the largest sweet swallowed so far is %s.",
		millimetres(smaller), millimetres(largest))
	if largest == 0 {
		criterion.Why = fmt.Sprintf("The medicine is %s at its thinnest; no sweet of known size has been swallowed.", millimetres(smaller))
	}
	return criterion
}

// largestSwallowed returns the size of the largest sweet that was swallowed in a scored try, 0 where none of known size was,
// and the nights on which one of that size was.
func largestSwallowed(p *practice.Programme) (mm float64, nights []practice.Night) {
	for i := range p.Nights {
		for _, s := range p.Nights[i].Scores {
			if s.Outcome != practice.Swallowed || s.SizeMM == 0 || s.SizeMM < mm {
				continue
			}
			if s.SizeMM > mm {
				mm, nights = s.SizeMM, nil
			}
			if len(nights) == 0 || nights[len(nights)-1] != p.Nights[i].Night {
				nights = append(nights, p.Nights[i].Night)
			}
		}
	}
	return mm, nights
}

func millimetres(mm float64) string { return fmt.Sprintf("%g mm", math.Round(mm*100)/100) }
