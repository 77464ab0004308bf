package clinic

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
)

// Reader is a store as far as it can be read.
type Reader interface {
	Read(ctx context.Context, fn func(ctx context.Context, view View) error) error
}

// Folds is how much is kept of folds.
type Folds struct {
	Projections int64
	Reminders   int64
	Concerns    int64
}

// TakeFolds takes what another store keeps of the folds of its learners, who must be in this one too, and returns how much that was. It
// is taken and not folded anew, since with which revision a night last changed is in nothing else, and what was weighed took long.
// Whether it is what a fresh fold gives, Check tells. What does not come back as it was taken is an error.
func (s *Service) TakeFolds(ctx context.Context, from Reader, progress func(taken Folds)) (Folds, error) {
	var taken Folds
	err := eachHouseholdOf(ctx, from, func(household uuid.UUID) error {
		if err := s.takeFoldsOf(ctx, from, household, &taken); err != nil {
			return fmt.Errorf("household %s: %w", household, err)
		}
		progress(taken)
		return nil
	})
	return taken, err
}

func (s *Service) takeFoldsOf(ctx context.Context, from Reader, household uuid.UUID, taken *Folds) error {
	var there []Projection
	err := from.Read(ctx, func(ctx context.Context, view View) (err error) {
		learners, err := view.Learners(ctx, household)
		if err != nil {
			return err
		}
		there, err = projectionsOf(ctx, view, learners)
		return err
	})
	if err != nil || len(there) == 0 {
		return err
	}
	err = s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		for i := range there {
			if err := tx.SaveProjection(ctx, there[i], nil); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return s.Store.Read(ctx, func(ctx context.Context, view View) error {
		for i := range there {
			here, err := view.Projection(ctx, there[i].Learner)
			if err != nil {
				return err
			}
			if wrong := mistaken(&there[i], &here); len(wrong) > 0 {
				return fmt.Errorf("learner %s: what was taken is not what is kept: %s", here.Learner, strings.Join(wrong, "; "))
			}
			taken.Projections++
			taken.Reminders += int64(len(here.Reminders))
			taken.Concerns += int64(len(here.Concerns))
		}
		return nil
	})
}

// mistaken says what of a projection is not as it was taken.
func mistaken(taken, here *Projection) []string {
	lasting := *taken
	lasting.Nights = slices.DeleteFunc(slices.Clone(taken.Nights), func(n ProjectedNight) bool { return n.Gone })
	wrong := differences(&lasting, here, math.MaxInt64)
	if !here.Folded.Equal(taken.Folded) {
		wrong = append(wrong, "it was folded at another instant")
	}
	if !slices.Equal(here.Nights, taken.Nights) {
		wrong = append(wrong, "nights are said to have changed at other revisions, or to be gone or not")
	}
	return wrong
}

// BeginElsewhere makes of what a store was filled with, from another that may have gone on since, the beginning of a new history: it
// gets an epoch of its own, so that every phone notices and hands in again what it holds. No journal lies beside it.
func (s *Service) BeginElsewhere(ctx context.Context, tx Tx, now time.Time) (epoch uuid.UUID, err error) {
	epoch = s.NewID()
	if err := tx.RenewEpoch(ctx, epoch); err != nil {
		return epoch, err
	}
	return epoch, tellOfHistory(ctx, tx, "transfer", epoch, now)
}
