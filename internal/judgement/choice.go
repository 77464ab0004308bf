package judgement

import (
	"slices"
	"time"

	"swallowtail/internal/practice"
)

// Choice is the position in which a learner is judged. It is made before the tries that it judges: the best of five picked
// from the same tries would pass far too often ([Errors.AnyOfFive]).
type Choice struct {
	Position practice.Position
	From     practice.Night // the first night whose tries count
	// After is the instant of a clinician's choice: a night on which practice began before it does not count. Zero where the
	// nights made the choice.
	After time.Time
	// ByClinician tells that a clinician named it.
	ByClinician bool
	// Changed tells that what arrived later would have made the nights choose otherwise. The choice stands all the same.
	Changed bool
}

// choiceOf returns where a learner is judged: in the position that a clinician named, else in the one that led when it was
// first known of enough practised nights, by those nights alone. False while there is neither.
func choiceOf(c *Case) (Choice, bool) {
	if last := len(c.View.Choices) - 1; last >= 0 {
		return byClinician(c.Programme, c.View.Choices[last]), true
	}
	return byNights(c)
}

// byClinician returns a clinician's choice.
func byClinician(p *practice.Programme, chosen practice.Chosen) Choice {
	return Choice{Position: chosen.Position, From: p.Enrolment.Tonight(chosen.From), After: chosen.From, ByClinician: true}
}

// byNights returns the choice that the nights make, of which no more are looked at than are planned: each takes a fold.
func byNights(c *Case) (Choice, bool) {
	practised := practisedOf(c.Programme)
	rule := c.Programme.Enrolment.Plan.Preference
	for n := max(1, rule.Nights); n <= min(len(practised), c.Programme.Enrolment.Plan.Nights); n++ {
		at := knownAll(c.Programme, practised, n)
		if at.After(c.View.At) {
			break
		}
		then := c.Known(at)
		if then == nil {
			continue
		}
		first := practisedOf(then)
		if len(first) < n {
			continue // some of them were withdrawn for a while
		}
		if leader := leaderOf(first[:n], rule); leader != "" {
			return Choice{Position: leader, From: first[n-1].Night + 1, Changed: leaderOf(practised[:n], rule) != leader}, true
		}
	}
	return Choice{}, false
}

// practisedOf returns the practised nights.
func practisedOf(p *practice.Programme) []practice.NightView {
	return slices.DeleteFunc(slices.Clone(p.Nights), func(n practice.NightView) bool { return !n.State.Practised() })
}

// knownAll returns the instant from which so many of the nights had closed and were known of.
func knownAll(p *practice.Programme, nights []practice.NightView, count int) time.Time {
	instants := make([]time.Time, len(nights))
	for i := range nights {
		instants[i] = p.Enrolment.Closes(nights[i].Night)
		if nights[i].Known.After(instants[i]) {
			instants[i] = nights[i].Known
		}
	}
	slices.SortFunc(instants, time.Time.Compare)
	return instants[count-1]
}

func leaderOf(nights []practice.NightView, rule practice.PreferenceRule) practice.Position {
	p := preferenceOf(rankedNights(nights), rule)
	return p.Leader
}

// judged is a scored try in the position chosen.
type judged struct {
	night     practice.Night
	swallowed bool
}

// judgedTries returns the scored tries that the choice lets count, in their order.
func (c Choice) judgedTries(p *practice.Programme) []judged {
	var tries []judged
	for i := range p.Nights {
		n := &p.Nights[i]
		if n.Night < c.From || c.startedBefore(n) {
			continue
		}
		for _, s := range n.Scores {
			if s.Position == c.Position {
				tries = append(tries, judged{n.Night, s.Outcome == practice.Swallowed})
			}
		}
	}
	return tries
}

// startedBefore reports whether practice on a night began before the choice was made.
func (c Choice) startedBefore(n *practice.NightView) bool {
	for i := range n.Sittings {
		if n.Sittings[i].Start.Time().Before(c.After) {
			return true
		}
	}
	return false
}
