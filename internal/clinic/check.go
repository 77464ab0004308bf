package clinic

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/fault"
)

// Report is what a check of the store found.
type Report struct {
	Households  int          `json:"households"`
	Entries     int          `json:"entries"`
	Learners    int          `json:"learners"`
	Differences []Difference `json:"differences"`
}

// Difference is something in the store that is not as it must be.
type Difference struct {
	Household uuid.UUID `json:"household"`
	Learner   uuid.UUID `json:"learner,omitzero"`
	What      string    `json:"what"`
}

func (r *Report) differs(household, learner uuid.UUID, format string, args ...any) {
	r.Differences = append(r.Differences, Difference{Household: household, Learner: learner, What: fmt.Sprintf(format, args...)})
}

// Check verifies, for every household, that its revisions are gapless, that its chain of hashes holds, that its head is
// the last entry's, and that each learner's projection equals a fresh fold at the projection's instant.
func (s *Service) Check(ctx context.Context) (Report, error) {
	report := Report{Differences: []Difference{}}
	err := s.eachHousehold(ctx, func(id uuid.UUID) error {
		return s.Store.Read(ctx, func(ctx context.Context, view View) error { return report.checkHousehold(ctx, view, id) })
	})
	return report, err
}

// Rebuild folds every learner anew and keeps the results.
func (s *Service) Rebuild(ctx context.Context, now time.Time) error {
	return s.eachHousehold(ctx, func(id uuid.UUID) error {
		return s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error { return s.refold(ctx, tx, id, now) })
	})
}

func (s *Service) eachHousehold(ctx context.Context, do func(id uuid.UUID) error) error {
	page := Page{Limit: MaxPage}
	for {
		var ids []uuid.UUID
		err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
			var err error
			ids, err = view.HouseholdIDs(ctx, page)
			return err
		})
		if err != nil {
			return err
		}
		for _, id := range ids {
			if err := do(id); err != nil {
				return err
			}
			page.After = id
		}
		if len(ids) < page.Limit {
			return nil
		}
	}
}

func (r *Report) checkHousehold(ctx context.Context, view View, id uuid.UUID) error {
	f, err := loadFamily(ctx, view, id)
	if err != nil {
		return err
	}
	head, err := view.Head(ctx, id)
	if err != nil {
		return err
	}
	r.Households++
	r.Entries += len(f.stored)
	r.checkChain(id, f.stored, head)
	for _, learner := range f.learners {
		r.Learners++
		kept, err := view.Projection(ctx, learner.ID)
		if fault.KindOf(err) == fault.NotFound {
			r.differs(id, learner.ID, "nothing is kept of the learner's fold")
			continue
		}
		if err != nil {
			return err
		}
		if err := r.checkProjection(f, learner, kept); err != nil {
			return err
		}
	}
	return nil
}

func (r *Report) checkChain(id uuid.UUID, stored []StoredEntry, head Head) {
	var at Head
	for i := range stored {
		e := &stored[i]
		if e.Rev != at.Rev+1 {
			r.differs(id, uuid.Nil, "revision %d follows revision %d", e.Rev, at.Rev)
		}
		if chained(at.Chain, e) != e.Chain {
			r.differs(id, uuid.Nil, "the chain breaks at revision %d: it, or its entry, has been altered", e.Rev)
		}
		at = Head{Rev: e.Rev, Chain: e.Chain}
	}
	if at != head {
		r.differs(id, uuid.Nil, "the head is at revision %d, the last entry at %d, or their hashes differ", head.Rev, at.Rev)
	}
}

func (r *Report) checkProjection(f *family, learner Learner, kept Projection) error {
	fresh, err := f.project(learner, kept.Folded)
	if err != nil {
		return err
	}
	if !bytes.Equal(fresh.Row, kept.Row) || !sameOrder(fresh, kept) {
		r.differs(f.household.ID, learner.ID, "the roster row is not what a fresh fold gives")
	}
	if !sameNights(fresh.Nights, kept.Nights) {
		r.differs(f.household.ID, learner.ID, "the nights are not what a fresh fold gives")
	}
	if !sameReminders(fresh, kept) {
		r.differs(f.household.ID, learner.ID, "the reminders are not what a fresh fold gives")
	}
	return nil
}

// sameOrder compares what orders and filters the roster, and says until when it holds.
func sameOrder(a, b Projection) bool {
	return a.Status == b.Status && a.Urgency == b.Urgency && a.NightsWrong == b.NightsWrong && a.Nickname == b.Nickname &&
		slices.Equal(a.Flags, b.Flags) && a.Heard.Equal(b.Heard) && a.Until.Equal(b.Until)
}

func sameNights(fresh, kept []ProjectedNight) bool {
	a := fresh
	b := slices.DeleteFunc(slices.Clone(kept), func(n ProjectedNight) bool { return n.Gone })
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].Night != b[i].Night || !bytes.Equal(a[i].Doc, b[i].Doc) {
			return false
		}
	}
	return true
}

func sameReminders(a, b Projection) bool {
	if len(a.Reminders) != len(b.Reminders) || !a.NextDue.Equal(b.NextDue) || !a.RemindersUntil.Equal(b.RemindersUntil) {
		return false
	}
	for i := range a.Reminders {
		x, y := a.Reminders[i], b.Reminders[i]
		if x.ID != y.ID || x.Kind != y.Kind || x.Night != y.Night || !x.Due.Equal(y.Due) || x.Run != y.Run {
			return false
		}
	}
	return true
}
