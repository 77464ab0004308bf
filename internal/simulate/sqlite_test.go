package simulate

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/sqlite"
)

// sqliteEngine makes storages that are SQLite files. Their snapshots are files too.
type sqliteEngine struct {
	t      *testing.T
	folder string
	made   atomic.Uint64
}

var _ Engine = (*sqliteEngine)(nil)

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
func (e *sqliteEngine) From(ctx context.Context, s Snapshot) (Storage, error) {
	from, ok := s.(string)
	if !ok {
		return nil, errForeignSnapshot
	}
	data, err := os.ReadFile(from)
	if err != nil {
		return nil, err
	}
	path := e.file("store")
	if err := os.WriteFile(path, data, 0o600); err != nil { //nolint:gosec // G703: the test's own folder
		return nil, err
	}
	return e.open(ctx, path)
}

func (e *sqliteEngine) open(ctx context.Context, path string) (*sqliteStorage, error) {
	var made atomic.Uint64
	store, err := sqlite.Open(ctx, path, sqlite.Options{
		Logger:  slog.New(slog.DiscardHandler),
		NewID:   func() uuid.UUID { return idOf(serverSpace, 1<<31+made.Add(1)) },
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
func (s sqliteStorage) Snapshot() (Snapshot, error) {
	path := s.engine.file("backup")
	return path, s.BackUp(context.Background(), path)
}

// Restore implements Storage as the restore command does, but for what it tells anybody about it.
func (s sqliteStorage) Restore(snapshot Snapshot) error {
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

// Close implements Storage. Nothing of the file is kept.
func (s sqliteStorage) Close() error {
	return errors.Join(s.Store.Close(), os.Remove(s.path))
}
