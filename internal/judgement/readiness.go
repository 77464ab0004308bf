package judgement

import (
	"fmt"
	"slices"
	"strings"

	"swallowtail/internal/practice"
)

// Verdict is the sum of the criteria. It is decision support for a clinician and never an instruction to give medicine.
type Verdict string

// The verdicts: the first that applies. A [Judgement] tells the first two; the others need a [Weighing].
const (
	Hold           Verdict = "hold"
	NotStarted     Verdict = "not_started"
	ReadyForReview Verdict = "ready_for_review" // every criterion is met
	Nearing        Verdict = "nearing"          // recent tries succeed often enough, and another criterion is not met
	CannotTellYet  Verdict = "cannot_tell_yet"  // the last look says so
	Practising     Verdict = "practising"
)

// Nearness orders verdicts for a list: those on hold first, then the nearer to being ready, the higher.
func (v Verdict) Nearness() int {
	return slices.Index([]Verdict{"", NotStarted, Practising, CannotTellYet, Nearing, ReadyForReview, Hold}, v)
}

// Criterion is one thing that readiness asks for.
type Criterion struct {
	ID     string
	Met    bool
	Wanted string
	Seen   string
	Nights []practice.Night // those it rests on
	Why    string           // a plain sentence
}

// firstVerdict returns a verdict that comes before all weighing, empty where none does.
func firstVerdict(v *practice.View, p *practice.Programme) Verdict {
	switch {
	case len(v.Hold) > 0:
		return Hold
	case p.Counts.Practised+p.Counts.Attempted == 0:
		return NotStarted
	}
	return ""
}

// practisedNights counts the practised nights that were written while they were fresh: readiness does not rest on those
// filled in from memory.
func practisedNights(p *practice.Programme) Criterion {
	var nights []practice.Night
	for i := range p.Nights {
		n := &p.Nights[i]
		if n.State.Practised() && !n.Has(practice.MarkRecalled) && !n.Has(practice.MarkWrittenTogether) {
			nights = append(nights, n.Night)
		}
	}
	wanted := p.Enrolment.Plan.PractisedWanted
	return Criterion{
		ID:     "practised_nights",
		Met:    len(nights) >= wanted,
		Wanted: fmt.Sprintf("at least %d practised nights", wanted),
		Seen:   plural(len(nights), "practised night"),
		Nights: nights,
		Why: fmt.Sprintf("%s of the %d wanted, not counting nights filled in from memory.",
			plural(len(nights), "practised night"), wanted),
	}
}

func noOpenIncident(v *practice.View) Criterion {
	c := Criterion{ID: "no_open_incident", Met: len(v.Hold) == 0, Wanted: "no open incident"}
	c.Seen = plural(len(v.Hold), "open incident")
	c.Why = "No incident is waiting for a clinician."
	if !c.Met {
		c.Why = c.Seen + " that a clinician has not cleared in writing: practice is on hold."
	}
	return c
}

func noOpenDisagreement(open []Disagreement) Criterion {
	c := Criterion{ID: "no_open_disagreement", Met: len(open) == 0, Wanted: "no open disagreement"}
	c.Seen = plural(len(open), "open disagreement")
	for _, d := range open {
		if len(c.Nights) == 0 || c.Nights[len(c.Nights)-1] != d.Night {
			c.Nights = append(c.Nights, d.Night)
		}
	}
	c.Why = "The caregivers' accounts agree, or what differed has been settled."
	if !c.Met {
		c.Why = c.Seen + " between caregivers' accounts: the more cautious one counts until it is settled."
	}
	return c
}

// plural counts things in words: "1 night", "2 nights".
func plural(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	if before, is := strings.CutSuffix(thing, "try"); is {
		return fmt.Sprintf("%d %stries", n, before)
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
