package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// statement is a text of SQL and what it is for, as the errors say.
type statement struct {
	task string
	text string
}

// pool is some connections that are used in the same way, and the statements prepared on them.
type pool struct {
	db          *sql.DB
	connections int

	mu       sync.Mutex
	prepared map[string]*sql.Stmt
	wanted   []string // ran unprepared and will be prepared before the next transaction
}

// begin starts a transaction. Statements are prepared here and not where they are first run, since the writers' pool has
// no second connection to prepare them on.
func (p *pool) begin(ctx context.Context, options *sql.TxOptions) (*work, error) {
	if err := p.prepareWanted(ctx); err != nil {
		return nil, fmt.Errorf("prepare statement: %w", translated(err))
	}
	tx, err := p.db.BeginTx(ctx, options)
	if err != nil {
		return nil, fmt.Errorf("begin transaction: %w", translated(err))
	}
	return newWork(p, tx), nil
}

// renew closes the connections that are not in use, so that the next transactions have new ones.
func (p *pool) renew() {
	p.db.SetMaxIdleConns(0)
	p.db.SetMaxIdleConns(p.connections)
}

func (p *pool) prepareWanted(ctx context.Context) error {
	p.mu.Lock()
	wanted := p.wanted
	p.wanted = nil
	p.mu.Unlock()
	for _, text := range wanted {
		prepared, err := p.db.PrepareContext(ctx, text) //nolint:sqlclosecheck // close closes them all
		if err != nil {
			return err
		}
		p.mu.Lock()
		p.prepared[text] = prepared
		p.mu.Unlock()
	}
	return nil
}

// lookUp returns the prepared statement, or nil, and then has it prepared for the next transaction.
func (p *pool) lookUp(text string) *sql.Stmt {
	p.mu.Lock()
	defer p.mu.Unlock()
	prepared := p.prepared[text]
	if prepared == nil && !slices.Contains(p.wanted, text) {
		p.wanted = append(p.wanted, text)
	}
	return prepared
}

func (p *pool) close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	var err error
	for _, prepared := range p.prepared {
		err = errors.Join(err, prepared.Close())
	}
	clear(p.prepared)
	return errors.Join(err, p.db.Close())
}

// work is a transaction that runs. It remembers an error after which nothing may be run in it any more.
type work struct {
	pool   *pool
	tx     *sql.Tx
	broken error
	shared bool // others write in the same transaction
	first  bool // it began that transaction
	known  known
}

// known is what a transaction has read and need not read again. Nobody else changes it meanwhile: what the transaction itself
// changes of it, it forgets.
type known struct {
	households map[uuid.UUID]int64 // their keys, which never change
	learners   map[uuid.UUID]int64
	heads      map[uuid.UUID]keyedHead           // by household
	nights     map[int64][]clinic.ProjectedNight // by the learner's key, as the others
	reminders  map[int64][]clinic.DueReminder
	concerns   map[int64][]clinic.ProjectedConcern
}

func newKnown() known {
	return known{
		households: map[uuid.UUID]int64{}, learners: map[uuid.UUID]int64{}, heads: map[uuid.UUID]keyedHead{},
		nights: map[int64][]clinic.ProjectedNight{}, reminders: map[int64][]clinic.DueReminder{},
		concerns: map[int64][]clinic.ProjectedConcern{},
	}
}

// remembered returns what is known by a key, which is read where it isn't.
func remembered[K comparable, V any](known map[K]V, key K, read func() (V, error)) (V, error) {
	if v, ok := known[key]; ok {
		return v, nil
	}
	v, err := read()
	if err == nil {
		known[key] = v
	}
	return v, err
}

func newWork(p *pool, tx *sql.Tx) *work {
	return &work{pool: p, tx: tx, known: newKnown()}
}

// within returns the context to run a statement in. SQLite rolls a whole transaction back when a statement is interrupted that
// writes, so where that is shared a context ends the work between two statements.
func (w *work) within(ctx context.Context) (context.Context, error) {
	if !w.shared {
		return ctx, nil
	}
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
	if w.broken != nil {
		return 0, w.broken
	}
	ctx, err := w.within(ctx)
	if err != nil {
		return 0, w.failed(st, err)
	}
	var result sql.Result
	if prepared := w.pool.lookUp(st.text); prepared != nil {
		result, err = w.tx.StmtContext(ctx, prepared).ExecContext(ctx, args...) //nolint:sqlclosecheck // the end of tx does
	} else {
		result, err = w.tx.ExecContext(ctx, st.text, args...)
	}
	if err != nil {
		return 0, w.failed(st, err)
	}
	changed, err := result.RowsAffected()
	return changed, w.failed(st, err)
}

// execOne runs a statement that is about one row; NotFound where it changed none.
func (w *work) execOne(ctx context.Context, st statement, args ...any) error {
	changed, err := w.exec(ctx, st, args...)
	if err == nil && changed == 0 {
		err = w.failed(st, sql.ErrNoRows)
	}
	return err
}

func (w *work) query(ctx context.Context, st statement, args ...any) (*sql.Rows, error) {
	if prepared := w.pool.lookUp(st.text); prepared != nil {
		return w.tx.StmtContext(ctx, prepared).QueryContext(ctx, args...) //nolint:sqlclosecheck // the end of tx does
	}
	return w.tx.QueryContext(ctx, st.text, args...)
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
	rows, err := w.query(ctx, st, args...)
	if err != nil {
		return w.failed(st, err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := read(rows); err != nil {
			return w.failed(st, err)
		}
	}
	return w.failed(st, rows.Err())
}

// all returns what a query found.
func all[T any](ctx context.Context, w *work, st statement, scan func(scanner, *T) error, args ...any) ([]T, error) {
	var found []T
	err := w.each(ctx, st, func(row scanner) error {
		var item T
		if err := scan(row, &item); err != nil {
			return err
		}
		found = append(found, item)
		return nil
	}, args...)
	return found, err
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
		if _, err := w.exec(ctx, statement{st.task, text}, slices.Concat(chunk...)...); err != nil {
			return err
		}
	}
	return nil
}
