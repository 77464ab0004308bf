package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
)

// staleAtOnce is how many learners are refolded in one transaction when their projections hold no longer, so that
// uploads need not wait long.
const staleAtOnce = 50

// Roster returns a page of the clinic's learners. Projections that hold no longer are folded anew first.
func (s *Service) Roster(ctx context.Context, p access.Principal, q RosterQuery, now time.Time) ([]RosterRow, error) {
	q.Clinic = p.ClinicID
	for {
		done, err := s.refoldSome(ctx, now, func(ctx context.Context, view View) ([]uuid.UUID, error) {
			return view.StaleProjections(ctx, p.ClinicID, now, staleAtOnce)
		})
		if err != nil {
			return nil, err
		}
		if done {
			break
		}
	}
	var rows []RosterRow
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		rows, err = view.Roster(ctx, q)
		return err
	})
	return rows, err
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
	return false, s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		return s.refoldHouseholdsOf(ctx, tx, learners, now)
	})
}

func (s *Service) refoldHouseholdsOf(ctx context.Context, tx Tx, learners []uuid.UUID, now time.Time) error {
	folded := map[uuid.UUID]bool{}
	for _, id := range learners {
		learner, err := tx.Learner(ctx, id)
		if err != nil {
			return err
		}
		if folded[learner.Household] {
			continue
		}
		folded[learner.Household] = true
		if err := s.refold(ctx, tx, learner.Household, now); err != nil {
			return err
		}
	}
	return nil
}
