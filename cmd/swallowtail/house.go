package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
	"swallowtail/internal/store/sqlite"
)

// house is a store opened and migrated, its journal and its keys, and the use cases over them.
type house struct {
	store   *sqlite.Store
	journal *journal.File
	keys    *access.Keys
	service *clinic.Service
	log     *slog.Logger
	bounds  bounds
	edges   edges
}

// failureTime is several times what checking a password and noting that it was wrong takes.
const failureTime = 500 * time.Millisecond

// What lies beside a database, by what is added to its name.
const (
	keysBeside    = ".keys"
	journalBeside = ".journal"
)

// openHouse opens the database that --db names, and the keys and the journal beside it.
func openHouse(ctx context.Context, db string, log *slog.Logger, now func() time.Time) (*house, error) {
	return (&call{}).openHouse(ctx, db, log, now)
}

// openHouse opens the database that --db names, the journal beside it, and the keys beside it or where --keys says.
func (c *call) openHouse(ctx context.Context, db string, log *slog.Logger, now func() time.Time) (*house, error) {
	path, err := databasePath(db)
	if err != nil {
		return nil, err
	}
	store, err := sqlite.Open(ctx, path, storeOptions(log, now))
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	h := &house{store: store, log: log, bounds: usualBounds()}
	if err := h.furnish(ctx, path, c.keyFile(path), now); err != nil {
		return nil, errors.Join(err, store.Close())
	}
	return h, nil
}

func (h *house) furnish(ctx context.Context, path, keys string, now func() time.Time) error {
	if err := h.store.Migrate(ctx); err != nil {
		return fmt.Errorf("migrate database: %w", err)
	}
	var err error
	if h.keys, err = access.LoadOrCreateKeys(keys, rand.Reader, now()); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	if h.journal, err = journal.Open(path+journalBeside, newID); err != nil {
		return err
	}
	h.service = clinic.New(clinic.Config{
		Store: h.store, Journal: h.journal, Keys: h.keys, Random: rand.Reader, NewID: newID,
		PasswordCost: access.DefaultPasswordCost(), Log: h.log, FailureTime: failureTime,
	})
	if err := h.service.Prepare(ctx, now()); err != nil {
		return fmt.Errorf("prepare database: %w", err)
	}
	return nil
}

func (h *house) close() error {
	if err := h.store.Close(); err != nil {
		return fmt.Errorf("close database: %w", err)
	}
	return nil
}

// databasePath returns the file that --db names.
func databasePath(db string) (string, error) {
	if scheme, rest, found := strings.Cut(db, ":"); found && len(scheme) > 1 {
		if scheme != "sqlite" {
			return "", fmt.Errorf("--db %s:…: only SQLite is stored in here: give a file, or sqlite:FILE", scheme)
		}
		db = rest
	}
	if db == "" {
		return "", errors.New("--db names no file")
	}
	return db, nil
}

// newID returns an id that sorts by the time it was made (RFC 9562, version 7).
func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

// storeOptions are those of every database that is opened.
func storeOptions(log *slog.Logger, now func() time.Time) sqlite.Options {
	return sqlite.Options{Logger: log, NewID: newID, Now: now}
}

// logger writes for people who run the service: ids and routes only.
func logger(s streams, level slog.Level) *slog.Logger {
	return slog.New(discreet{slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: level})})
}

// openThere opens a database that is there, as it is, with nothing beside it, and returns where it is.
func openThere(ctx context.Context, db string, log *slog.Logger) (store *sqlite.Store, path string, err error) {
	if path, err = databasePath(db); err != nil {
		return nil, "", err
	}
	if _, err := os.Stat(path); err != nil {
		return nil, "", fmt.Errorf("there is no database to work on: %w", err)
	}
	if store, err = sqlite.Open(ctx, path, storeOptions(log, time.Now)); err != nil {
		return nil, "", fmt.Errorf("open database: %w", err)
	}
	return store, path, nil
}

// withHouse runs an operator's command on a database that is there, beside whatever server runs.
func (c *call) withHouse(ctx context.Context, db string, do func(h *house, now time.Time) error) error {
	path, err := databasePath(db)
	if err != nil {
		return err
	}
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("there is no database to work on: %w", err)
	}
	return c.withNewHouse(ctx, db, do)
}

// withNewHouse runs an operator's command on a database, which it makes where there is none.
func (c *call) withNewHouse(ctx context.Context, db string, do func(h *house, now time.Time) error) error {
	h, err := c.openHouse(ctx, db, logger(c.streams, slog.LevelWarn), time.Now)
	if err != nil {
		return err
	}
	return errors.Join(do(h, time.Now()), h.close())
}
