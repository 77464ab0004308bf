package judgement

import (
	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// AgreementOf compares the caregivers' readings of the same tries in a programme: each reading is worth its ease, and less
// than any where nothing was swallowed. What a settlement says is nobody's reading.
func AgreementOf(p *practice.Programme) stats.Agreement {
	var units [][]int
	for i := range p.Nights {
		for j := range p.Nights[i].Sittings {
			for k := range p.Nights[i].Sittings[j].Tries {
				if ratings := ratingsOf(&p.Nights[i].Sittings[j].Tries[k]); len(ratings) > 1 {
					units = append(units, ratings)
				}
			}
		}
	}
	return stats.AgreementOf(units)
}

// ratingsOf returns what each person says of a try. A refusal is no try, and somebody of whom several accounts stand, as of
// one who wrote on two phones, counts once, with the most cautious.
func ratingsOf(t *practice.TryView) []int {
	said := map[practice.Author]bool{}
	var ratings []int
	for _, r := range t.Readings { // the most cautious first
		if r.Outcome == practice.Refused || said[r.By] {
			continue
		}
		said[r.By] = true
		rating := 0
		if r.Outcome == practice.Swallowed {
			rating = int(r.Ease)
		}
		ratings = append(ratings, rating)
	}
	return ratings
}
