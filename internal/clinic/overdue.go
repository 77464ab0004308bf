package clinic

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/reminder"
)

// Overdue returns the reminders of the caller's clinic that are due at an instant, by due instant, then id, after a place.
//
// The store holds each learner's next reminders, so the query costs what is due. Where others may be due by then they are
// worked out anew: for now they are kept, for another instant only looked at. What is being sent is due no more.
func (s *Service) Overdue(ctx context.Context, p access.Principal, asOf time.Time, after *DueKey, limit int, now time.Time) ([]DueReminder, error) {
	return reads(ctx, s, p, "listOverdue", now, func(a *ask) ([]DueReminder, error) {
		at, err := Question{AsOf: asOf}.instant(p, now)
		if err != nil {
			return nil, err
		}
		return s.overdue(ctx, a.permit, at, after, limit, now)
	})
}

func (s *Service) overdue(ctx context.Context, p permit, at time.Time, after *DueKey, limit int, now time.Time) ([]DueReminder, error) {
	if at.Equal(now) {
		if err := s.renewReminders(ctx, p.ClinicID, now); err != nil {
			return nil, err
		}
	}
	var due []DueReminder
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		stale, err := s.staleReminders(ctx, view, p.ClinicID, at)
		if err != nil {
			return err
		}
		due, err = stale.merge(ctx, view, p.ClinicID, after, limit)
		return err
	})
	return due, err
}

// renewReminders works out anew the reminders of those of whom others than are kept may be due, each learner's once. As a rule
// renewLapsed was here before.
func (s *Service) renewReminders(ctx context.Context, clinic uuid.UUID, now time.Time) error {
	page := Page{Limit: staleAtOnce}
	for {
		done, err := s.refoldSome(ctx, now, func(ctx context.Context, view View) ([]uuid.UUID, error) {
			learners, err := view.StaleReminders(ctx, clinic, now, page)
			if len(learners) > 0 {
				page.After = learners[len(learners)-1]
			}
			return learners, err
		})
		if done || err != nil {
			return err
		}
	}
}

// renewLapsed works out anew the reminders of a clinic that have lapsed, so that who asks what is due need not wait for it.
func (s *Service) renewLapsed(ctx context.Context, clinic uuid.UUID, now time.Time) error {
	for {
		done, err := s.refoldSome(ctx, now, func(ctx context.Context, view View) ([]uuid.UUID, error) {
			return view.LapsedReminders(ctx, clinic, now, staleAtOnce)
		})
		if done || err != nil {
			return err
		}
	}
}

// stale is the learners whose kept reminders say nothing about an instant, and what is due of them then.
type stale struct {
	at       time.Time
	learners map[uuid.UUID]bool
	due      []DueReminder // by due instant, then id
}

func (s *Service) staleReminders(ctx context.Context, view View, clinic uuid.UUID, at time.Time) (*stale, error) {
	l := &stale{at: at, learners: map[uuid.UUID]bool{}}
	page := Page{Limit: MaxPage}
	for {
		ids, err := view.StaleReminders(ctx, clinic, at, page)
		if err != nil {
			return nil, err
		}
		for _, id := range ids {
			if err := s.addDue(ctx, view, l, id); err != nil {
				return nil, err
			}
			page.After = id
		}
		if len(ids) < page.Limit {
			slices.SortFunc(l.due, func(a, b DueReminder) int { return compareDue(keyOf(a), keyOf(b)) })
			return l, nil
		}
	}
}

// addDue works out what is due of one learner.
func (s *Service) addDue(ctx context.Context, view View, l *stale, id uuid.UUID) error {
	l.learners[id] = true
	learner, err := view.Learner(ctx, id)
	if err != nil {
		return err
	}
	f, err := s.loadFamily(ctx, view, learner.Household)
	if err != nil {
		return err
	}
	v := f.view(id, l.at)
	past := f.past[id]
	for _, r := range projectedReminders(reminder.Next(&v, past), past) {
		if r.Due.After(l.at) || r.Ready.IsZero() {
			continue
		}
		l.due = append(l.due, DueReminder{ProjectedReminder: r, Learner: id, Household: learner.Household, Heard: f.lastHeard()})
	}
	return nil
}

// merge returns a page of what the store holds and what was worked out, in order.
func (l *stale) merge(ctx context.Context, view View, clinic uuid.UUID, after *DueKey, limit int) ([]DueReminder, error) {
	page := make([]DueReminder, 0, limit)
	for _, r := range l.due {
		if after == nil || compareDue(keyOf(r), *after) > 0 {
			page = append(page, r)
		}
	}
	kept := 0
	for from := after; kept < limit; {
		rows, err := view.DueReminders(ctx, clinic, l.at, from, limit)
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			if !l.learners[r.Learner] && !r.Ready.IsZero() { // what is being sent, or may have been, is due no more
				page = append(page, r)
				kept++
			}
		}
		if len(rows) < limit {
			break
		}
		last := keyOf(rows[len(rows)-1])
		from = &last
	}
	slices.SortFunc(page, func(a, b DueReminder) int { return compareDue(keyOf(a), keyOf(b)) })
	return page[:min(limit, len(page))], nil
}

func keyOf(r DueReminder) DueKey { return DueKey{Due: r.Due, ID: r.ID} }

func compareDue(a, b DueKey) int {
	return cmp.Or(a.Due.Compare(b.Due), bytes.Compare(a.ID[:], b.ID[:]))
}
