package judgement

import (
	"slices"

	"swallowtail/internal/practice"
)

// SnagCount is on how many tries a snag got in the way.
type SnagCount struct {
	Snag  practice.Snag
	Tries int
}

// Advice is a piece of coaching for a snag that recurs.
type Advice struct {
	Snag   practice.Snag
	Nights []practice.Night
	Text   string
}

// coaching returns the piece of coaching for a snag that has one (common practice), empty for the others.
func coaching(s practice.Snag) string {
	switch s {
	case practice.SnagPosture:
		return "Sit or stand up tall before each try, feet on the floor, shoulders loose."
	case practice.SnagPlacement:
		return "Lay the sweet further back on the middle of the tongue before taking the sip."
	case practice.SnagWater:
		return "Take a smaller sip: with too much water in the mouth the sweet floats away from the throat."
	}
	return ""
}

func snagCounts(p *practice.Programme) []SnagCount {
	var counts []SnagCount
	for _, snag := range practice.Snags() {
		if tries, _ := occurrences(p, snag); tries > 0 {
			counts = append(counts, SnagCount{Snag: snag, Tries: tries})
		}
	}
	return counts
}

func advice(p *practice.Programme) []Advice {
	var all []Advice
	for _, snag := range practice.Snags() {
		text := coaching(snag)
		if text == "" {
			continue
		}
		if _, nights := occurrences(p, snag); len(nights) >= p.Enrolment.Plan.AdviceNights {
			all = append(all, Advice{Snag: snag, Nights: nights, Text: text})
		}
	}
	return all
}

// occurrences returns on how many tries a snag occurred, and on which nights.
func occurrences(p *practice.Programme, snag practice.Snag) (tries int, nights []practice.Night) {
	for i := range p.Nights {
		before := tries
		for j := range p.Nights[i].Sittings {
			for k := range p.Nights[i].Sittings[j].Tries {
				if slices.Contains(p.Nights[i].Sittings[j].Tries[k].Snags(), snag) {
					tries++
				}
			}
		}
		if tries > before {
			nights = append(nights, p.Nights[i].Night)
		}
	}
	return tries, nights
}
