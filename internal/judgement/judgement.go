// Package judgement says what the nights of a programme amount to: how each position did, which criteria of readiness are
// met, what coaching the snags ask for, and what a clinician should look at. It is pure, over package practice.
//
// It supports a decision and never makes one. What needs statistics is a [Weighing], which is worked out where it is read.
package judgement

import (
	"slices"
	"time"

	"swallowtail/internal/practice"
)

// Judgement is what a programme amounts to at the instant of its view.
type Judgement struct {
	Positions     []Figures // positions in use or tried, in the order of practice.Positions
	Verdict       Verdict   // empty where only a Weighing can tell
	Disagreements []Disagreement
	Snags         []SnagCount
	Advice        []Advice
	Flags         []Flag
}

// Judge works out what one programme of a view amounts to, of a learner born then, zero where that is not known. A nil
// programme, of a learner not enrolled, has only what the view itself tells.
func Judge(v *practice.View, p *practice.Programme, born time.Time) Judgement {
	if p == nil {
		j := Judgement{Verdict: NotStarted}
		if len(v.Hold) > 0 {
			j.Verdict, j.Flags = Hold, []Flag{FlagOnHold}
		}
		return j
	}
	snags := occurrences(p)
	j := Judgement{
		Positions:     figures(p),
		Disagreements: disagreements(p),
		Snags:         snagCounts(snags),
		Advice:        advice(snags, p.Enrolment.Plan.AdviceNights),
	}
	j.Verdict = firstVerdict(v, p)
	j.Flags = flags(v, p, born, &j)
	return j
}

// Figures are the scored tries in one position: the first try on a sweet of each night.
type Figures struct {
	Position  practice.Position
	Tries     int
	Swallowed int
	EaseSum   int // over the scored tries
	EaseCount int
}

// Share returns the share of scored tries that were swallowed, 0 to 1; false without tries.
func (f Figures) Share() (float64, bool) {
	if f.Tries == 0 {
		return 0, false
	}
	return float64(f.Swallowed) / float64(f.Tries), true
}

// Ease returns the mean ease of the scored tries, 1 to 5; false without rated ones.
func (f Figures) Ease() (float64, bool) {
	if f.EaseCount == 0 {
		return 0, false
	}
	return float64(f.EaseSum) / float64(f.EaseCount), true
}

func figures(p *practice.Programme) []Figures {
	var all []Figures
	for _, position := range practice.Positions() {
		f := Figures{Position: position}
		inUse := false
		for i := range p.Nights {
			inUse = inUse || slices.Contains(p.Nights[i].Positions, position)
			f.add(&p.Nights[i])
		}
		if inUse || f.Tries > 0 {
			all = append(all, f)
		}
	}
	return all
}

func (f *Figures) add(n *practice.NightView) {
	for _, s := range n.Scores {
		if s.Position != f.Position {
			continue
		}
		f.Tries++
		if s.Outcome == practice.Swallowed {
			f.Swallowed++
		}
		if s.Ease != practice.NoEase {
			f.EaseSum += int(s.Ease)
			f.EaseCount++
		}
	}
}

// Disagreement is an open disagreement between readings of one try.
type Disagreement struct {
	Night   practice.Night
	Sitting int
	Try     *practice.TryView
}

func disagreements(p *practice.Programme) []Disagreement {
	var open []Disagreement
	for i := range p.Nights {
		n := &p.Nights[i]
		for j := range n.Sittings {
			for k := range n.Sittings[j].Tries {
				if try := &n.Sittings[j].Tries[k]; try.Agreement == practice.Disagreed {
					open = append(open, Disagreement{Night: n.Night, Sitting: n.Sittings[j].Number, Try: try})
				}
			}
		}
	}
	return open
}

// LastHeard returns when any device of the household was last heard from, zero where none ever was.
func LastHeard(contacts []practice.Contact) time.Time {
	var last time.Time
	for _, c := range contacts {
		if c.Heard.After(last) {
			last = c.Heard
		}
	}
	return last
}
