package memory

import (
	"context"
	"fmt"
	"sync/atomic"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// Store implements clinic.Store. It is made with New or From, and any number of goroutines may use it.
type Store struct {
	committed atomic.Pointer[state]
	turn      chan struct{} // holds one thing while somebody writes
}

var _ clinic.Store = (*Store)(nil)

// New returns an empty store; epoch names its history.
func New(epoch uuid.UUID) *Store { return From(Snapshot{&state{epoch: epoch}}) }

// From returns a store of its own that begins with what a snapshot holds, the epoch included. It and the store that the
// snapshot is of have nothing to do with each other.
func From(s Snapshot) *Store {
	store := &Store{turn: make(chan struct{}, 1)}
	store.committed.Store(s.state)
	return store
}

// Snapshot is what a store held at one time, as a backup is. It never changes, may be shared between goroutines and costs
// next to nothing. The zero one is of no store and can't be used.
type Snapshot struct{ state *state }

// Snapshot returns what has been committed.
func (s *Store) Snapshot() Snapshot { return Snapshot{s.committed.Load()} }

// Restore puts back what a snapshot holds, the epoch included, so nothing announces it. It waits for a writer to finish,
// and so must not be called within a transaction. A snapshot can be restored any number of times.
func (s *Store) Restore(to Snapshot) {
	s.turn <- struct{}{}
	defer s.endTurn()
	s.committed.Store(to.state)
}

// InTx implements clinic.Store. A writer that waits for its turn gives up when its context ends.
func (s *Store) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	if err := s.takeTurn(ctx); err != nil {
		return fmt.Errorf("begin transaction: %w", err)
	}
	defer s.endTurn()
	next := *s.committed.Load()
	t := &tx{view{&next}, new(mark)}
	defer func() { t.state = nil }() // so that a use after the end fails, instead of changing what is committed
	if err := fn(ctx, t); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	s.committed.Store(&next)
	return nil
}

func (s *Store) takeTurn(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case s.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *Store) endTurn() { <-s.turn }

// Read implements clinic.Store.
func (s *Store) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("begin transaction: %w", err)
	}
	return fn(ctx, view{s.committed.Load()})
}

// TokenFamily implements clinic.Glances.
func (s *Store) TokenFamily(ctx context.Context, family uuid.UUID) (f clinic.TokenFamily, err error) {
	err = s.Read(ctx, func(ctx context.Context, v clinic.View) error {
		f, err = v.TokenFamily(ctx, family)
		return err
	})
	return f, err
}

// ServiceToken implements clinic.Glances.
func (s *Store) ServiceToken(ctx context.Context, id uuid.UUID) (t clinic.ServiceToken, err error) {
	err = s.Read(ctx, func(ctx context.Context, v clinic.View) error {
		t, err = v.ServiceToken(ctx, id)
		return err
	})
	return t, err
}

// Edition implements clinic.Glances.
func (s *Store) Edition(ctx context.Context, household uuid.UUID) (e clinic.Edition, err error) {
	err = s.Read(ctx, func(ctx context.Context, v clinic.View) error {
		e, err = v.Edition(ctx, household)
		return err
	})
	return e, err
}

// Ready implements clinic.Store. There is nothing to wait for.
func (s *Store) Ready(ctx context.Context) error { return ctx.Err() }
