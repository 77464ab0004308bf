package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync/atomic"

	"github.com/google/uuid"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// statement is a text of SQL and what it is for, as the errors say.
type statement struct {
	task string
	text string
}

// pool is some connections that are used in the same way.
type pool struct {
	db          *sql.DB
	connections int
	taken       chan struct{} // has room for as many as there are connections; whoever waits longest is first, as with any channel
	closed      atomic.Bool
}

// begin starts a transaction.
func (p *pool) begin(ctx context.Context, readOnly bool) (*work, error) {
	tx, err := p.beginOn(ctx, readOnly)
	if err != nil {
		return nil, p.notBegun(err)
	}
	return newWork(tx), nil
}

func (p *pool) notBegun(err error) error {
	if p.closed.Load() {
		err = errUnavailable.Because(err) // the server is about to end, and others may be there
	}
	return fmt.Errorf("begin transaction: %w", translated(err))
}

// alone returns the first row that a query found; NotFound where there is none. A statement outside of a transaction is one by itself
// ("Transaction", section 2, in SQLite's own documentation), so that none is begun and ended.
func alone[T any](ctx context.Context, p *pool, st statement, scan func(scanner, *T) error, args ...any) (found T, err error) {
	on, err := p.take(ctx, func(*transaction) error { return nil })
	if err != nil {
		return found, p.notBegun(err)
	}
	defer func() { err = errors.Join(err, on.giveBack()) }()
	return one(ctx, &work{tx: on}, st, scan, args...)
}

// renew closes the connections that are not in use, so that the next transactions have new ones.
func (p *pool) renew() {
	p.db.SetMaxIdleConns(0)
	p.db.SetMaxIdleConns(p.connections)
}

func (p *pool) close() error {
	p.closed.Store(true)
	return p.db.Close()
}

// work is a transaction that runs. It remembers an error after which nothing may be run in it any more.
type work struct {
	tx     *transaction
	broken error
	first  bool // it began that transaction
	ran    int  // how many statements
	ended  bool // and its connection may be another's
	known  memo
}

// memo is what a transaction has read and need not read again. Nobody else changes it meanwhile: what the transaction itself
// changes of it, it forgets. The zero value knows nothing.
type memo struct {
	clinics    learned[uuid.UUID, int64] // their keys, which never change
	households learned[uuid.UUID, int64]
	learners   learned[uuid.UUID, int64]
	learnerIDs learned[int64, uuid.UUID] // by the learner's key
	devices    learned[int64, ownedDevice]
	placed     learned[uuid.UUID, placedDevice]
	heads      learned[uuid.UUID, keyedHead]        // by household
	trails     learned[uuid.UUID, audit.Head]       // by clinic, as far as the transaction itself has come
	reminders  learned[int64, []clinic.DueReminder] // by the learner's key, as the others
	concerns   learned[int64, []clinic.ProjectedConcern]
	written    learned[int64, written]
	changed    learned[int64, bool] // households of which it has changed something
}

// learned is what is known by a key. Most transactions learn little, so there is no room before that.
type learned[K comparable, V any] map[K]V

func (l *learned[K, V]) note(key K, v V) {
	if *l == nil {
		*l = learned[K, V]{}
	}
	(*l)[key] = v
}

// or returns what is known by a key, which is read where it isn't.
func (l *learned[K, V]) or(key K, read func() (V, error)) (V, error) {
	if v, ok := (*l)[key]; ok {
		return v, nil
	}
	v, err := read()
	if err == nil {
		l.note(key, v)
	}
	return v, err
}

func newWork(tx *transaction) *work { return &work{tx: tx} }

// within returns the context to run a statement in. A context ends the work between two statements, none of which takes long: SQLite
// rolls a whole transaction back when a statement is interrupted that writes, which others may share; and to have somebody watch
// whether the context ends takes as long as many a statement that reads.
func (w *work) within(ctx context.Context) (context.Context, error) {
	if w.ended {
		return ctx, sql.ErrTxDone
	}
	w.ran++
	return context.WithoutCancel(ctx), ctx.Err()
}

// failed words an error of a statement.
func (w *work) failed(st statement, err error) error {
	if err == nil {
		return nil
	}
	worded := fmt.Errorf("%s: %w", st.task, translated(err))
	if breaksTransaction(err) {
		w.broken = worded
	}
	return worded
}

// exec runs a statement that returns no rows, and returns how many it changed.
func (w *work) exec(ctx context.Context, st statement, args ...any) (int64, error) {
	return w.execWith(ctx, st, [][]any{args})
}

// execWith is exec with lists of values, one behind the other.
func (w *work) execWith(ctx context.Context, st statement, args [][]any) (int64, error) {
	if w.broken != nil {
		return 0, w.broken
	}
	ctx, err := w.within(ctx)
	if err != nil {
		return 0, w.failed(st, err)
	}
	stmt, values, err := w.prepare(ctx, st, args)
	if err != nil {
		return 0, err
	}
	result, err := stmt.ExecContext(ctx, values)
	clear(values)
	if err != nil {
		return 0, w.failed(st, err)
	}
	changed, err := result.RowsAffected()
	return changed, w.failed(st, err)
}

// prepare returns a statement and the values to bind to it.
func (w *work) prepare(ctx context.Context, st statement, args [][]any) (driverStmt, []driver.NamedValue, error) {
	values, err := w.tx.on.bound(args)
	if err != nil {
		return nil, nil, w.failed(st, err)
	}
	stmt, err := w.tx.on.prepared(ctx, st.text)
	return stmt, values, w.failed(st, err)
}

// execOne runs a statement that is about one row; NotFound where it changed none.
func (w *work) execOne(ctx context.Context, st statement, args ...any) error {
	changed, err := w.exec(ctx, st, args...)
	if err == nil && changed == 0 {
		err = w.failed(st, sql.ErrNoRows)
	}
	return err
}

// scanner is a row to read from.
type scanner interface {
	Scan(dest ...any) error
}

// each runs a query and calls read for each row. read must run no statement.
func (w *work) each(ctx context.Context, st statement, read func(scanner) error, args ...any) error {
	if w.broken != nil {
		return w.broken
	}
	ctx, err := w.within(ctx)
	if err != nil {
		return w.failed(st, err)
	}
	stmt, values, err := w.prepare(ctx, st, [][]any{args})
	if err != nil {
		return err
	}
	rows, err := stmt.QueryContext(ctx, values)
	clear(values)
	if err != nil {
		return w.failed(st, err)
	}
	return w.failed(st, eachOf(rows, read))
}

func eachOf(rows driver.Rows, read func(scanner) error) (err error) {
	// Deferred, since a statement that a panic leaves in its midst would be so for whoever uses it next.
	defer func() { err = errors.Join(err, rows.Close()) }()
	found := make(row, len(rows.Columns()))
	for {
		if err := rows.Next(found); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		if err := read(found); err != nil {
			return err
		}
	}
}

// all returns what a query found.
func all[T any](ctx context.Context, w *work, st statement, scan func(scanner, *T) error, args ...any) ([]T, error) {
	return appendAll(ctx, w, nil, st, scan, args...)
}

// appendAll is all, behind what has been found already.
func appendAll[T any](ctx context.Context, w *work, found []T, st statement, scan func(scanner, *T) error, args ...any) ([]T, error) {
	err := w.each(ctx, st, func(row scanner) error {
		var none T
		found = append(found, none) // and read in place, so that no row takes memory of its own
		return scan(row, &found[len(found)-1])
	}, args...)
	if err != nil {
		return nil, err
	}
	return found, nil
}

// one returns the first row that a query found; NotFound where there is none.
func one[T any](ctx context.Context, w *work, st statement, scan func(scanner, *T) error, args ...any) (T, error) {
	found, err := all(ctx, w, st, scan, args...)
	if err == nil && len(found) == 0 {
		err = w.failed(st, sql.ErrNoRows)
	}
	if err != nil {
		var none T
		return none, err
	}
	return found[0], nil
}

// value scans a row of one column.
func value[T any](row scanner, v *T) error { return row.Scan(v) }

// rowsPerStatement bounds how many rows one statement writes, and with it how many texts of such a statement there are.
const rowsPerStatement = 16

// writeMany writes rows with few statements: st ends before its VALUES, and rest follows them.
func (w *work) writeMany(ctx context.Context, st statement, rest string, rows [][]any) error {
	for chunk := range slices.Chunk(rows, rowsPerStatement) {
		values := "(?" + strings.Repeat(",?", len(chunk[0])-1) + ")"
		text := st.text + " VALUES " + values + strings.Repeat(","+values, len(chunk)-1) + rest
		if _, err := w.execWith(ctx, statement{st.task, text}, chunk); err != nil {
			return err
		}
	}
	return nil
}
