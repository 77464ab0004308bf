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

// Foresee works out what a sync call comes to, up to where anybody would be kept from writing.
func (s *Service) Foresee(ctx context.Context, p access.Principal, r SyncRequest, now time.Time) (SyncAnswer, error) {
	o, err := s.callOf(p, r, now).foresee(ctx)
	if err != nil {
		return SyncAnswer{}, err
	}
	return o.answer, o.refused
}

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

// HoldWeighing takes the turn at weighing and returns what ends it.
func (s *Service) HoldWeighing() (end func()) {
	s.weighing <- struct{}{}
	return func() { <-s.weighing }
}

// KeepsSummary reports whether a summary would be served as it was kept.
func (s *Service) KeepsSummary(ctx context.Context, p access.Principal, learner uuid.UUID, q Question, now time.Time) (bool, error) {
	a, err := s.ask(ctx, p, "getSummary", now)
	if err != nil {
		return false, err
	}
	_, is, err := s.keptSummary(ctx, a, learner, q, now)
	return is, err
}

// KeptAndStored returns the parts of a household as they are kept in memory and as they are stored, and whether they say that they are the
// same.
func (s *Service) KeptAndStored(ctx context.Context, household uuid.UUID) (kept, stored map[string]any, same bool, err error) {
	f := s.families.of(household)
	if f == nil {
		return nil, nil, false, nil
	}
	var there *family
	err = s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		there, err = readFamily(ctx, view, household, nil)
		return err
	})
	if err != nil {
		return nil, nil, false, err
	}
	return f.whole().parts(), there.whole().parts(), f.edition == there.edition, nil
}

// parts are all of a family but its record, which is made of what is stamped.
func (f *family) parts() map[string]any {
	folds := map[uuid.UUID]Projection{}
	for id, p := range f.kept {
		folds[id] = inUTC(*p)
	}
	return map[string]any{
		"edition": f.edition, "household": f.household, "head": f.head, "learners": f.learners, "devices": f.devices,
		"people": f.people.learners, "caregivers": f.people.caregivers, "enrolments": f.enrolments, "details": f.details, "contacts": f.contacts,
		"read": f.read, "stamped": f.stamped, "stored": f.stored, "problems": f.problems, "past": f.past, "follow-ups": f.followUps, "kept": folds,
	}
}

// inUTC returns a projection with its instants as a store returns them.
func inUTC(p Projection) Projection {
	p.Reminders, p.Concerns = slices.Clone(p.Reminders), slices.Clone(p.Concerns)
	all := []*time.Time{&p.Folded, &p.Until, &p.Heard, &p.NextDue, &p.RemindersUntil, &p.RemindersRenew}
	for i := range p.Reminders {
		r := &p.Reminders[i]
		all = append(all, &r.Due, &r.Lapses, &r.Ready)
	}
	for i := range p.Concerns {
		all = append(all, &p.Concerns[i].Since)
	}
	for _, at := range all {
		*at = at.UTC()
	}
	return p
}
