package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"
)

// KnownOperations returns every operation that the table of rights names.
func KnownOperations() []Operation {
	all := open()
	for operation := range rights() {
		all = append(all, operation)
	}
	return all
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
