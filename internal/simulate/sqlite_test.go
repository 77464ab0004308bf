package simulate

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/sqlite"
)

// sqliteEngine makes storages that are SQLite files. Their snapshots are files too. A storage that has been closed serves
// again: what the next schedule begins with takes the place of all that is in it, as a restore does it.
type sqliteEngine struct {
	folder string
	fresh  bool // each storage is a file of its own, deleted when it is closed: a restore takes nothing away from a trail
	made   atomic.Uint64

	mu   sync.Mutex
	idle []*sqliteStorage
}

var _ Engine = (*sqliteEngine)(nil)

func newSQLiteEngine(t *testing.T) *sqliteEngine {
	e := &sqliteEngine{folder: t.TempDir()}
	t.Cleanup(func() {
		for s := e.takeIdle(); s != nil; s = e.takeIdle() {
			require.NoError(t, s.Store.Close())
		}
	})
	return e
}

func (e *sqliteEngine) takeIdle() (s *sqliteStorage) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if last := len(e.idle) - 1; last >= 0 {
		s, e.idle = e.idle[last], e.idle[:last]
	}
	return s
}

func (e *sqliteEngine) file(kind string) string {
	return filepath.Join(e.folder, fmt.Sprintf("%s-%d.db", kind, e.made.Add(1)))
}

// New implements Engine.
func (e *sqliteEngine) New(ctx context.Context) (Storage, error) {
	storage, err := e.open(ctx, e.file("store"))
	if err != nil {
		return nil, err
	}
	if err := storage.Migrate(ctx); err != nil {
		return nil, errors.Join(err, storage.Close())
	}
	return storage, nil
}

// From implements Engine.
func (e *sqliteEngine) From(ctx context.Context, snapshot Snapshot) (Storage, error) {
	s := e.takeIdle()
	if path, is := snapshot.(string); is && e.fresh {
		return e.copied(ctx, path)
	}
	if s == nil {
		fresh, err := e.New(ctx)
		if err != nil {
			return nil, err
		}
		return fresh, fresh.Restore(snapshot)
	}
	return s, s.Restore(snapshot)
}

// copied returns a storage that is a copy of a snapshot.
func (e *sqliteEngine) copied(ctx context.Context, snapshot string) (Storage, error) {
	content, err := os.ReadFile(snapshot)
	if err != nil {
		return nil, err
	}
	path := e.file("store")
	if err := os.WriteFile(path, content, 0o600); err != nil { //nolint:gosec // G703: a name of our own in a folder of our own
		return nil, err
	}
	return e.open(ctx, path)
}

func (e *sqliteEngine) open(ctx context.Context, path string) (*sqliteStorage, error) {
	store, err := sqlite.Open(ctx, path, sqlite.Options{
		Logger:  slog.New(slog.DiscardHandler),
		NewID:   func() uuid.UUID { return firstEpoch },
		Now:     func() time.Time { return began },
		Readers: 1,
	})
	if err != nil {
		return nil, err
	}
	return &sqliteStorage{store, e, path}, nil
}

// sqliteStorage is one file.
type sqliteStorage struct {
	*sqlite.Store
	engine *sqliteEngine
	path   string
}

// Snapshot implements Storage as the backup command does.
func (s *sqliteStorage) Snapshot() (Snapshot, error) {
	path := s.engine.file("backup")
	return path, s.BackUp(context.Background(), path)
}

// Restore implements Storage as the restore command does, but for what it tells anybody about it.
func (s *sqliteStorage) Restore(snapshot Snapshot) error {
	from, ok := snapshot.(string)
	if !ok {
		return errForeignSnapshot
	}
	return s.Replace(context.Background(), sqlite.Replacement{
		From:   from,
		Before: func(context.Context) error { return nil },
		After:  func(context.Context, clinic.Tx) error { return nil },
	})
}

// Close implements Storage.
func (s *sqliteStorage) Close() error {
	if s.engine.fresh {
		return errors.Join(s.Store.Close(), os.Remove(s.path))
	}
	s.engine.mu.Lock()
	defer s.engine.mu.Unlock()
	s.engine.idle = append(s.engine.idle, s)
	return nil
}
