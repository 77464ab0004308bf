package postgres

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"swallowtail/internal/audit"
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

// call is a statement to be run with its arguments, what is done with each row that it finds, and where it is noted how many it
// changed. read must run no statement.
type call struct {
	statement
	args    []any
	read    func(scanner) error
	changed *int64
}

// of makes a call of a statement whose rows, if there are any, are of no interest.
func (st statement) of(args ...any) call { return call{statement: st, args: args} }

// work is a transaction that runs. It remembers an error after which nothing may be run in it any more: the server itself refuses
// whatever comes after any error.
//
// Every round trip to the server counts. So the transaction begins with the first statement, and what is written goes along with the
// next one that is run, or with the commit.
type work struct {
	conn   *pgx.Conn     // nil until there is one
	store  *Store        // to take a connection from where there is none
	taken  *pgxpool.Conn // to be given back, where it was taken from there
	writes bool
	begun  bool
	letsGo bool // of its locks when it commits, before that is on the disk
	// It fills the database from another store, with the editions that there are.
	filling bool
	assumed []assumed
	later   []call
	entries int // that it adds
	broken  error
	// The edition of whatever households it changes something of.
	edition int64
	// What other writers are kept from until the end: see doc.go. Of households and trails it is known how far they go.
	heads   map[uuid.UUID]held
	trails  map[uuid.UUID]audit.Head
	members map[uuid.UUID]bool
	clinics map[uuid.UUID]bool
	// Where learners and devices belong, so that it need not be looked up again. None of them ever moves.
	learners map[uuid.UUID]place
	devices  map[uuid.UUID]uuid.UUID
}

// How transactions begin and end.
var (
	beginWriting = statement{"begin transaction", `BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE`}
	beginReading = statement{"begin transaction", `BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY`}
	committing   = statement{"commit", `COMMIT`}

	// A commit that waits for the disk keeps its locks until then, and all of a clinic would wait in a row for its trail. So a commit of who
	// has taken their turn there lets go of them at once, and then waits: what follows it in the same trip is a transaction of its own,
	// which writes next to nothing and has the log written to the disk up to itself, and so up to the commit. Of those that wait so, many share
	// one write.
	waitForDisk = statement{"commit", `SELECT pg_logical_emit_message(true, 'swallowtail', '')`}
)

// place is a household and its clinic.
type place struct{ household, clinic uuid.UUID }

func newWork(conn *pgx.Conn, writes bool) *work {
	return &work{
		conn: conn, writes: writes, edition: drawEdition(), heads: map[uuid.UUID]held{}, trails: map[uuid.UUID]audit.Head{},
		members: map[uuid.UUID]bool{}, clinics: map[uuid.UUID]bool{}, learners: map[uuid.UUID]place{}, devices: map[uuid.UUID]uuid.UUID{},
	}
}

// worded gives an error of a statement its kind, and says what the statement was for.
func worded(st statement, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", st.task, translated(err))
}

// absent words that what a statement is about is not there. The transaction goes on.
func absent(st statement) error { return fmt.Errorf("%s: %w", st.task, errAbsent) }

// write has calls run with whatever is run next, at the latest with the commit. They must be of what is known to be there: that they
// change nothing is not noticed.
func (w *work) write(calls ...call) error {
	if w.broken == nil {
		w.later = append(w.later, calls...)
	}
	return w.broken
}

// commit commits what has been done, if anything has. A transaction that took its household for what it is, and has yet to begin, may share its
// trip with others.
func (w *work) commit(ctx context.Context) error {
	if w.broken != nil || (!w.begun && len(w.later)+len(w.assumed) == 0) {
		return w.broken
	}
	shares := !w.begun && len(w.assumed) > 0 && w.letsGo && w.entries <= entriesInGroup && len(w.later) <= callsInGroup
	calls := w.due(committing.of())
	if shares {
		w.broken = w.store.together(ctx, calls)
		if !errors.Is(w.broken, errAlone) {
			return w.broken
		}
	}
	if w.letsGo {
		calls = append(calls, waitForDisk.of())
	}
	return w.send(ctx, calls)
}

// exec runs a statement that returns no rows, and returns how many it changed.
func (w *work) exec(ctx context.Context, st statement, args ...any) (changed int64, err error) {
	err = w.run(ctx, call{statement: st, args: args, changed: &changed})
	return changed, err
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
	return w.send(ctx, w.due(calls...))
}

// due returns calls behind all that has to go before them.
func (w *work) due(calls ...call) []call {
	calls = slices.Concat(w.assumptions(), w.later, calls)
	w.later = nil
	if w.begun {
		return calls
	}
	w.begun = true
	if w.writes {
		return slices.Insert(calls, 0, beginWriting.of())
	}
	return slices.Insert(calls, 0, beginReading.of())
}

// send runs calls in one round trip, over a connection that it takes from the store where the transaction has none yet.
func (w *work) send(ctx context.Context, calls []call) error {
	if w.conn == nil {
		taken, err := w.store.acquire(ctx)
		if err != nil {
			w.broken = err
			return err
		}
		w.taken, w.conn = taken, taken.Conn()
	}
	w.broken = send(ctx, w.conn, calls...)
	return w.broken
}

func send(ctx context.Context, conn *pgx.Conn, calls ...call) error {
	if len(calls) == 1 {
		rows, err := conn.Query(ctx, calls[0].text, bound(calls[0].args)...)
		return worded(calls[0].statement, calls[0].take(rows, err))
	}
	batch := &pgx.Batch{}
	enqueue(batch, calls)
	results := conn.SendBatch(ctx, batch)
	if err := takeAll(results, calls); err != nil {
		_ = results.Close() // says the same once more
		return err
	}
	return worded(calls[len(calls)-1].statement, results.Close())
}

func enqueue(batch *pgx.Batch, calls []call) {
	for _, c := range calls {
		batch.Queue(c.text, bound(c.args)...)
	}
}

// takeAll takes the answers to calls, up to the first error.
func takeAll(results pgx.BatchResults, calls []call) error {
	for i := range calls {
		rows, err := results.Query()
		if err := calls[i].take(rows, err); err != nil {
			return worded(calls[i].statement, err)
		}
	}
	return nil
}

// take takes the answer to a call.
func (c *call) take(rows pgx.Rows, err error) error {
	if err := readAll(rows, err, c.read); err != nil {
		return err
	}
	if c.changed != nil {
		*c.changed = rows.CommandTag().RowsAffected()
	}
	return nil
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
	return call{statement: st, args: args, read: func(row scanner) error {
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
