package clinic

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
)

// KnownOperations returns every operation that the table of rights names.
func KnownOperations() []Operation {
	return slices.Collect(maps.Keys(rules()))
}

// Permit returns what the table says of a caller and an operation.
func (r *Rights) Permit(p access.Principal, op Operation) error {
	_, err := r.permit(p, op)
	return err
}

// Reaches reports whether a thing of these owners lies within reach of a caller by an operation.
func (r *Rights) Reaches(p access.Principal, op Operation, clinic, household, caregiver uuid.UUID) bool {
	permit, err := r.permit(p, op)
	return err == nil && permit.owns(owner{clinic: clinic, household: household, caregiver: caregiver}) == nil
}

// Chained returns the hash chained up to an entry.
func Chained(before [32]byte, e *StoredEntry) [32]byte { return chained(before, e) }

// WeighedAt weighs a learner at an instant, as the store has the record now.
func (s *Service) WeighedAt(ctx context.Context, learner uuid.UUID, at time.Time) (w Weighed, err error) {
	err = s.Store.Read(ctx, func(ctx context.Context, view View) error {
		l, err := view.Learner(ctx, learner)
		if err != nil {
			return err
		}
		f, err := s.loadFamily(ctx, view, l.Household)
		if err != nil {
			return err
		}
		w, err = f.weigh(l, at)
		return err
	})
	return w, err
}

// WaitingRows returns how many rows wait for a commit that is under way.
func (s *Service) WaitingRows() int {
	s.trail.mu.Lock()
	defer s.trail.mu.Unlock()
	return len(s.trail.waiting)
}

// RenewZones is what a server does first after a start.
func (s *Service) RenewZones(ctx context.Context, now time.Time) error { return s.renewZones(ctx, now) }

// Takes reports whether a delivery is to go to a recipient at an instant.
func (r *Recipient) Takes(d *Delivery, at time.Time) bool { return r.takes(d, at) }

// KeepsSummary reports whether a summary would be served as it was kept.
func (s *Service) KeepsSummary(ctx context.Context, p access.Principal, learner uuid.UUID, q Question, now time.Time) (bool, error) {
	a, err := s.ask(ctx, p, "getSummary", now)
	if err != nil {
		return false, err
	}
	_, is, err := s.keptSummary(ctx, a, learner, q, now)
	return is, err
}
