package postgres

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// statement is a text of SQL and what it is for, as the errors say.
type statement struct {
	task string
	text string
}

// scanner is a row to read from.
type scanner interface {
	Scan(dest ...any) error
}

// call is a statement to be run with its arguments, and what is done with each row that it finds. read must run no statement.
type call struct {
	statement
	args []any
	read func(scanner) error
}

// of makes a call of a statement whose rows, if there are any, are of no interest.
func (st statement) of(args ...any) call { return call{st, args, nil} }

// work is a transaction that runs. It remembers an error after which nothing may be run in it any more: the server itself refuses
// whatever comes after any error.
type work struct {
	tx     pgx.Tx
	writes bool
	broken error
	// What other writers are kept from until the end: see doc.go. Of households and trails it is known how far they go.
	heads   map[uuid.UUID]clinic.Head
	trails  map[uuid.UUID]audit.Head
	members map[uuid.UUID]bool
	clinics map[uuid.UUID]bool
	// Where learners belong, so that it need not be looked up again. No learner ever moves.
	learners map[uuid.UUID]place
}

// place is a household and its clinic.
type place struct{ household, clinic uuid.UUID }

func newWork(tx pgx.Tx, writes bool) *work {
	return &work{
		tx: tx, writes: writes, heads: map[uuid.UUID]clinic.Head{}, trails: map[uuid.UUID]audit.Head{},
		members: map[uuid.UUID]bool{}, clinics: map[uuid.UUID]bool{}, learners: map[uuid.UUID]place{},
	}
}

// failed words an error of a statement, after which the transaction is no more.
func (w *work) failed(st statement, err error) error {
	if err == nil {
		return nil
	}
	w.broken = fmt.Errorf("%s: %w", st.task, translated(err))
	return w.broken
}

// absent words that what a statement is about is not there. The transaction goes on.
func absent(st statement) error { return fmt.Errorf("%s: %w", st.task, errAbsent) }

// exec runs a statement that returns no rows, and returns how many it changed.
func (w *work) exec(ctx context.Context, st statement, args ...any) (int64, error) {
	if w.broken != nil {
		return 0, w.broken
	}
	tag, err := w.tx.Exec(ctx, st.text, args...)
	return tag.RowsAffected(), w.failed(st, err)
}

// execOne runs a statement that is about one row; NotFound where it changed none.
func (w *work) execOne(ctx context.Context, st statement, args ...any) error {
	changed, err := w.exec(ctx, st, args...)
	if err == nil && changed == 0 {
		err = absent(st)
	}
	return err
}

// run runs calls in one round trip, each seeing what those before it did.
func (w *work) run(ctx context.Context, calls ...call) error {
	if w.broken != nil || len(calls) == 0 {
		return w.broken
	}
	if len(calls) == 1 {
		rows, err := w.tx.Query(ctx, calls[0].text, calls[0].args...)
		return w.failed(calls[0].statement, readAll(rows, err, calls[0].read))
	}
	batch := &pgx.Batch{}
	for _, c := range calls {
		batch.Queue(c.text, c.args...)
	}
	results := w.tx.SendBatch(ctx, batch)
	for _, c := range calls {
		rows, err := results.Query()
		if err := readAll(rows, err, c.read); err != nil {
			_ = results.Close() // says the same once more
			return w.failed(c.statement, err)
		}
	}
	return w.failed(calls[len(calls)-1].statement, results.Close())
}

func readAll(rows pgx.Rows, err error, read func(scanner) error) error {
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if read == nil {
			continue
		}
		if err := read(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// into makes a call that adds what it finds to a list.
func into[T any](found *[]T, st statement, scan func(scanner, *T) error, args ...any) call {
	return call{st, args, func(row scanner) error {
		var item T
		if err := scan(row, &item); err != nil {
			return err
		}
		*found = append(*found, item)
		return nil
	}}
}

// all returns what a query found.
func all[T any](ctx context.Context, w *work, st statement, scan func(scanner, *T) error, args ...any) ([]T, error) {
	var found []T
	err := w.run(ctx, into(&found, st, scan, args...))
	return found, err
}

// one returns the first row that a query found; NotFound where there is none.
func one[T any](ctx context.Context, w *work, st statement, scan func(scanner, *T) error, args ...any) (T, error) {
	return first[T](st)(all(ctx, w, st, scan, args...))
}

// first returns the first of what a query found; NotFound where there is none.
func first[T any](st statement) func(found []T, err error) (T, error) {
	return func(found []T, err error) (T, error) {
		var none T
		if err == nil && len(found) == 0 {
			err = absent(st)
		}
		if err != nil {
			return none, err
		}
		return found[0], nil
	}
}

// value scans a row of one column.
func value[T any](row scanner, v *T) error { return row.Scan(v) }
