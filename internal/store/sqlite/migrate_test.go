package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/store/migration"
)

func epochOf(t *testing.T, s *Store) uuid.UUID {
	t.Helper()
	var id uuid.UUID
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) (err error) {
		id, err = v.Epoch(ctx)
		return err
	}))
	return id
}

func appliedTo(t *testing.T, db *sql.DB) (count int) {
	t.Helper()
	require.NoError(t, db.QueryRowContext(t.Context(), `SELECT count(*) FROM schema_migration`).Scan(&count))
	return count
}

func TestMigrateAgain(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "store.db")
	s := openAt(t, path)
	assert.Equal(t, fault.Unavailable, fault.KindOf(s.Ready(t.Context())), "not before it is migrated")
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.Ready(t.Context()))
	count, epoch := appliedTo(t, s.writer.db), epochOf(t, s)

	again := openAt(t, path)
	require.NoError(t, again.Ready(t.Context()))
	require.NoError(t, again.Migrate(t.Context()))
	assert.Equal(t, count, appliedTo(t, again.writer.db))
	assert.Equal(t, epoch, epochOf(t, again))
	var at int64
	require.NoError(t, again.readers.db.QueryRowContext(t.Context(), `SELECT max(applied) FROM schema_migration`).Scan(&at))
	assert.Equal(t, started.UnixMilli(), at)
}

// TestForeignSchemas changes a database under a running store and opens it anew.
func TestForeignSchemas(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change string
		want   error
	}{
		"newer":       {`INSERT INTO schema_migration VALUES (9999, '9999_later.sql', zeroblob(32), 0)`, ErrNewer},
		"another":     {`UPDATE schema_migration SET checksum = zeroblob(32) WHERE version = 1`, ErrAltered},
		"one missing": {`UPDATE schema_migration SET version = 0 WHERE version = 1`, ErrAltered},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "store.db")
			s := openAt(t, path)
			require.NoError(t, s.Migrate(t.Context()))
			_, err := s.writer.db.ExecContext(t.Context(), c.change)
			require.NoError(t, err)

			require.ErrorIs(t, s.Ready(t.Context()), c.want)
			require.ErrorIs(t, s.Migrate(t.Context()), c.want)
			_, err = Open(t.Context(), path, testOptions(t))
			require.ErrorIs(t, err, c.want)
		})
	}
}

func TestOpenWhatIsNoDatabase(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "store.db")
	require.NoError(t, os.WriteFile(path, bytes.Repeat([]byte("no database "), 1000), 0o600))
	_, err := Open(t.Context(), path, testOptions(t))
	require.Error(t, err)

	_, err = Open(t.Context(), filepath.Join(t.TempDir(), "no", "folder.db"), testOptions(t))
	assert.Equal(t, fault.Unavailable, fault.KindOf(err))
}

// TestMigrationThatFails leaves the ones before it applied, and nothing of its own.
func TestMigrationThatFails(t *testing.T) {
	t.Parallel()
	good := `CREATE TABLE parent (k INTEGER PRIMARY KEY) STRICT; CREATE TABLE child (k INTEGER REFERENCES parent) STRICT;`
	for name, bad := range map[string]string{
		"no SQL":                     `CREATE TABLE half (k INTEGER) STRICT; CREATE TABEL other;`,
		"rows that refer to nothing": `PRAGMA defer_foreign_keys = on; CREATE TABLE half (k INTEGER) STRICT; INSERT INTO child VALUES (7);`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			known, err := migration.Load(fstest.MapFS{
				"sqlite/0001_good.sql": {Data: []byte(good)}, "sqlite/0002_bad.sql": {Data: []byte(bad)},
			}, "sqlite")
			require.NoError(t, err)
			s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
			require.ErrorContains(t, s.migrate(t.Context(), known), "0002_bad.sql")
			assert.Equal(t, 1, appliedTo(t, s.writer.db))
			var tables int
			require.NoError(t, s.writer.db.QueryRowContext(t.Context(),
				`SELECT count(*) FROM sqlite_schema WHERE name IN ('child', 'half')`).Scan(&tables))
			assert.Equal(t, 1, tables)
		})
	}
}

func TestTwoStoresMigrateAtOnce(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "store.db")
	var stores sync.WaitGroup
	for range 8 {
		stores.Go(func() {
			s, err := Open(t.Context(), path, testOptions(t))
			if assert.NoError(t, err) {
				assert.NoError(t, s.Migrate(t.Context()))
				assert.NoError(t, s.Close())
			}
		})
	}
	stores.Wait()
	assertMigratedOnce(t, path)
}

func assertMigratedOnce(t *testing.T, path string) {
	t.Helper()
	s := openAt(t, path)
	require.NoError(t, s.Ready(t.Context()))
	known, err := known()
	require.NoError(t, err)
	assert.Equal(t, len(known), appliedTo(t, s.writer.db))
	assert.NotEqual(t, uuid.Nil, epochOf(t, s))
}

// childPath names the database that a child process is to migrate.
const childPath = "SWALLOWTAIL_TEST_MIGRATE"

// TestProcessesMigrateAtOnce starts this test anew in processes of its own, which the locks of one process don't keep
// apart.
func TestProcessesMigrateAtOnce(t *testing.T) {
	t.Parallel()
	if path := os.Getenv(childPath); path != "" {
		require.NoError(t, openAt(t, path).Migrate(t.Context()))
		return
	}
	program, err := os.Executable()
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "store.db")
	var processes sync.WaitGroup
	for range 4 {
		processes.Go(func() {
			child := exec.CommandContext(t.Context(), program, "-test.run=^TestProcessesMigrateAtOnce$", "-test.timeout=1m")
			child.Env = append(os.Environ(), childPath+"="+path)
			output, err := child.CombinedOutput()
			assert.NoError(t, err, "%s", output)
		})
	}
	processes.Wait()
	assertMigratedOnce(t, path)
}
