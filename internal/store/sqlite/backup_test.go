package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// contentOf returns every row of a database, table by table.
func contentOf(t testing.TB, s *Store) map[string][]string {
	t.Helper()
	q, err := s.readers.db.BeginTx(t.Context(), &sql.TxOptions{ReadOnly: true})
	require.NoError(t, err)
	defer q.Rollback() //nolint:errcheck // only read from
	content := map[string][]string{}
	for _, table := range tablesOf(t, q) {
		content[table] = rowsOf(t, q, table)
	}
	return content
}

func rowsOf(t testing.TB, q querier, table string) []string {
	t.Helper()
	rows, err := q.QueryContext(t.Context(), `SELECT * FROM `+table)
	require.NoError(t, err)
	defer rows.Close()
	columns, err := rows.Columns()
	require.NoError(t, err)
	found := []string{}
	for rows.Next() {
		values, places := make([]any, len(columns)), make([]any, len(columns))
		for i := range values {
			places[i] = &values[i]
		}
		require.NoError(t, rows.Scan(places...))
		found = append(found, fmt.Sprint(values...))
	}
	require.NoError(t, rows.Err())
	return found
}

func tablesOf(t testing.TB, q querier) []string {
	t.Helper()
	rows, err := q.QueryContext(t.Context(), `SELECT name FROM sqlite_schema WHERE type = 'table'`)
	require.NoError(t, err)
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name string
		require.NoError(t, rows.Scan(&name))
		names = append(names, name)
	}
	require.NoError(t, rows.Err())
	require.Greater(t, len(names), 15)
	return names
}

// filled returns a store with some households in it, each with evenings and projections.
func filled(t testing.TB, households, evenings int) (*Store, []family) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "store.db")
	s := openAt(t, path)
	require.NoError(t, s.Migrate(t.Context()))
	families := make([]family, households)
	for i := range families {
		families[i] = newFamily(t, s)
		for range evenings {
			families[i].push(t, s)
		}
	}
	return s, families
}

func TestABackUpIsAllThatThereIs(t *testing.T) {
	t.Parallel()
	s, _ := filled(t, 2, 3)
	path := filepath.Join(t.TempDir(), "a backup?mode=memory.db")
	require.NoError(t, s.BackUp(t.Context(), path))
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, fs.FileMode(0o600), info.Mode())
	assert.Equal(t, contentOf(t, s), contentOf(t, openAt(t, path)))

	require.ErrorIs(t, s.BackUp(t.Context(), path), fs.ErrExist, "nothing is written over")
	require.ErrorIs(t, s.BackUp(t.Context(), filepath.Join(t.TempDir(), "none", "x")), fs.ErrNotExist)
}

// TestABackUpIsOfOneMoment backs up while households are written to, each evening with its projection in one transaction.
func TestABackUpIsOfOneMoment(t *testing.T) {
	t.Parallel()
	s, families := filled(t, 3, 1)
	var writers sync.WaitGroup
	var stop atomic.Bool
	for _, f := range families {
		writers.Go(func() {
			for !stop.Load() {
				f.push(t, s)
			}
		})
	}
	defer stop.Store(true)
	entries := []int64{}
	for i := range 5 {
		path := filepath.Join(t.TempDir(), fmt.Sprintf("%d.db", i))
		require.NoError(t, s.BackUp(t.Context(), path))
		backup := openAt(t, path)
		var n int64
		for _, f := range families {
			n += assertWhole(t, backup, f)
		}
		entries = append(entries, n)
	}
	stop.Store(true)
	writers.Wait()
	assert.IsNonDecreasing(t, entries)
	assert.Greater(t, entries[4], entries[0], "something was written between")
}

// assertWhole checks that a household's head, entries and projection are of one moment, and returns the revision.
func assertWhole(t *testing.T, s *Store, f family) (rev int64) {
	t.Helper()
	assert.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		head, err := v.Head(ctx, f.household)
		if err != nil {
			return err
		}
		entries, err := v.Entries(ctx, f.household, 0, 0)
		if err != nil {
			return err
		}
		p, err := v.Projection(ctx, f.learner)
		rev = head.Rev
		assert.Len(t, entries, int(head.Rev))
		assert.Equal(t, f.projection(head.Rev).Heard, p.Heard)
		return err
	}))
	return rev
}

func TestInspect(t *testing.T) {
	t.Parallel()
	s, _ := filled(t, 1, 40)
	faults, err := s.Inspect(t.Context())
	require.NoError(t, err)
	assert.Empty(t, faults)

	_, err = s.writer.db.ExecContext(t.Context(), `UPDATE projection SET reminders = '{}'`)
	require.NoError(t, err)
	faults, err = s.Inspect(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []string{"3 reminders are kept that no learner's fold names"}, faults)

	_, err = s.writer.db.ExecContext(t.Context(), `PRAGMA foreign_keys = off`)
	require.NoError(t, err)
	_, err = s.writer.db.ExecContext(t.Context(), `UPDATE device SET household_key = 99`)
	require.NoError(t, err)
	faults, err = s.Inspect(t.Context())
	require.NoError(t, err)
	assert.Contains(t, faults, "a row of device refers to a row of household that is not there")

	for name, damage := range map[string]func(text []byte) []byte{
		"a page in the middle": func(text []byte) []byte {
			at := len(text) / 2
			return slices.Concat(text[:at], bytes.Repeat([]byte{7}, 4096), text[at+4096:])
		},
		"cut short":   func(text []byte) []byte { return text[:len(text)/2] },
		"no database": func([]byte) []byte { return []byte("Dear diary, " + string(make([]byte, 9000))) },
	} {
		path := filepath.Join(t.TempDir(), "damaged.db")
		require.NoError(t, s.BackUp(t.Context(), path))
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, damage(text), 0o600))
		damaged, err := Open(t.Context(), path, testOptions(t))
		if err != nil {
			require.ErrorIs(t, err, ErrDamaged, name)
			continue
		}
		faults, err := damaged.Inspect(t.Context())
		require.NoError(t, err, name)
		assert.NotEmpty(t, faults, name)
		require.NoError(t, damaged.Close())
	}
}

func TestNew(t *testing.T) {
	t.Parallel()
	s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
	fresh, err := s.New(t.Context())
	require.NoError(t, err)
	assert.True(t, fresh)
	require.NoError(t, s.Migrate(t.Context()))
	fresh, err = s.New(t.Context())
	require.NoError(t, err)
	assert.False(t, fresh)
}

// copyOf returns a copy of a database, as a file that nobody has open.
func copyOf(t testing.TB, s *Store) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, s.BackUp(t.Context(), path))
	return path
}

func nothingBefore(context.Context) error { return nil }

func nothingAfter(context.Context, clinic.Tx) error { return nil }

// TestReplace replaces what a server works on, beside it. Each has opened the file for itself.
func TestReplace(t *testing.T) {
	t.Parallel()
	server, families := filled(t, 2, 3)
	backup := copyOf(t, server)
	want := contentOf(t, server)
	families[0].push(t, server)
	later := newFamily(t, server)
	later.push(t, server)
	command := openAt(t, server.path)

	var before map[string][]string
	renewed := uuid.New()
	require.NoError(t, command.Replace(t.Context(), Replacement{
		From: backup,
		Before: func(context.Context) error {
			before = contentOf(t, server)
			return nil
		},
		After: func(ctx context.Context, tx clinic.Tx) error {
			_, err := tx.Household(ctx, later.household)
			assert.Equal(t, fault.NotFound, fault.KindOf(err), "the new content is there")
			assert.Equal(t, before, contentOf(t, server), "others see the old content until it is committed")
			return tx.RenewEpoch(ctx, renewed)
		},
	}))
	assert.Len(t, before["household"], 3)
	require.NotEqual(t, want["meta"], contentOf(t, server)["meta"])
	require.NoError(t, server.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		epoch, err := tx.Epoch(ctx)
		assert.Equal(t, renewed, epoch)
		return err
	}))
	got := contentOf(t, server)
	got["meta"] = want["meta"]
	assert.Equal(t, want, got)
	for range 3 { // with statements that were prepared before
		families[0].push(t, server)
		assertWhole(t, server, families[0])
	}
	faults, err := server.Inspect(t.Context())
	require.NoError(t, err)
	assert.Empty(t, faults)
}

func TestReplaceAllOrNothing(t *testing.T) {
	t.Parallel()
	errNo := errors.New("no")
	for name, test := range map[string]struct {
		change func(t *testing.T, r *Replacement)
		want   error
	}{
		"before fails": {func(_ *testing.T, r *Replacement) {
			r.Before = func(context.Context) error { return errNo }
		}, errNo},
		"after fails": {func(_ *testing.T, r *Replacement) {
			r.After = func(context.Context, clinic.Tx) error { return errNo }
		}, errNo},
		"another schema": {func(t *testing.T, r *Replacement) {
			s := openAt(t, r.From)
			_, err := s.writer.db.ExecContext(t.Context(), `CREATE INDEX another ON clinic (name)`)
			require.NoError(t, err)
		}, ErrAltered},
		"rows that refer to nothing": {func(t *testing.T, r *Replacement) {
			s := openAt(t, r.From)
			_, err := s.writer.db.ExecContext(t.Context(), `PRAGMA foreign_keys = off`)
			require.NoError(t, err)
			_, err = s.writer.db.ExecContext(t.Context(), `DELETE FROM household`)
			require.NoError(t, err)
		}, nil},
		"no database": {func(t *testing.T, r *Replacement) {
			require.NoError(t, os.WriteFile(r.From, []byte("Dear diary"), 0o600))
		}, ErrDamaged},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s, families := filled(t, 2, 2)
			r := Replacement{From: copyOf(t, s), Before: nothingBefore, After: nothingAfter}
			test.change(t, &r)
			families[0].push(t, s)
			want := contentOf(t, s)
			err := s.Replace(t.Context(), r)
			require.Error(t, err)
			if test.want != nil {
				require.ErrorIs(t, err, test.want)
			}
			assert.Equal(t, want, contentOf(t, s))
			families[0].push(t, s)
		})
	}
}

// TestReplaceWaits replaces while another process is in the middle of a transaction: it waits for it, but not for ever.
func TestReplaceWaits(t *testing.T) {
	t.Parallel()
	server, _ := filled(t, 1, 1)
	backup := copyOf(t, server)
	options := testOptions(t)
	options.BusyTimeout = 300 * time.Millisecond
	command, err := Open(t.Context(), server.path, options)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, command.Close()) })
	r := Replacement{From: backup, Before: nothingBefore, After: nothingAfter}
	require.NoError(t, server.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		assert.Equal(t, fault.Unavailable, fault.KindOf(command.Replace(ctx, r)))
		return tx.AddClinic(ctx, clinic.Clinic{ID: uuid.New(), Created: started})
	}))
	assert.Equal(t, 2, clinicsIn(t, server))

	waiting := openAt(t, server.path)
	done := make(chan error, 1)
	require.NoError(t, server.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		go func() { done <- waiting.Replace(ctx, r) }()
		time.Sleep(50 * time.Millisecond)
		return tx.AddClinic(ctx, clinic.Clinic{ID: uuid.New(), Created: started})
	}))
	require.NoError(t, <-done)
	assert.Equal(t, 1, clinicsIn(t, server), "what was committed before is replaced")
}
