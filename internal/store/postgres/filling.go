package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/passage"
)

// ErrNotEmpty answers who would fill a database that holds something already.
var ErrNotEmpty = errors.New("the database is not empty")

// Filling is an empty database that is being filled from another store, all in one transaction: whoever looks from outside sees an empty
// one until it has been committed, and ever after if it is not. As a clinic.Store it is what has been filled in so far.
type Filling struct {
	conn   *pgx.Conn
	tables []string
	filled map[string][]string // the columns of each table that was copied
	broken error
}

var _ clinic.Store = (*Filling)(nil)

// savedOtherwise are the tables that aren't copied: what becomes of them, or why they hold something already.
var savedOtherwise = map[string]string{
	"schema_migration": "this schema's own",
	"meta":             "made with the schema; names the history that begins here",
	"projection":       "saved by SaveProjection",
	"reminder":         "saved by SaveProjection",
	"concern":          "saved by SaveProjection",
	"unweighed":        "saved by SaveProjection",
}

// Fill runs fn on a database of the newest schema that holds nothing yet, else it returns ErrNotEmpty, and commits durably what fn did.
// On an error of fn, and where fn left out a table or a column, nothing of it remains. Nobody else can work with the database
// meanwhile; a server that has it open answers that it is unavailable.
func (s *Store) Fill(ctx context.Context, fn func(ctx context.Context, f *Filling) error) error {
	conn, err := s.acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	defer s.rollBack(ctx, conn.Conn())
	f := &Filling{conn: conn.Conn(), filled: map[string][]string{}}
	if err := f.begin(ctx); err != nil {
		return err
	}
	if err := fn(ctx, f); err != nil {
		return err
	}
	if err := f.complete(ctx); err != nil {
		return err
	}
	// Whoever has written to a trail has let go of it before the commit was on the disk.
	for _, st := range []statement{committing, waitForDisk} {
		if _, err := f.conn.Exec(ctx, st.text); err != nil {
			return errOf(st, err)
		}
	}
	return nil
}

// MigrateEmpty is Migrate for a database that is to be filled: ErrNotEmpty where there is something in it that is none of this
// program's.
func (s *Store) MigrateEmpty(ctx context.Context) error {
	isNew, err := s.New(ctx)
	if err != nil {
		return err
	}
	if isNew {
		var tables []string
		err := s.read(ctx, func(w *work) error {
			tables, err = all(ctx, w, listTables, value[string])
			return err
		})
		if err != nil {
			return err
		}
		if len(tables) > 0 {
			return fmt.Errorf("%w: it has a table %s, which is none of this program's", ErrNotEmpty, tables[0])
		}
	}
	return s.Migrate(ctx)
}

// errOf words an error of a statement.
func errOf(st statement, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", st.task, translated(err))
}

var (
	beginFilling = statement{"begin transaction", `BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE`}
	// All of a table is copied by one statement, and while the other store is read the transaction is idle.
	noTimeout     = statement{"take the time that it takes", `SET LOCAL statement_timeout = 0`}
	noIdleTimeout = statement{"take the time that it takes", `SET LOCAL idle_in_transaction_session_timeout = 0`}
	listTables    = statement{"list tables", `
		SELECT c.relname FROM pg_class c
		WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind IN ('r', 'p') ORDER BY c.relname`}
	// Those that get their values by themselves are not among them.
	listColumns = statement{"list columns", `
		SELECT c.relname, a.attname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
		WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind IN ('r', 'p') AND a.attnum > 0 AND NOT a.attisdropped
			AND a.attidentity = '' AND a.attgenerated = ''
		ORDER BY c.relname, a.attnum`}
)

func (f *Filling) begin(ctx context.Context) error {
	for _, st := range []statement{beginFilling, noTimeout, noIdleTimeout} {
		if _, err := f.conn.Exec(ctx, st.text); err != nil {
			return errOf(st, err)
		}
	}
	rows, err := f.conn.Query(ctx, listTables.text)
	if err == nil {
		f.tables, err = pgx.CollectRows(rows, pgx.RowTo[string])
	}
	if err != nil {
		return errOf(listTables, err)
	}
	locking := statement{"keep others from the database", `LOCK TABLE ` + namesOf(f.tables...) + ` IN ACCESS EXCLUSIVE MODE`}
	if _, err := f.conn.Exec(ctx, locking.text); err != nil {
		return fmt.Errorf("%w: is anybody at work on it?", errOf(locking, err))
	}
	for _, table := range f.tables {
		if table == "meta" || table == "schema_migration" {
			continue
		}
		looking := statement{"look for rows", `SELECT EXISTS (SELECT 1 FROM ` + namesOf(table) + `)`}
		var holds bool
		if err := f.conn.QueryRow(ctx, looking.text).Scan(&holds); err != nil {
			return errOf(looking, err)
		}
		if holds {
			return fmt.Errorf("%w: there are rows in %s", ErrNotEmpty, table)
		}
	}
	return nil
}

// namesOf returns names as they stand in a statement.
func namesOf(names ...string) string {
	quoted := make([]string, len(names))
	for i, name := range names {
		quoted[i] = pgx.Identifier{name}.Sanitize()
	}
	return strings.Join(quoted, ", ")
}

// complete returns an error where a table or a column was left out.
func (f *Filling) complete(ctx context.Context) error {
	if f.broken != nil {
		return f.broken
	}
	var forgotten []string
	rows, err := f.conn.Query(ctx, listColumns.text)
	err = readAll(rows, err, func(row scanner) error {
		var table, column string
		if err := row.Scan(&table, &column); err != nil {
			return err
		}
		if savedOtherwise[table] == "" && !slices.Contains(f.filled[table], column) {
			forgotten = append(forgotten, table+"."+column)
		}
		return nil
	})
	if err == nil && len(forgotten) > 0 {
		return fmt.Errorf("nothing was filled into %s", strings.Join(forgotten, ", "))
	}
	return errOf(listColumns, err)
}

// Copy fills a table.
func (f *Filling) Copy(ctx context.Context, t passage.Table) error {
	copying := statement{"copy " + t.Name, `SELECT ` + namesOf(t.Columns...) + ` FROM ` + namesOf(t.Name) + ` LIMIT 0`}
	rows, err := f.conn.Query(ctx, copying.text)
	if err != nil {
		return f.fail(copying, err)
	}
	fields := slices.Clone(rows.FieldDescriptions())
	rows.Close()
	if err := rows.Err(); err != nil {
		return f.fail(copying, err)
	}
	from := &copied{rows: t.Rows, types: make([]uint32, len(fields))}
	for i, field := range fields {
		from.types[i] = field.DataTypeOID
	}
	_, err = f.conn.CopyFrom(ctx, pgx.Identifier{t.Name}, t.Columns, from)
	if from.err != nil {
		err = from.err // the server only says that the copy was given up
	}
	f.filled[t.Name] = t.Columns
	return f.fail(copying, err)
}

// fail words an error, after which nothing is left to do but to end the transaction.
func (f *Filling) fail(st statement, err error) error {
	if err = errOf(st, err); err != nil && f.broken == nil {
		f.broken = err
	}
	return err
}

// copied turns rows into what the server's types want. It implements pgx.CopyFromSource.
type copied struct {
	rows  passage.Rows
	types []uint32
	row   []any
	err   error
}

// Next implements pgx.CopyFromSource.
func (c *copied) Next() bool {
	if c.row, c.err = c.rows.Next(); c.err != nil {
		if errors.Is(c.err, io.EOF) {
			c.err = nil
		}
		return false
	}
	return true
}

// Values implements pgx.CopyFromSource.
func (c *copied) Values() ([]any, error) {
	for i, value := range c.row {
		switch v := value.(type) {
		case []byte:
			switch c.types[i] {
			case pgtype.UUIDOID:
				id, err := uuid.FromBytes(v)
				if err != nil {
					return nil, err
				}
				c.row[i] = [16]byte(id)
			case pgtype.TextOID:
				c.row[i] = string(v)
			}
		case int64:
			if c.types[i] == pgtype.BoolOID {
				c.row[i] = v != 0
			}
		}
	}
	return c.row, nil
}

// Err implements pgx.CopyFromSource.
func (c *copied) Err() error { return c.err }

// Sum reads a table and returns what it holds.
func (f *Filling) Sum(ctx context.Context, table string, columns []string) (passage.Sum, error) {
	summing := statement{"read " + table, `SELECT ` + namesOf(columns...) + ` FROM ` + namesOf(table)}
	rows, err := f.conn.Query(ctx, summing.text)
	if err != nil {
		return passage.Sum{}, f.fail(summing, err)
	}
	defer rows.Close()
	sum, err := passage.Summed(keptRows{rows})
	return sum, f.fail(summing, err)
}

// keptRows are the rows that a query finds.
type keptRows struct{ rows pgx.Rows }

// Next implements passage.Rows.
func (k keptRows) Next() ([]any, error) {
	if !k.rows.Next() {
		if err := k.rows.Err(); err != nil {
			return nil, err
		}
		return nil, io.EOF
	}
	values, err := k.rows.Values()
	for i, value := range values {
		switch v := value.(type) {
		case [16]byte:
			values[i] = v[:]
		case string:
			values[i] = []byte(v)
		case int16:
			values[i] = int64(v)
		case int32:
			values[i] = int64(v)
		case bool:
			values[i] = int64(0)
			if v {
				values[i] = int64(1)
			}
		}
	}
	return values, err
}

// Count returns how many rows a table has.
func (f *Filling) Count(ctx context.Context, table string) (rows int64, err error) {
	counting := statement{"count rows of " + table, `SELECT count(*) FROM ` + namesOf(table)}
	err = f.conn.QueryRow(ctx, counting.text).Scan(&rows)
	return rows, f.fail(counting, err)
}

// Analyse has the server take note of what its tables hold, so that it finds its way among it from the beginning.
func (f *Filling) Analyse(ctx context.Context) error {
	analysing := statement{"analyse tables", `ANALYZE ` + namesOf(f.tables...)}
	_, err := f.conn.Exec(ctx, analysing.text)
	return f.fail(analysing, err)
}

// InTx implements clinic.Store. What fn did is not yet committed when it returns; where fn returns an error, nothing at all can be any
// more.
func (f *Filling) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	if f.broken != nil {
		return f.broken
	}
	w := newWork(f.conn, true)
	w.begun, w.filling = true, true
	err := fn(ctx, &tx{view{w}})
	if later := slices.Concat(w.assumptions(), w.later); err == nil && len(later) > 0 {
		w.later = nil
		err = w.run(ctx, later...)
	}
	if err != nil && f.broken == nil {
		f.broken = err
	}
	return err
}

// Read implements clinic.Store.
func (f *Filling) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	w := newWork(f.conn, false)
	w.begun = true
	return fn(ctx, view{w})
}

// TokenFamily implements clinic.Glances.
func (f *Filling) TokenFamily(ctx context.Context, family uuid.UUID) (clinic.TokenFamily, error) {
	return one(ctx, &work{conn: f.conn, begun: true}, tokenFamily, scanTokenFamily, family)
}

// ServiceToken implements clinic.Glances.
func (f *Filling) ServiceToken(ctx context.Context, id uuid.UUID) (clinic.ServiceToken, error) {
	return one(ctx, &work{conn: f.conn, begun: true}, serviceTokenByID, scanServiceToken, id)
}

// Edition implements clinic.Glances.
func (f *Filling) Edition(ctx context.Context, household uuid.UUID) (clinic.Edition, error) {
	return one(ctx, &work{conn: f.conn, begun: true}, editionNow, scanEdition, household)
}

// Ready implements clinic.Store.
func (f *Filling) Ready(context.Context) error { return f.broken }
