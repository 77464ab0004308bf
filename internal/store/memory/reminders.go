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

// DueReminders implements clinic.ProjectionView.
func (v view) DueReminders(
	_ context.Context, of uuid.UUID, at time.Time, after *clinic.DueKey, limit int,
) ([]clinic.DueReminder, error) {
	all, err := v.projectionsOf(of)
	if err != nil {
		return nil, err
	}
	var due []clinic.DueReminder
	for household, p := range all {
		if !p.RemindersUntil.IsZero() && !p.RemindersUntil.After(at) {
			continue
		}
		for _, r := range p.Reminders {
			if !r.Due.After(at) && follows(r, after) {
				due = append(due, clinic.DueReminder{
					ProjectedReminder: r, Learner: p.Learner, Household: household, Heard: p.Heard,
				})
			}
		}
	}
	slices.SortFunc(due, func(a, b clinic.DueReminder) int {
		return compareReminders(a.ProjectedReminder, b.ProjectedReminder)
	})
	return first(due, limit), nil
}

// follows tells whether a reminder comes after a place.
func follows(r clinic.ProjectedReminder, place *clinic.DueKey) bool {
	return place == nil || compareReminders(r, clinic.ProjectedReminder{Due: kept(place.Due), ID: place.ID}) > 0
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
		if !p.RemindersUntil.IsZero() && !p.RemindersUntil.After(at) || p.Folded.After(at) {
			stale = append(stale, p.Learner)
		}
	}
	return page(stale, p), nil
}
