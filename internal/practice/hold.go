package practice

import (
	"slices"
	"time"
)

// OpenIncident is an incident that no clinician has cleared.
type OpenIncident struct {
	Entry    EntryID
	What     IncidentKind // empty where it could not be read
	Recorded Moment
	Received time.Time
	Unread   bool // what happened could not be read, or may not be
}

// openIncidents returns the incidents that hold the learner. An incident holds whatever its own state (retracted,
// quarantined, set aside, late, from a wrong clock), until a standing clear names it or a version of it that replaces it.
// One that could not be read closely enough to tell the learner holds every learner of the household.
func (f *fold) openIncidents() []OpenIncident {
	cleared := f.cleared()
	var open []OpenIncident
	for _, e := range f.record.entries {
		if e.Learner != f.learner && e.Learner != (LearnerID{}) {
			continue
		}
		body, readable := e.Body.(*Incident)
		if (!readable && !e.MayBeIncident) || cleared[e.ID] {
			continue
		}
		o := OpenIncident{Entry: e.ID, Recorded: e.recorded(), Received: e.Received, Unread: !readable || e.Sealed}
		if !o.Unread {
			o.What = body.What
		}
		open = append(open, o)
	}
	return open
}

// cleared returns the entries that standing clears name, and those that these replace.
func (f *fold) cleared() map[EntryID]bool {
	cleared := map[EntryID]bool{}
	var queue []EntryID
	add := func(id EntryID) {
		if !cleared[id] {
			cleared[id] = true
			queue = append(queue, id)
		}
	}
	f.record.heads(KindClear, f.learner, func(_ *account, e *Stamped) {
		for _, id := range e.Body.(*Clear).Incidents { //nolint:forcetypeassert // heads are of the kind asked for
			add(id)
		}
	})
	for len(queue) > 0 {
		e := f.record.entry(queue[0])
		queue = queue[1:]
		if e == nil {
			continue
		}
		for _, id := range e.Replaces {
			if older := f.record.entry(id); older != nil && older.Subject == e.Subject && older.Author == e.Author {
				add(id)
			}
		}
	}
	return cleared
}

// choices returns the positions that clinicians named, by the time of receipt.
func (f *fold) choices() []Chosen {
	var all []Chosen
	f.record.heads(KindChoose, f.learner, func(_ *account, e *Stamped) {
		all = append(all, Chosen{Position: e.Body.(*Choose).Position, From: e.Received}) //nolint:forcetypeassert // as above
	})
	slices.SortStableFunc(all, func(a, b Chosen) int { return a.From.Compare(b.From) })
	return all
}
