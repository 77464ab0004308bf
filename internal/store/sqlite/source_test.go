package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
	"swallowtail/internal/store/passage"
	"swallowtail/internal/store/storetest"
)

// notCarried are the tables that are made anew where the rest goes, and why.
var notCarried = map[string]string{
	"schema_migration": "each schema has migrations of its own",
	"meta":             "what is carried begins a history with a name of its own, beside which no journal lies",
	"projection":       "View gives it, in a form that is no engine's",
	"reminder":         "a part of a projection",
	"concern":          "a part of a projection",
}

// openSource opens a file to be read, for the length of the test.
func openSource(t *testing.T, path string) *Source {
	t.Helper()
	s, err := OpenSource(t.Context(), path, testOptions(t))
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	return s
}

// carriedFrom returns all that is carried from a file, or why it can't be.
func carriedFrom(t *testing.T, s *Source) (rows []string, names map[string]bool) {
	t.Helper()
	names = map[string]bool{}
	err := s.Tell(t.Context(), func(ctx context.Context, all *Snapshot) error {
		return all.Tables(ctx, func(table passage.Table) error {
			names[table.Name] = true
			for {
				row, err := table.Rows.Next()
				if err != nil {
					return nil //nolint:nilerr // that it was the last is looked at by counting
				}
				require.Len(t, row, len(table.Columns), table.Name)
				rows = append(rows, fmt.Sprintf("%s %q %x", table.Name, table.Columns, row))
			}
		})
	})
	if err != nil {
		rows = append(rows, err.Error())
	}
	return rows, names
}

// TestNoColumnIsLeftBehind changes every column of every table by itself: each time something else is carried.
func TestNoColumnIsLeftBehind(t *testing.T) {
	t.Parallel()
	store := newStore(t)
	storetest.Filled(t, store)
	source := openSource(t, store.path)
	before, carried := carriedFrom(t, source)
	writer := openRaw(t, store.path)
	changed := 0
	for table, columns := range columnsOf(t, writer) {
		if why := notCarried[table]; why != "" {
			assert.NotContains(t, carried, table, why)
			continue
		}
		assert.Contains(t, carried, table)
		for _, column := range columns {
			undo := alter(t, writer, table, column)
			after, _ := carriedFrom(t, source)
			assert.False(t, slices.Equal(before, after), "%s.%s", table, column)
			undo()
			changed++
		}
	}
	after, _ := carriedFrom(t, source)
	assert.Equal(t, before, after, "as it was")
	t.Logf("%d columns", changed)
	assert.Greater(t, changed, 100)
}

// openRaw opens a file past the store, so that references may point nowhere and trails be changed.
func openRaw(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(10000)&_pragma=synchronous(off)")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, db.Close()) })
	_, err = db.ExecContext(t.Context(), `DROP TRIGGER audit_is_not_changed`)
	require.NoError(t, err)
	return db
}

// columnsOf lists the columns of every table that are not worked out from others, but for the key of entries, by which nothing names them:
// it is their place in this file.
func columnsOf(t *testing.T, db *sql.DB) map[string][]string {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), `
		SELECT t.name, c.name FROM sqlite_schema t, pragma_table_xinfo(t.name) c
		WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite\_%' ESCAPE '\' AND c.hidden = 0 AND c.name <> 'entry_key'`)
	require.NoError(t, err)
	defer rows.Close()
	columns := map[string][]string{}
	for rows.Next() {
		var table, column string
		require.NoError(t, rows.Scan(&table, &column))
		columns[table] = append(columns[table], column)
	}
	require.NoError(t, rows.Err())
	return columns
}

// alter changes the least number of a column, or the greatest text but for an object with nothing in it, where it is.
func alter(t *testing.T, db *sql.DB, table, column string) (undo func()) {
	t.Helper()
	var value, other any
	require.NoError(t, db.QueryRowContext(t.Context(), fmt.Sprintf(
		`SELECT CASE typeof(min(%q)) WHEN 'integer' THEN min(%[1]q) ELSE max(%[1]q) END FROM %q WHERE %[1]q IS NOT '{}'`, column, table)).Scan(&value))
	switch value := value.(type) {
	case int64:
		other = value + 1_000_000
	case string:
		other = value + "x"
	case []byte:
		require.NotEmpty(t, value, "%s.%s", table, column)
		changed := slices.Clone(value)
		changed[len(changed)-1] ^= 0xa5
		other = changed
	default:
		require.Fail(t, "nothing to change", "%s.%s holds no value in any row: have storetest.Filled give it one", table, column)
	}
	set := func(from, to any) {
		result, err := db.ExecContext(t.Context(), fmt.Sprintf(`UPDATE %q SET %q = ? WHERE %[2]q IS ?`, table, column), to, from)
		require.NoError(t, err, "%s.%s", table, column)
		n, err := result.RowsAffected()
		require.NoError(t, err)
		require.Positive(t, n, "%s.%s", table, column)
	}
	set(value, other)
	return func() { set(other, value) }
}

// TestASnapshotIsCarried whatever others write meanwhile, which is noticed.
func TestASnapshotIsCarried(t *testing.T) {
	t.Parallel()
	store := newStore(t)
	storetest.Filled(t, store)
	source := openSource(t, store.path)
	read := func(during func()) (counts map[string]int64, written bool) {
		counts = map[string]int64{}
		err := source.Tell(t.Context(), func(ctx context.Context, all *Snapshot) error {
			require.NoError(t, all.Read(ctx, func(ctx context.Context, view clinic.View) error {
				_, err := view.Epoch(ctx)
				return err
			}))
			during()
			return all.Tables(ctx, func(table passage.Table) error {
				sum, err := passage.Summed(table.Rows)
				counts[table.Name] = sum.Rows
				return err
			})
		})
		require.NoError(t, err)
		written, err = source.WrittenSince(t.Context())
		require.NoError(t, err)
		return counts, written
	}
	before, written := read(func() {})
	assert.False(t, written)
	during, written := read(func() {
		require.NoError(t, store.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddClinic(ctx, clinic.Clinic{ID: uuid.New(), Created: started})
		}))
	})
	assert.True(t, written)
	assert.Equal(t, before, during)
	after, written := read(func() {})
	assert.False(t, written)
	before["clinic"]++
	assert.Equal(t, before, after)
}

// TestManyEntriesAreCarried reads entries of many pages and households, each once.
func TestManyEntriesAreCarried(t *testing.T) {
	t.Parallel()
	store := newStore(t)
	ids := manyFamilies(t, store)
	found := map[string]bool{}
	err := openSource(t, store.path).Tell(t.Context(), func(ctx context.Context, all *Snapshot) error {
		return all.Tables(ctx, func(table passage.Table) error {
			sum := passage.Sum{}
			for {
				row, err := table.Rows.Next()
				if err != nil {
					return nil //nolint:nilerr // that it was the last is looked at by counting
				}
				require.NoError(t, sum.Add(row))
				if table.Name == "entry" {
					found[fmt.Sprintf("%x", row[2])] = true
				}
			}
		})
	})
	require.NoError(t, err)
	assert.Len(t, found, len(ids))
	for _, id := range ids {
		assert.Contains(t, found, fmt.Sprintf("%x", id[:]))
	}
}

func TestWhatIsNoSource(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	place := func(name string) string { return filepath.Join(folder, name) }
	open := func(name string) error {
		_, err := OpenSource(t.Context(), place(name), testOptions(t))
		return err
	}
	require.ErrorIs(t, open("none.db"), fs.ErrNotExist)
	assert.NoFileExists(t, place("none.db"))

	require.NoError(t, os.WriteFile(place("text.db"), []byte("this is no database, but a letter to somebody"), 0o600))
	require.ErrorIs(t, open("text.db"), ErrDamaged)

	openRawFile := func(name, statement string) {
		db, err := sql.Open("sqlite", "file:"+place(name))
		require.NoError(t, err)
		_, err = db.ExecContext(t.Context(), statement)
		require.NoError(t, errors.Join(err, db.Close()))
	}
	openRawFile("foreign.db", `CREATE TABLE sweets (name TEXT)`)
	require.ErrorIs(t, open("foreign.db"), ErrForeign)

	known, err := known()
	require.NoError(t, err)
	older := openAt(t, place("older.db"))
	require.NoError(t, older.migrate(t.Context(), known[:len(known)-1]))
	err = open("older.db")
	require.ErrorIs(t, err, ErrOlder)
	require.ErrorContains(t, err, known[len(known)-1].Name)

	require.NoError(t, openAt(t, place("newer.db")).Migrate(t.Context()))
	openRawFile("newer.db", `INSERT INTO schema_migration SELECT version + 1, 'later', checksum, applied FROM schema_migration ORDER BY version DESC LIMIT 1`)
	require.ErrorIs(t, open("newer.db"), ErrNewer)
}

// TestASourceIsOnlyRead looks at a backup, which has no log beside it: its bytes stay the same, and nothing is left beside it.
func TestASourceIsOnlyRead(t *testing.T) {
	t.Parallel()
	store := newStore(t)
	storetest.Filled(t, store)
	folder := t.TempDir()
	backup := filepath.Join(folder, "backup.db")
	require.NoError(t, store.BackUp(t.Context(), backup))
	require.NoError(t, os.Chmod(backup, 0o400))
	before, err := os.ReadFile(backup)
	require.NoError(t, err)
	source, err := OpenSource(t.Context(), backup, testOptions(t))
	require.NoError(t, err)
	rows, _ := carriedFrom(t, source)
	assert.Greater(t, len(rows), 30)
	_, err = source.store.readers.db.ExecContext(t.Context(), `UPDATE meta SET journal = NULL`)
	require.Error(t, err)
	require.NoError(t, source.Close())
	after, err := os.ReadFile(backup)
	require.NoError(t, err)
	assert.Equal(t, before, after)
	left, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Len(t, left, 1)
}

// manyFamilies fills a store with more households, and two of them with as many entries and more, than are read at a time, and returns
// the ids of the entries.
func manyFamilies(t *testing.T, s *Store) (ids []uuid.UUID) {
	t.Helper()
	counts := map[int]int{0: entriesAtATime, 1: 0, 2: entriesAtATime + 1, householdsAtATime - 1: 1, householdsAtATime: 2}
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		of := clinic.Clinic{ID: uuid.UUID{1}, Created: started}
		require.NoError(t, tx.AddClinic(ctx, of))
		for n := range householdsAtATime + 1 {
			h := clinic.Household{ID: uuid.UUID{2, byte(n >> 8), byte(n)}, Clinic: of.ID, Created: started}
			require.NoError(t, tx.AddHousehold(ctx, h))
			var entries []clinic.StoredEntry
			for len(entries) < counts[n] {
				ids = append(ids, uuid.New())
				entries = append(entries, clinic.StoredEntry{
					Rev: int64(len(entries) + 1), ID: ids[len(ids)-1], Status: practice.Accepted, Received: started, Stored: started,
				})
			}
			require.NoError(t, tx.AppendEntries(ctx, h.ID, entries, nil))
		}
		return nil
	}))
	return ids
}

// TestALogThatIsLeftIsRead: a server that was killed leaves much of what it has acknowledged in the log beside the file.
func TestALogThatIsLeftIsRead(t *testing.T) {
	t.Parallel()
	store := newStore(t)
	storetest.Filled(t, store)
	want, _ := carriedFrom(t, openSource(t, store.path))
	left := filepath.Join(t.TempDir(), "left.db")
	for _, part := range []string{"", "-wal"} {
		content, err := os.ReadFile(store.path + part)
		require.NoError(t, err)
		require.NotEmpty(t, content)
		require.NoError(t, os.WriteFile(left+part, content, 0o600)) //nolint:gosec // G703: in a folder of the test's own
	}
	got, _ := carriedFrom(t, openSource(t, left))
	assert.Equal(t, want, got)
	for _, part := range []string{"", "-wal"} {
		before, err := os.ReadFile(store.path + part)
		require.NoError(t, err)
		after, err := os.ReadFile(left + part)
		require.NoError(t, err)
		assert.True(t, slices.Equal(before, after), "as it was left: %q", part)
	}
}
