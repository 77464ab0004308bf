package judgement

import (
	"slices"

	"swallowtail/internal/practice"
)

// FactsOf returns what a cohort needs of a programme that has begun, but for its plan and the age of the learner; false of one
// that has not.
func FactsOf(c Case, w *Weighing) (Facts, bool) {
	p := c.Programme
	if p == nil || c.View.At.Before(p.Enrolment.Closes(p.Enrolment.FirstNight-1)) {
		return Facts{}, false
	}
	f := Facts{
		Practised: p.Counts.Practised,
		Over:      p.Enrolment.Ended || !c.View.At.Before(p.Enrolment.Closes(p.LastNight)),
		Completed: p.Counts.Practised >= p.Enrolment.Plan.PractisedWanted,
		Leader:    w.Preference.Leader,
	}
	f.Swallowed = waitedFor(p, func(nights int) bool { return swallowedASweet(&p.Nights[nights-1]) })
	r := readiness{c: &c}
	if choice := w.Success.Choice; choice == nil || !choice.ByClinician {
		r.ownChoice = choice
	} else if own, made := byNights(&c); made {
		r.ownChoice = &own
	}
	f.Ready = waitedFor(p, r.after)
	return f, true
}

// waitedFor returns after how many nights something had happened for the first time. Where it has not, the family has been
// followed up to the last night of which anything was recorded: one that has stopped may still get there, unseen.
func waitedFor(p *practice.Programme, happened func(nights int) bool) Waited {
	var w Waited
	for i := range p.Nights {
		n := &p.Nights[i]
		if !n.State.Practised() && n.State != practice.Attempted {
			continue
		}
		w.Nights = int(n.Night-p.Enrolment.FirstNight) + 1
		if happened(i + 1) {
			w.Happened = true
			break
		}
	}
	return w
}

func swallowedASweet(n *practice.NightView) bool {
	for _, s := range n.Scores {
		if s.Outcome == practice.Swallowed {
			return true
		}
	}
	return false
}

// readiness looks for the first night after which a learner was ready.
type readiness struct {
	c         *Case
	ownChoice *Choice // that of the nights; nil while there is none
}

// after reports whether every criterion was met after so many nights, by the choice that stood then and otherwise by the record
// as it stands now: what has been settled since no longer stands in the way. Incidents are no part of it, since they hold a
// learner until they are cleared, whenever that is.
func (r *readiness) after(nights int) bool {
	until := *r.c.Programme
	until.Nights = until.Nights[:nights]
	choice := r.choiceAt(&until)
	if choice == nil {
		return false
	}
	view := *r.c.View
	view.Hold = nil
	then := Case{View: &view, Programme: &until, Medicine: r.c.Medicine}
	rule := Rule(until.Enrolment.Plan.Success)
	weighed := Weighing{Success: successIn(*choice, &until, rule)}
	unmet := func(c Criterion) bool { return !c.Met }
	return !slices.ContainsFunc(weighed.criteria(&then, rule, &Judgement{Disagreements: disagreements(&until)}), unmet)
}

// choiceAt returns the choice that stood when the last of some nights closed.
func (r *readiness) choiceAt(until *practice.Programme) *Choice {
	closed := until.Enrolment.Closes(until.Nights[len(until.Nights)-1].Night)
	for _, chosen := range slices.Backward(r.c.View.Choices) {
		if chosen.From.Before(closed) {
			choice := byClinician(until, chosen)
			return &choice
		}
	}
	return r.ownChoice
}
