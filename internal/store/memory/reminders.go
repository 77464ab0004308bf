package memory

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

func compareReminders(a, b clinic.ProjectedReminder) int {
	return cmp.Or(a.Due.Compare(b.Due), compareIDs(a.ID, b.ID))
}

// follows tells whether an instant and an id come after a place.
func follows(at time.Time, id uuid.UUID, place *clinic.DueKey) bool {
	return place == nil || cmp.Or(at.Compare(kept(place.Due)), compareIDs(id, place.ID)) > 0
}

// remindersOf returns the reminders of a clinic that have not lapsed at an instant and are wanted, in no order.
func (v view) remindersOf(of uuid.UUID, at time.Time, wanted func(clinic.ProjectedReminder) bool) ([]clinic.DueReminder, error) {
	all, err := v.projectionsOf(of)
	if err != nil {
		return nil, err
	}
	var found []clinic.DueReminder
	for household, p := range all {
		for _, r := range p.Reminders {
			if r.Lapses.After(at) && wanted(r) {
				found = append(found, clinic.DueReminder{
					ProjectedReminder: r, Learner: p.Learner, Household: household, Heard: p.Heard,
				})
			}
		}
	}
	return found, nil
}

// DueReminders implements clinic.ProjectionView.
func (v view) DueReminders(
	_ context.Context, of uuid.UUID, at time.Time, after *clinic.DueKey, limit int,
) ([]clinic.DueReminder, error) {
	at = kept(at)
	due, err := v.remindersOf(of, at, func(r clinic.ProjectedReminder) bool {
		return !r.Due.After(at) && follows(r.Due, r.ID, after)
	})
	slices.SortFunc(due, func(a, b clinic.DueReminder) int {
		return compareReminders(a.ProjectedReminder, b.ProjectedReminder)
	})
	return first(due, limit), err
}

// ReadyReminders implements clinic.ProjectionView.
func (v view) ReadyReminders(
	_ context.Context, of uuid.UUID, at time.Time, kinds []string, limit int,
) ([]clinic.DueReminder, error) {
	at = kept(at)
	ready, err := v.remindersOf(of, at, func(r clinic.ProjectedReminder) bool {
		return !r.Ready.IsZero() && !r.Ready.After(at) && !r.Due.After(at) && slices.Contains(kinds, r.Kind)
	})
	slices.SortFunc(ready, func(a, b clinic.DueReminder) int {
		return cmp.Or(a.Ready.Compare(b.Ready), compareIDs(a.ID, b.ID))
	})
	return first(ready, limit), err
}

// RemindersOf implements clinic.ProjectionView.
func (v view) RemindersOf(_ context.Context, learner uuid.UUID) ([]clinic.ProjectedReminder, error) {
	h, at, err := v.learner(learner)
	if err != nil {
		return nil, err
	}
	p := h.learners[at].projection
	if p == nil {
		return nil, nil
	}
	return slices.Clone(p.Reminders), nil
}

// StaleReminders implements clinic.ProjectionView.
func (v view) StaleReminders(
	_ context.Context, of uuid.UUID, at time.Time, p clinic.Page,
) ([]uuid.UUID, error) {
	all, err := v.projectionsOf(of)
	if err != nil {
		return nil, err
	}
	var stale []uuid.UUID
	for _, p := range all {
		if !p.RemindersRenew.IsZero() && !p.RemindersRenew.After(at) || p.Folded.After(at) {
			stale = append(stale, p.Learner)
		}
	}
	return page(stale, p), nil
}

// LapsedReminders implements clinic.ProjectionView. Those that lapsed first come first.
func (v view) LapsedReminders(_ context.Context, of uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error) {
	return v.overSince(of, at, limit, func(p *clinic.Projection) time.Time { return p.RemindersUntil })
}

// readyAt has a learner's projected reminder, if there is one, ready at an instant.
func (t *tx) readyAt(h *household, learner, id uuid.UUID, ready time.Time) {
	i, ok := place(h.learners, learner, idOfLearner)
	if !ok || h.learners[i].projection == nil {
		return
	}
	l := h.learners[i]
	at := slices.IndexFunc(l.projection.Reminders, func(r clinic.ProjectedReminder) bool { return r.ID == id })
	if at < 0 {
		return
	}
	p := *l.projection
	r := p.Reminders[at]
	r.Ready = ready
	p.Reminders = changed(p.Reminders, at, r)
	l.projection = &p
	h = t.own(h)
	h.learners = changed(h.learners, i, l)
}
