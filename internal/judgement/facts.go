package judgement

import "swallowtail/internal/practice"

// FactsOf returns what a cohort needs of a programme that has begun, but for its plan and the age of the learner; false of one
// that has not.
func FactsOf(c Case, w *Weighing) (Facts, bool) {
	p := c.Programme
	if p == nil || len(p.Nights) == 0 || p.Nights[0].State == practice.Upcoming {
		return Facts{}, false
	}
	last := p.Nights[len(p.Nights)-1].Night
	f := Facts{
		Practised: p.Counts.Practised,
		Over:      p.Enrolment.Ended || !c.View.At.Before(p.Enrolment.Closes(last)),
		Completed: p.Counts.Practised >= p.Enrolment.Plan.PractisedWanted,
		Leader:    w.Preference.Leader,
	}
	f.Swallowed = waitedFor(p, func(nights int) bool { return swallowedASweet(&p.Nights[nights-1]) })
	f.Ready = waitedFor(p, func(nights int) bool { return w.readyAfter(&c, nights) })
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

// readyAfter reports whether every criterion was met after so many nights, by the record as it stands now: what has been
// settled or cleared since no longer stands in the way.
func (w *Weighing) readyAfter(c *Case, nights int) bool {
	if w.Success.Choice == nil {
		return false
	}
	until := *c.Programme
	until.Nights = until.Nights[:nights]
	then := Case{View: c.View, Programme: &until, Medicine: c.Medicine}
	rule := Rule(until.Enrolment.Plan.Success)
	weighed := Weighing{Success: successIn(*w.Success.Choice, &until, rule)}
	for _, criterion := range weighed.criteria(&then, rule, &Judgement{Disagreements: disagreements(&until)}) {
		if !criterion.Met {
			return false
		}
	}
	return true
}
