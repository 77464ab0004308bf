package postgres

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
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

// InTx implements clinic.Store. The context ends the transaction too: what had not been committed by then is rolled back, unless it is on its
// way with others already.
func (s *Store) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	return s.inTx(ctx, func(w *work) error {
		if err := fn(ctx, &tx{view{w}}); err != nil {
			return err
		}
		if err := ctx.Err(); err != nil && w.broken == nil {
			return fmt.Errorf("commit: %w", err)
		}
		return w.commit(ctx)
	})
}

// Read implements clinic.Store. Its state is that of the first statement.
func (s *Store) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	return s.read(ctx, func(w *work) error { return fn(ctx, view{w}) })
}

// read runs fn in a transaction that only reads.
func (s *Store) read(ctx context.Context, fn func(w *work) error) error {
	conn, err := s.acquire(ctx)
	if err != nil {
		return err
	}
	defer s.giveBack(ctx, conn)
	return fn(newWork(conn.Conn(), false))
}

// giveBack ends a transaction that only read, and gives its connection back. What it read is known, so nobody waits for the trip that
// this takes. Close does, as for every connection.
func (s *Store) giveBack(ctx context.Context, conn *pgxpool.Conn) {
	if isOver(conn.Conn()) {
		conn.Release()
		return
	}
	go func() {
		defer conn.Release()
		s.rollBack(ctx, conn.Conn())
	}()
}

// TokenFamily implements clinic.Glances.
func (s *Store) TokenFamily(ctx context.Context, family uuid.UUID) (clinic.TokenFamily, error) {
	return alone(ctx, s, tokenFamily, scanTokenFamily, family)
}

// ServiceToken implements clinic.Glances.
func (s *Store) ServiceToken(ctx context.Context, id uuid.UUID) (clinic.ServiceToken, error) {
	return alone(ctx, s, serviceTokenByID, scanServiceToken, id)
}

// Edition implements clinic.Glances.
func (s *Store) Edition(ctx context.Context, household uuid.UUID) (clinic.Edition, error) {
	return alone(ctx, s, editionNow, scanEdition, household)
}

// alone returns the first row that a query found; NotFound where there is none. A statement outside of a transaction is one by itself
// (PostgreSQL 15 manual, BEGIN), so that it needs no trips to begin and to end one.
func alone[T any](ctx context.Context, s *Store, st statement, scan func(scanner, *T) error, args ...any) (T, error) {
	conn, err := s.acquire(ctx)
	if err != nil {
		var none T
		return none, err
	}
	defer conn.Release()
	return one(ctx, &work{conn: conn.Conn(), begun: true}, st, scan, args...)
}

// inTx runs fn in a transaction that may write, and rolls back what it has not committed. It has a connection only once it asks something,
// since one that never does may share another's.
func (s *Store) inTx(ctx context.Context, fn func(w *work) error) error {
	w := newWork(nil, true)
	w.store = s
	// Deferred, so that a panic passes through and leaves nothing behind.
	defer func() {
		if w.taken != nil {
			s.rollBack(ctx, w.conn)
			w.taken.Release()
		}
	}()
	return fn(w)
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
		err = errUnavailable.Because(errBusy)
	}
	return nil, fmt.Errorf("begin transaction: %w", translated(err))
}

// idle is the state of a connection on which no transaction runs (PostgreSQL 15 manual, ReadyForQuery).
const idle = 'I'

// isOver tells whether no transaction runs on a connection. One that has gone took its transaction with it; whoever used it was told.
func isOver(conn *pgx.Conn) bool { return conn.IsClosed() || conn.PgConn().TxStatus() == idle }

// rollBack ends a transaction that was not committed. It waits for no lock, and not for a context that has ended.
func (s *Store) rollBack(ctx context.Context, conn *pgx.Conn) {
	if isOver(conn) {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), rollBackTime)
	defer cancel()
	if _, err := conn.Exec(ctx, `ROLLBACK`); err != nil && !conn.IsClosed() {
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
