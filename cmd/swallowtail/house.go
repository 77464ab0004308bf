package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
	"swallowtail/internal/store/sqlite"
)

// house is a store opened and migrated, its keys, and the use cases over them.
type house struct {
	store   store
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
	d, err := namedDatabase(db)
	if err != nil {
		return nil, err
	}
	keys, err := c.keyFile(d)
	if err != nil {
		return nil, err
	}
	store, err := d.open(ctx, log, now)
	if err != nil {
		return nil, err
	}
	h := &house{store: store, log: log, bounds: usualBounds()}
	if err := h.furnish(ctx, d, keys, now); err != nil {
		return nil, errors.Join(err, store.Close())
	}
	return h, nil
}

func (h *house) furnish(ctx context.Context, d database, keys string, now func() time.Time) error {
	if err := h.store.Migrate(ctx); err != nil {
		return fmt.Errorf("migrate database: %w", err)
	}
	var err error
	if h.keys, err = h.loadKeys(ctx, d, keys, now); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	var beside clinic.Journal = noJournal{}
	if d.file != "" {
		if beside, err = journal.Open(d.file+journalBeside, newID); err != nil {
			return err
		}
	}
	hints, _ := h.store.(clinic.Hints) // a file's servers look
	h.service = clinic.New(clinic.Config{
		Store: h.store, Hints: hints, Journal: beside, Keys: h.keys, Random: rand.Reader, NewID: newID,
		PasswordCost: access.DefaultPasswordCost(), Log: h.log, FailureTime: failureTime,
	})
	if err := h.service.Prepare(ctx, now()); err != nil {
		return fmt.Errorf("prepare database: %w", err)
	}
	return nil
}

// loadKeys reads the key file, or makes it. Where many servers work on one database, one that made keys of its own would understand
// nothing that the others signed or hashed: so for PostgreSQL none are made once there is a clinic.
func (h *house) loadKeys(ctx context.Context, d database, file string, now func() time.Time) (*access.Keys, error) {
	if d.file != "" {
		return access.LoadOrCreateKeys(file, rand.Reader, now())
	}
	var clinics []uuid.UUID
	err := h.store.Read(ctx, func(ctx context.Context, view clinic.View) (err error) {
		clinics, err = view.ClinicIDs(ctx, clinic.Page{Limit: 1})
		return err
	})
	if err != nil {
		return nil, err
	}
	if len(clinics) == 0 {
		return access.LoadOrCreateKeys(file, rand.Reader, now())
	}
	keys, err := access.LoadKeys(file)
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w: take the file of a server that works on this database", err)
	}
	return keys, err
}

func (h *house) close() error {
	if err := h.store.Close(); err != nil {
		return fmt.Errorf("close database: %w", err)
	}
	return nil
}

// newID returns an id that sorts by the time it was made (RFC 9562, version 7).
func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

// storeOptions are those of every file that is opened.
func storeOptions(log *slog.Logger, now func() time.Time) sqlite.Options {
	return sqlite.Options{Logger: log, NewID: newID, Now: now}
}

// logger writes for people who run the service: ids and routes only.
func logger(s streams, level slog.Level) *slog.Logger {
	return slog.New(discreet{slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: level})})
}

// withHouse runs an operator's command on a database that is there, beside whatever server runs.
func (c *call) withHouse(ctx context.Context, db string, do func(h *house, now time.Time) error) error {
	d, err := namedDatabase(db)
	if err != nil {
		return err
	}
	if err := d.there(); err != nil {
		return err
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
