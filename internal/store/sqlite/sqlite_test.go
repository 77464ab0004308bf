package sqlite

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"modernc.org/sqlite"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/sqlite/sqlitetest"
	"swallowtail/internal/store/storetest"
)

var started = time.Date(2027, time.March, 1, 12, 0, 0, 0, time.UTC)

func testOptions(t testing.TB) Options {
	return Options{
		Logger: slog.New(slog.NewTextHandler(t.Output(), nil)),
		NewID:  uuid.New,
		Now:    func() time.Time { return started },
	}
}

// openAt opens the store at a path for the length of the test, without migrating it.
func openAt(t testing.TB, path string) *Store {
	t.Helper()
	s, err := Open(t.Context(), path, testOptions(t))
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	return s
}

// newStore opens a new store.
func newStore(t testing.TB) *Store {
	t.Helper()
	path := filepath.Join(t.TempDir(), "store.db")
	sqlitetest.Begin(t, path, func(ctx context.Context, path string) (sqlitetest.Database, error) {
		return Open(ctx, path, testOptions(t))
	})
	s := openAt(t, path)
	require.NoError(t, s.Migrate(t.Context()))
	return s
}

func TestStore(t *testing.T) {
	t.Parallel()
	storetest.Exercise(t, func(t *testing.T) clinic.Store {
		s := newStore(t)
		t.Cleanup(func() { assertNoScans(t, s) })
		return s
	})
}

// TestEveryConnection looks at several connections of each pool at once, so that each must have been set up by itself.
func TestEveryConnection(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	for name, pool := range map[string]struct {
		*pool
		connections int
		queryOnly   string
		cache, temp string
	}{
		"writer": {s.writer, 1, "0", "-4096", "2"}, "readers": {s.readers, defaultReaders, "1", "-512", "0"},
	} {
		require.Equal(t, pool.connections, pool.db.Stats().MaxOpenConnections, name)
		for range pool.connections {
			c, err := pool.db.Conn(t.Context())
			require.NoError(t, err)
			defer c.Close() //nolint:errcheck // only read from
			for pragma, want := range map[string]string{
				"synchronous": "2", "foreign_keys": "1", "journal_mode": "wal", "busy_timeout": "10000", "query_only": pool.queryOnly,
				"cache_size": pool.cache, "temp_store": pool.temp,
			} {
				var got string
				require.NoError(t, c.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got))
				assert.Equal(t, want, got, "%s: %s", name, pragma)
			}
		}
		assert.Equal(t, pool.connections, pool.db.Stats().InUse, name)
	}
}

// TestCommitsWaitForWhatIsReadBack opens a store after somebody has chosen otherwise, where there is a choice.
func TestCommitsWaitForWhatIsReadBack(t *testing.T) {
	t.Parallel()
	_, err := sqlite.Fdatasync(false)
	openAt(t, filepath.Join(t.TempDir(), "store.db"))
	assert.Equal(t, err == nil, sqlite.FdatasyncEnabled())
}

func TestFilesAreTheOwnersOnly(t *testing.T) {
	t.Parallel()
	// Everything that an address could take for something else.
	path := filepath.Join(t.TempDir(), "a store?mode=memory&x=%41#1.db")
	s := openAt(t, path)
	require.NoError(t, s.Migrate(t.Context()))
	entries, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	var names []string
	for _, entry := range entries {
		info, err := entry.Info()
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), entry.Name())
		names = append(names, entry.Name())
	}
	base := filepath.Base(path)
	assert.Equal(t, []string{base, base + "-shm", base + "-wal"}, names)
}

func TestWhatWasCommittedIsThereAfterOpeningAgain(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "store.db")
	want := clinic.Clinic{ID: uuid.New(), Name: "Clinic", Created: started}
	s, err := Open(t.Context(), path, testOptions(t))
	require.NoError(t, err)
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, want) }))
	require.NoError(t, s.Close())

	require.NoError(t, openAt(t, path).Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		got, err := v.Clinic(ctx, want.ID)
		assert.Equal(t, want, got)
		return err
	}))
}

// TestBesideAnother writes with one store while another has the same file open, as a command beside a server does.
func TestBesideAnother(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "store.db")
	server, command := openAt(t, path), openAt(t, path)
	require.NoError(t, server.Migrate(t.Context()))
	add := func(s *Store) uuid.UUID {
		id := uuid.New()
		require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddClinic(ctx, clinic.Clinic{ID: id, Created: started})
		}))
		return id
	}
	for range 3 {
		for _, pair := range [][2]*Store{{server, command}, {command, server}} {
			id := add(pair[0])
			require.NoError(t, pair[1].Read(t.Context(), func(ctx context.Context, v clinic.View) error {
				_, err := v.Clinic(ctx, id)
				return err
			}))
		}
	}
}
