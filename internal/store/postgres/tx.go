package postgres

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// view implements clinic.View in a transaction.
type view struct {
	*work
}

// tx implements clinic.Tx in a transaction that may write.
type tx struct {
	view
}

var _ clinic.Tx = (*tx)(nil)

// rollBackTime bounds how long a transaction that was not committed may take to end.
const rollBackTime = 5 * time.Second

var (
	writing = pgx.TxOptions{IsoLevel: pgx.ReadCommitted, AccessMode: pgx.ReadWrite}
	reading = pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
)

// InTx implements clinic.Store. The context ends the transaction too: what had not been committed by then is rolled back.
func (s *Store) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	return s.inTx(ctx, writing, func(w *work) error {
		if err := fn(ctx, &tx{view{w}}); err != nil {
			return err
		}
		if w.broken != nil {
			return w.broken
		}
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("commit: %w", err)
		}
		if err := w.tx.Commit(ctx); err != nil {
			return fmt.Errorf("commit: %w", translated(err))
		}
		return nil
	})
}

// Read implements clinic.Store. Its state is that of the first statement.
func (s *Store) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	return s.inTx(ctx, reading, func(w *work) error { return fn(ctx, view{w}) })
}

// inTx runs fn in a transaction, and rolls back what it has not committed.
func (s *Store) inTx(ctx context.Context, options pgx.TxOptions, fn func(w *work) error) error {
	conn, err := s.acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	t, err := conn.BeginTx(ctx, options)
	if err != nil {
		return fmt.Errorf("begin transaction: %w", translated(err))
	}
	// Deferred, so that a panic passes through and leaves nothing behind.
	defer s.rollBack(ctx, t)
	return fn(newWork(t, options.AccessMode == pgx.ReadWrite))
}

// acquire waits for a connection, though not for longer than the store has patience: where all are in use, or the server is away,
// whoever asks is told to come again.
func (s *Store) acquire(ctx context.Context) (*pgxpool.Conn, error) {
	waiting, cancel := context.WithTimeout(ctx, s.options.Patience)
	defer cancel()
	conn, err := s.pool.Acquire(waiting)
	if err == nil {
		return conn, nil
	}
	if ctx.Err() == nil && waiting.Err() != nil {
		err = errUnavailable.Because(errors.New("no connection was free in time"))
	}
	return nil, fmt.Errorf("begin transaction: %w", translated(err))
}

// rollBack ends a transaction that was not committed. It waits for no lock, and not for a context that has ended.
func (s *Store) rollBack(ctx context.Context, t pgx.Tx) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), rollBackTime)
	defer cancel()
	err := t.Rollback(ctx)
	// A connection that has gone took its transaction with it; whoever used it was told.
	if err != nil && !errors.Is(err, pgx.ErrTxClosed) && !t.Conn().IsClosed() {
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
