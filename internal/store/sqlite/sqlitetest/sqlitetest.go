// Package sqlitetest gives tests new SQLite databases without the wait for every migration. It is for tests.
package sqlitetest

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// Database is what is opened to be migrated.
type Database interface {
	Migrate(ctx context.Context) error
	Close() error
}

var blank struct {
	sync.Mutex
	content []byte
}

// Begin puts a new database at path, with the schema and nothing else: whoever migrates it then has nothing left to do but to name its
// history. One is migrated for all tests of a process, and the others are copies. A database that is there already stays as it is.
func Begin(t testing.TB, path string, open func(ctx context.Context, path string) (Database, error)) {
	t.Helper()
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600) //nolint:gosec // G304: in a test's own folder
	if errors.Is(err, fs.ErrExist) {
		return
	}
	require.NoError(t, err)
	_, err = file.Write(migrated(t, open))
	require.NoError(t, errors.Join(err, file.Close()))
}

func migrated(t testing.TB, open func(ctx context.Context, path string) (Database, error)) []byte {
	t.Helper()
	blank.Lock()
	defer blank.Unlock()
	if blank.content != nil {
		return blank.content
	}
	path := filepath.Join(t.TempDir(), "blank.db")
	store, err := open(t.Context(), path)
	require.NoError(t, err)
	require.NoError(t, errors.Join(store.Migrate(t.Context()), store.Close()))
	forgetHistory(t, path)
	content, err := os.ReadFile(path) //nolint:gosec // G304: made above
	require.NoError(t, err)
	blank.content = content
	return content
}

// forgetHistory takes away the name of a history, which is each database's own.
func forgetHistory(t testing.TB, path string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), `DELETE FROM meta`)
	require.NoError(t, errors.Join(err, db.Close()))
}
