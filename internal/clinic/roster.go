package clinic

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
)

// staleAtOnce is how many learners are refolded in one transaction when their projections hold no longer, so that
// uploads need not wait long.
const staleAtOnce = 50

// Roster returns a page of the clinic's learners. Projections that hold no longer are folded anew first.
func (s *Service) Roster(ctx context.Context, p access.Principal, q RosterQuery, now time.Time) ([]RosterRow, error) {
	return reads(ctx, s, p, "getRoster", now, func(a *ask) ([]RosterRow, error) {
		q.Clinic = a.ClinicID
		return s.roster(ctx, q, now)
	})
}

func (s *Service) roster(ctx context.Context, q RosterQuery, now time.Time) ([]RosterRow, error) {
	rows, old, err := s.rosterAsKept(ctx, q, now)
	if err != nil || !old {
		return rows, err
	}
	if err := s.renewProjections(ctx, q.Clinic, now); err != nil {
		return nil, err
	}
	err = s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		rows, err = view.Roster(ctx, q)
		return err
	})
	return rows, err
}

// rosterAsKept returns a page as it is kept, or reports that there are projections that are to be renewed first. Mostly there are none, so
// all is read at once, and without a turn at weighing, which callers take one after the other.
func (s *Service) rosterAsKept(ctx context.Context, q RosterQuery, now time.Time) (rows []RosterRow, old bool, err error) {
	err = s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		if old, err = view.AnyToRenew(ctx, q.Clinic, now); old || err != nil {
			return err
		}
		rows, err = view.Roster(ctx, q)
		return err
	})
	return rows, old, err
}

// renewProjections folds anew the learners of a clinic whose projections hold no longer, and weighs those who have not been
// weighed as they are then.
func (s *Service) renewProjections(ctx context.Context, clinic uuid.UUID, now time.Time) error {
	if err := s.renewFolds(ctx, clinic, now); err != nil {
		return err
	}
	return s.weighAll(ctx, clinic, now, atOnce)
}

// renewFolds folds anew the learners of a clinic whose projections hold no longer, some in each transaction.
func (s *Service) renewFolds(ctx context.Context, clinic uuid.UUID, now time.Time) error {
	for {
		done, err := s.refoldSome(ctx, now, func(ctx context.Context, view View) ([]uuid.UUID, error) {
			return view.StaleProjections(ctx, clinic, now, staleAtOnce)
		})
		if done || err != nil {
			return err
		}
	}
}

// Wants reports whether a projection passes the filters.
func (q RosterQuery) Wants(p *Projection) bool {
	return (q.Status == "" || q.Status == p.Status) && (q.Flag == "" || slices.Contains(p.Flags, q.Flag)) &&
		(q.Verdict == "" || q.Verdict == p.Verdict) && (q.HeardBefore.IsZero() || p.Heard.Before(q.HeardBefore)) &&
		p.NightsWrong >= q.WrongAtLeast
}

// refoldSome refolds the households of the learners that list returns, and reports whether there were none left.
func (s *Service) refoldSome(ctx context.Context, now time.Time, list func(context.Context, View) ([]uuid.UUID, error)) (bool, error) {
	var learners []uuid.UUID
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		learners, err = list(ctx, view)
		return err
	})
	if err != nil || len(learners) == 0 {
		return true, err
	}
	return false, s.refoldHouseholdsOf(ctx, learners, nil, now)
}

// refoldHouseholdsOf refolds the households of learners in one transaction, with what has just been weighed of any of them.
func (s *Service) refoldHouseholdsOf(ctx context.Context, learners []uuid.UUID, fresh weighedNow, now time.Time) error {
	var done []*family
	err := s.Store.InTx(ctx, func(ctx context.Context, tx Tx) (err error) {
		done, err = s.foldHouseholdsOf(ctx, tx, learners, fresh, now)
		return err
	})
	for _, f := range done {
		if err == nil {
			s.families.keep(f)
		}
	}
	return err
}

func (s *Service) foldHouseholdsOf(ctx context.Context, tx Tx, learners []uuid.UUID, fresh weighedNow, now time.Time) (all []*family, err error) {
	if err := tx.LockHouseholds(ctx, learners); err != nil {
		return nil, err
	}
	done := map[uuid.UUID]bool{}
	for _, id := range learners {
		learner, err := tx.Learner(ctx, id)
		if err != nil {
			return nil, err
		}
		if done[learner.Household] {
			continue
		}
		done[learner.Household] = true
		f, err := s.fold(ctx, tx, learner.Household, fresh, now)
		if err != nil {
			return nil, err
		}
		all = append(all, f.lean()) // which is all that is wanted of it, and far less than the whole
	}
	return all, nil
}
