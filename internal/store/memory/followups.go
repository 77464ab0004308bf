package memory

import (
	"cmp"
	"context"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

func compareConcerns(a, b clinic.ProjectedConcern) int {
	return cmp.Or(a.Since.Compare(b.Since), compareIDs(a.ID, b.ID))
}

// concernsOf returns the open concerns of a household.
func (h *household) concernsOf() []clinic.OpenConcern {
	var found []clinic.OpenConcern
	for i := range h.learners {
		l := &h.learners[i]
		if l.projection == nil {
			continue
		}
		for _, c := range l.projection.Concerns {
			found = append(found, clinic.OpenConcern{
				ProjectedConcern: c, Clinic: h.Clinic, Learner: l.ID, Household: h.ID, Nickname: l.Nickname, Heard: l.projection.Heard,
			})
		}
	}
	return found
}

// Concerns implements clinic.ProjectionView.
func (v view) Concerns(_ context.Context, of uuid.UUID, after *clinic.DueKey, limit int) ([]clinic.OpenConcern, error) {
	if !v.clinics.has(of) {
		return nil, absent("clinic")
	}
	var found []clinic.OpenConcern
	for _, h := range v.households.rows {
		if h.Clinic != of {
			continue
		}
		for _, c := range h.concernsOf() {
			if follows(c.Since, c.ID, after) {
				found = append(found, c)
			}
		}
	}
	slices.SortFunc(found, func(a, b clinic.OpenConcern) int {
		return compareConcerns(a.ProjectedConcern, b.ProjectedConcern)
	})
	return first(found, limit), nil
}

// Concern implements clinic.ProjectionView.
func (v view) Concern(_ context.Context, id uuid.UUID) (clinic.OpenConcern, error) {
	for _, h := range v.households.rows {
		for _, c := range h.concernsOf() {
			if c.ID == id {
				return c, nil
			}
		}
	}
	return clinic.OpenConcern{}, absent("concern")
}

// FollowUps implements clinic.ReminderView. Those of one instant are in the order in which they were written.
func (v view) FollowUps(_ context.Context, household uuid.UUID) ([]clinic.FollowUp, error) {
	h, err := v.household(household)
	if err != nil {
		return nil, err
	}
	return slices.Clone(h.followUps), nil
}

// AddFollowUp implements clinic.ReminderTx.
func (t *tx) AddFollowUp(_ context.Context, f clinic.FollowUp) error {
	h, err := t.home(learners, f.Learner)
	if err != nil {
		return err
	}
	if !t.members.has(f.Member) {
		return absent("member")
	}
	if t.homes[followUps].has(f.ID) {
		return taken("follow-up")
	}
	f.At = kept(f.At)
	h = t.own(h)
	at := len(h.followUps)
	for at > 0 && h.followUps[at-1].At.After(f.At) {
		at--
	}
	h.followUps = with(h.followUps, at, f)
	t.settle(followUps, f.ID, h)
	return nil
}
