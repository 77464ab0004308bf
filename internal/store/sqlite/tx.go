package sqlite

import (
	"context"
	"errors"
	"fmt"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// view implements clinic.View in a transaction.
type view struct {
	*work
}

// tx implements clinic.Tx in a transaction of the writer.
type tx struct {
	view
}

var _ clinic.Tx = (*tx)(nil)

// InTx implements clinic.Store. The context ends the transaction too: what fn had written by then is rolled back. Transactions that
// come at the same time are committed together; see group.
func (s *Store) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	g, err := s.queue.await(ctx)
	if err != nil {
		return fmt.Errorf("wait to write: %w", err)
	}
	err = s.write(ctx, g, fn)
	<-g.done
	if err == nil || (g.err != nil && !errors.Is(err, g.broken)) {
		return g.err // what is wrong with it may be so only by what the others wrote
	}
	return err
}

// Read implements clinic.Store. Its state is that of the first statement.
func (s *Store) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	w, err := s.readers.begin(ctx, true)
	if err != nil {
		return err
	}
	defer s.rollBack(ctx, w)
	defer func() { w.ended = true }()
	return fn(ctx, view{w})
}

// TokenFamily implements clinic.Glances.
func (s *Store) TokenFamily(ctx context.Context, family uuid.UUID) (clinic.TokenFamily, error) {
	return alone(ctx, s.readers, tokenFamily, scanTokenFamily, family[:])
}

// ServiceToken implements clinic.Glances.
func (s *Store) ServiceToken(ctx context.Context, id uuid.UUID) (clinic.ServiceToken, error) {
	return alone(ctx, s.readers, serviceTokenByID, scanServiceToken, id[:])
}

// Edition implements clinic.Glances.
func (s *Store) Edition(ctx context.Context, household uuid.UUID) (clinic.Edition, error) {
	head, err := alone(ctx, s.readers, householdHead, scanHead, household[:])
	return head.edition, err
}

func commit(w *work) error {
	if err := w.tx.commit(); err != nil {
		return fmt.Errorf("commit: %w", translated(err))
	}
	return nil
}

// rollBack ends a transaction that was not committed. It waits for no lock and for no context, an ended one included. A
// transaction that is broken may be gone already.
func (s *Store) rollBack(ctx context.Context, w *work) {
	if err := w.tx.rollBack(); err != nil && w.broken == nil {
		s.options.Logger.ErrorContext(ctx, "roll back transaction", "error", err)
	}
}

// Ready implements clinic.Store. A store with another schema than this program's is Unavailable.
func (s *Store) Ready(ctx context.Context) error {
	pending, err := s.pending(ctx)
	if err != nil {
		return err
	}
	if len(pending) > 0 {
		return fault.New(fault.Unavailable, "unavailable", "The server's data is being brought up to date.")
	}
	return nil
}
