package practice

import (
	"cmp"
	"slices"
	"time"
)

// NightExcuse is an excuse as it stands on a night.
type NightExcuse struct {
	Reason ExcuseReason
	By     Author
}

// NightIncident is an incident as it stands on a night.
type NightIncident struct {
	Entry EntryID
	What  IncidentKind
}

// notes is what is said of a night apart from its sittings.
type notes struct {
	excuses   []NightExcuse
	incidents []NightIncident
	known     time.Time // when the first of them was received
}

func (f *fold) notesOn(n Night) *notes {
	if f.notes[n] == nil {
		f.notes[n] = &notes{}
	}
	return f.notes[n]
}

// collectNotes puts excuses and incidents on their nights. An incident falls on the night of the session it names, else
// on the night on which it was recorded.
func (f *fold) collectNotes() {
	f.notes = map[Night]*notes{}
	f.record.heads(KindExcuse, f.learner, func(a *account, e *Stamped) {
		body := e.Body.(*Excuse) //nolint:forcetypeassert // heads are of the kind asked for
		n := f.notesOn(body.Night)
		n.known = earlier(n.known, e.Received)
		if excuse := (NightExcuse{Reason: body.Reason, By: a.speaker}); !slices.Contains(n.excuses, excuse) {
			n.excuses = append(n.excuses, excuse)
		}
	})
	f.record.heads(KindIncident, f.learner, func(a *account, e *Stamped) {
		body := e.Body.(*Incident) //nolint:forcetypeassert // heads are of the kind asked for
		when := e.recorded()
		if when.unixMilli > f.at.UnixMilli() {
			f.await(when.Time())
			return
		}
		night := f.nightOfMoment(when)
		if session, _ := f.sessionFor(body.Session, a.speaker); session != nil {
			night = f.sittings[session.sitting].night
		}
		n := f.notesOn(night)
		n.known = earlier(n.known, e.Received)
		n.incidents = append(n.incidents, NightIncident{Entry: e.ID, What: body.What})
	})
}

func (f *fold) nightOfMoment(m Moment) Night {
	plan, _ := f.planFor(m)
	return NightOf(m, plan.TurnsAt)
}

// switching says which positions are left out from a night on.
type switching struct {
	from Night
	off  []Position
}

// collectSwitches gathers what clinicians switched off, by the night from which it holds. Where several speak of the same
// night, all that any of them leaves out is left out.
func (f *fold) collectSwitches() {
	f.record.heads(KindPositions, f.learner, func(_ *account, e *Stamped) {
		body := e.Body.(*SwitchPositions) //nolint:forcetypeassert // heads are of the kind asked for
		f.switches = append(f.switches, switching{from: body.From, off: body.Off})
	})
	slices.SortStableFunc(f.switches, func(a, b switching) int { return int(a.from) - int(b.from) })
}

// positionsOn returns the positions in use on a night: the enrolment's, less those switched off from the last switching
// at or before the night.
func (f *fold) positionsOn(n Night) []Position {
	var inUse []Position
	if s := spanOf(f.spans, n); s != nil {
		inUse = s.enrolment.Positions
	} else {
		inUse = Positions()
	}
	last := -1
	for i := range f.switches {
		if f.switches[i].from <= n {
			last = i
		}
	}
	if last < 0 {
		return inUse
	}
	off := func(p Position) bool {
		return slices.ContainsFunc(f.switches, func(s switching) bool {
			return s.from == f.switches[last].from && slices.Contains(s.off, p)
		})
	}
	return slices.DeleteFunc(slices.Clone(inUse), off)
}

// note is when a person first wrote of a sitting, and where that is.
type note struct {
	written
	night   Night
	sitting *SittingView
}

// markWrittenTogether marks the nights of which one person first wrote within minutes of another night.
func (f *fold) markWrittenTogether(nights []NightView) {
	within := DefaultPlan().WrittenTogetherWithin
	if f.current != nil {
		within = f.current.enrolment.Plan.WrittenTogetherWithin
	}
	all := make([]note, 0, len(f.sessions))
	for i := range nights {
		for j := range nights[i].Sittings {
			for _, w := range nights[i].Sittings[j].written {
				all = append(all, note{written: w, night: nights[i].Night, sitting: &nights[i].Sittings[j]})
			}
		}
	}
	slices.SortFunc(all, func(a, b note) int {
		return cmp.Or(a.by.compare(b.by), cmp.Compare(a.when.unixMilli, b.when.unixMilli))
	})
	markAround(all, within.Milliseconds())
}

// markAround marks every note around which, within a time either way, the same person wrote of another night too. The
// notes are by person and time; the window of those around one moves along with it.
func markAround(notes []note, within int64) {
	around := map[Night]int{}
	first, last := 0, 0 // of the window, the last not in it
	for i := range notes {
		n := &notes[i]
		if i > 0 && notes[i-1].by != n.by {
			clear(around)
			first, last = i, i
		}
		for ; last < len(notes) && notes[last].by == n.by && notes[last].when.unixMilli <= n.when.unixMilli+within; last++ {
			around[notes[last].night]++
		}
		for ; notes[first].when.unixMilli < n.when.unixMilli-within; first++ {
			if around[notes[first].night]--; around[notes[first].night] == 0 {
				delete(around, notes[first].night)
			}
		}
		if len(around) > 1 {
			n.sitting.marks.add(MarkWrittenTogether)
		}
	}
}
