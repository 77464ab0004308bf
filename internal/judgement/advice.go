package judgement

import "swallowtail/internal/practice"

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

func snagCounts(all []occurrence) []SnagCount {
	var counts []SnagCount
	for _, o := range all {
		if o.tries > 0 {
			counts = append(counts, SnagCount{Snag: o.snag, Tries: o.tries})
		}
	}
	return counts
}

// advice returns the coaching for each snag that got in the way on as many nights as are wanted.
func advice(all []occurrence, wanted int) []Advice {
	var pieces []Advice
	for _, o := range all {
		if text := coaching(o.snag); text != "" && len(o.nights) >= wanted {
			pieces = append(pieces, Advice{Snag: o.snag, Nights: o.nights, Text: text})
		}
	}
	return pieces
}

// occurrence is on how many tries a snag got in the way, and on which nights.
type occurrence struct {
	snag   practice.Snag
	tries  int
	nights []practice.Night
}

// occurrences returns where each snag got in the way, in the order of practice.Snags, also of those that never did.
func occurrences(p *practice.Programme) []occurrence {
	snags := practice.Snags()
	all := make([]occurrence, len(snags))
	for i, snag := range snags {
		all[i] = occurrenceOf(p, snag)
	}
	return all
}

func occurrenceOf(p *practice.Programme, snag practice.Snag) occurrence {
	o := occurrence{snag: snag}
	for i := range p.Nights {
		before := o.tries
		for j := range p.Nights[i].Sittings {
			for k := range p.Nights[i].Sittings[j].Tries {
				if p.Nights[i].Sittings[j].Tries[k].HasSnag(snag) {
					o.tries++
				}
			}
		}
		if o.tries > before {
			o.nights = append(o.nights, p.Nights[i].Night)
		}
	}
	return o
}
