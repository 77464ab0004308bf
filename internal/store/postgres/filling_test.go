package postgres

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/store/passage"
	"swallowtail/internal/store/postgres/postgrestest"
	"swallowtail/internal/store/sqlite"
	"swallowtail/internal/store/storetest"
)

// another is a store on SQLite with something of every kind in it, open to be read.
type another struct {
	store  *sqlite.Store
	source *sqlite.Source
	ask    func(t *testing.T, store clinic.Store) map[string]any
}

func newAnother(t *testing.T) another {
	t.Helper()
	path, o := filepath.Join(t.TempDir(), "other.db"), testOptions(t)
	options := sqlite.Options{Logger: o.Logger, NewID: o.NewID, Now: o.Now}
	store, err := sqlite.Open(t.Context(), path, options)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, store.Close()) })
	require.NoError(t, store.Migrate(t.Context()))
	ask := storetest.Filled(t, store)
	source, err := sqlite.OpenSource(t.Context(), path, options)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, source.Close()) })
	return another{store, source, ask}
}

// fill fills a store with what the other holds, but for the tables that change makes others of.
func (a another) fill(t *testing.T, s *Store, change func(*passage.Table), then func(ctx context.Context, f *Filling) error) error {
	t.Helper()
	return a.source.Tell(t.Context(), func(ctx context.Context, all *sqlite.Snapshot) error {
		return s.Fill(ctx, func(ctx context.Context, f *Filling) error {
			err := all.Tables(ctx, func(table passage.Table) error {
				change(&table)
				return f.Copy(ctx, table)
			})
			if err != nil {
				return err
			}
			if err := f.Analyse(ctx); err != nil {
				return err
			}
			return then(ctx, f)
		})
	})
}

func asItIs(*passage.Table) {}

// carryProjection saves the one projection that the other store has.
func (a another) carryProjection(ctx context.Context, f *Filling) error {
	var all []clinic.Projection
	err := a.store.Read(ctx, func(ctx context.Context, view clinic.View) error {
		households, err := view.HouseholdIDs(ctx, clinic.Page{Limit: 9})
		if err != nil {
			return err
		}
		for _, household := range households {
			learners, err := view.Learners(ctx, household)
			if err != nil {
				return err
			}
			for _, l := range learners {
				p, err := view.Projection(ctx, l.ID)
				if fault.KindOf(err) == fault.NotFound {
					continue
				}
				if err != nil {
					return err
				}
				all = append(all, p)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return f.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
		for _, p := range all {
			if err := tx.SaveProjection(ctx, p, nil); err != nil {
				return err
			}
		}
		return nil
	})
}

// TestAnotherStoresContentIsTakenUp and answers every question as the other store does, inside the transaction and after it.
func TestAnotherStoresContentIsTakenUp(t *testing.T) {
	t.Parallel()
	s, other := ownStore(t), newAnother(t)
	want := other.ask(t, other.store)
	epoch, sent := uuid.New(), map[string]*summed{}
	note := func(table *passage.Table) {
		sent[table.Name] = &summed{Rows: table.Rows, columns: table.Columns}
		table.Rows = sent[table.Name]
	}
	err := other.fill(t, s, note, func(ctx context.Context, f *Filling) error {
		if err := other.carryProjection(ctx, f); err != nil {
			return err
		}
		assert.Equal(t, want, other.ask(t, f))
		for name, table := range sent {
			kept, err := f.Sum(ctx, name, table.columns)
			require.NoError(t, err)
			assert.Equal(t, table.sum, kept, name)
			assert.Positive(t, kept.Rows, name)
		}
		return f.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error { return tx.RenewEpoch(ctx, epoch) })
	})
	require.NoError(t, err)
	assert.Equal(t, want, other.ask(t, s))
	assert.Equal(t, epoch, epochOf(t, s))
}

// TestWhatIsNotWholeIsNotFilledIn ends in every way that is none, each time with a database that is still empty and can be filled.
func TestWhatIsNotWholeIsNotFilledIn(t *testing.T) {
	t.Parallel()
	s, other := ownStore(t), newAnother(t)
	failure := errors.New("the caller's own")
	nothing := func(context.Context, *Filling) error { return nil }
	ctx, cancel := context.WithCancel(t.Context())
	for name, c := range map[string]struct {
		change func(*passage.Table)
		then   func(ctx context.Context, f *Filling) error
		want   string
	}{
		"an error of the caller's":      {asItIs, func(context.Context, *Filling) error { return failure }, failure.Error()},
		"a column that isn't copied":    {withoutHeard, nothing, "nothing was filled into device.heard"},
		"a column that there isn't":     {func(table *passage.Table) { table.Columns[0] = "colour" }, nothing, "copy clinic: "},
		"rows that end in an error":     {func(table *passage.Table) { table.Rows = noRows{failure} }, nothing, failure.Error()},
		"rows that refer to nothing":    {func(table *passage.Table) { table.Rows = strayed{table.Rows, table.Name} }, nothing, "copy service_token: "},
		"an id of another length":       {func(table *passage.Table) { table.Rows = shortened{table.Rows} }, nothing, "invalid UUID"},
		"an error in one of many steps": {asItIs, func(ctx context.Context, f *Filling) error { return swallowed(ctx, f, failure) }, failure.Error()},
		"an ended context":              {asItIs, func(context.Context, *Filling) error { cancel(); return ctx.Err() }, "context canceled"},
		"a trail that would be changed": {asItIs, func(ctx context.Context, f *Filling) error {
			_, err := f.conn.Exec(ctx, `UPDATE audit SET note = ''`)
			return err
		}, "the audit trail is only added to"},
	} {
		err := other.fill(t, s, c.change, c.then)
		require.ErrorContains(t, err, c.want, name)
		var rows int
		require.NoError(t, s.pool.QueryRow(t.Context(), `SELECT count(*) FROM clinic`).Scan(&rows))
		assert.Zero(t, rows, name)
	}
	err := other.fill(t, s, asItIs, nothing)
	require.NoError(t, err)
	err = other.fill(t, s, asItIs, nothing)
	require.ErrorIs(t, err, ErrNotEmpty)
}

// TestWhatIsAnothersIsNotFilled makes no table beside what it finds.
func TestWhatIsAnothersIsNotFilled(t *testing.T) {
	t.Parallel()
	s := openAt(t, postgrestest.Empty(t))
	_, err := s.pool.Exec(t.Context(), `CREATE TABLE sweets (name text)`)
	require.NoError(t, err)
	err = s.MigrateEmpty(t.Context())
	require.ErrorIs(t, err, ErrNotEmpty)
	require.ErrorContains(t, err, "sweets")
	isNew, err := s.New(t.Context())
	require.NoError(t, err)
	assert.True(t, isNew)

	_, err = s.pool.Exec(t.Context(), `DROP TABLE sweets`)
	require.NoError(t, err)
	for range 2 {
		require.NoError(t, s.MigrateEmpty(t.Context()))
	}
	err = s.Fill(t.Context(), func(context.Context, *Filling) error { return nil })
	require.ErrorContains(t, err, "nothing was filled into address.household, ")
}

// TestAFillingTakesItsTime looks at what would end a statement, or a transaction that waits for the other store.
func TestAFillingTakesItsTime(t *testing.T) {
	t.Parallel()
	s := openAt(t, postgrestest.Migrated(t, migrated), func(*Options) {})
	err := s.Fill(t.Context(), func(ctx context.Context, f *Filling) error {
		for _, setting := range []string{"statement_timeout", "idle_in_transaction_session_timeout"} {
			var limit string
			require.NoError(t, f.conn.QueryRow(ctx, `SELECT current_setting($1)`, setting).Scan(&limit))
			assert.Equal(t, "0", limit, setting)
		}
		return errors.New("that is all")
	})
	require.EqualError(t, err, "that is all")
}

// TestNobodyComesInWhileADatabaseIsFilled keeps a server waiting, and is kept waiting by one.
func TestNobodyComesInWhileADatabaseIsFilled(t *testing.T) {
	t.Parallel()
	address := postgrestest.Migrated(t, migrated)
	patience := func(o *Options) { o.Patience = 2 * time.Second } // also to connect, on a busy machine
	s, server := openAt(t, address, patience), openAt(t, address, patience)
	add := func() error {
		return server.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddClinic(ctx, clinic.Clinic{ID: uuid.New(), Created: started})
		})
	}
	err := s.Fill(t.Context(), func(context.Context, *Filling) error {
		assert.Equal(t, fault.Unavailable, fault.KindOf(add()))
		return errors.New("the caller's own")
	})
	require.EqualError(t, err, "the caller's own")
	err = server.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		_, err := tx.Journal(ctx) // a server that starts
		require.NoError(t, err)
		filled := s.Fill(ctx, func(context.Context, *Filling) error { panic("nobody is to be kept out") })
		assert.Equal(t, fault.Unavailable, fault.KindOf(filled))
		return nil
	})
	require.NoError(t, err)
}

// summed are rows whose sum is made as they are read.
type summed struct {
	passage.Rows
	columns []string
	sum     passage.Sum
}

func (s *summed) Next() ([]any, error) {
	row, err := s.Rows.Next()
	if err == nil {
		err = s.sum.Add(row)
	}
	return row, err
}

// noRows end in an error.
type noRows struct{ err error }

func (n noRows) Next() ([]any, error) { return nil, n.err }

// withoutHeard leaves a column of the devices out.
func withoutHeard(table *passage.Table) {
	if at := slices.Index(table.Columns, "heard"); at >= 0 {
		table.Columns = slices.Delete(slices.Clone(table.Columns), at, at+1)
		table.Rows = narrower{table.Rows, at}
	}
}

// narrower are rows without a column.
type narrower struct {
	passage.Rows
	without int
}

func (n narrower) Next() ([]any, error) {
	row, err := n.Rows.Next()
	if err == nil {
		row = slices.Delete(row, n.without, n.without+1)
	}
	return row, err
}

// strayed are rows of which those of programs' tokens are of a clinic that there isn't.
type strayed struct {
	passage.Rows
	table string
}

func (s strayed) Next() ([]any, error) {
	row, err := s.Rows.Next()
	if err == nil && s.table == "service_token" {
		row[1] = make([]byte, 16)
	}
	return row, err
}

// shortened are rows whose first value lacks a byte.
type shortened struct{ passage.Rows }

func (s shortened) Next() ([]any, error) {
	row, err := s.Rows.Next()
	if err == nil {
		if first, is := row[0].([]byte); is {
			row[0] = first[1:]
		}
	}
	return row, err
}

// swallowed fails in one step and forgets about it.
func swallowed(ctx context.Context, f *Filling, failure error) error {
	_ = f.InTx(ctx, func(context.Context, clinic.Tx) error { return failure })
	return nil
}

// TestWhatWasFilledInIsOnTheDisk looks how far the server's log is on the disk once a filling that wrote to a trail has returned.
func TestWhatWasFilledInIsOnTheDisk(t *testing.T) {
	t.Parallel()
	from := newAnother(t)
	s := openAt(t, postgrestest.Migrated(t, migrated), func(*Options) {})
	var written string
	require.NoError(t, from.fill(t, s, asItIs, func(ctx context.Context, f *Filling) error {
		if err := from.carryProjection(ctx, f); err != nil {
			return err
		}
		err := f.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
			return tx.AppendAudit(ctx, audit.Row{Clinic: uuid.New(), At: started, Did: "sync", Outcome: audit.Done})
		})
		require.NoError(t, err)
		return f.conn.QueryRow(ctx, `SELECT pg_current_wal_insert_lsn()::text`).Scan(&written)
	}))
	var onDisk bool
	require.NoError(t, s.pool.QueryRow(t.Context(), `SELECT pg_current_wal_flush_lsn() >= $1::text::pg_lsn`, written).Scan(&onDisk))
	assert.True(t, onDisk)
}
