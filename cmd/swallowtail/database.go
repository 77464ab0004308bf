package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/postgres"
	"swallowtail/internal/store/sqlite"
)

// store is a database that is open, whatever keeps it.
type store interface {
	clinic.Store
	Migrate(ctx context.Context) error
	Inspect(ctx context.Context) ([]string, error)
	Close() error
}

// database is what --db names: a file of SQLite, or a database of PostgreSQL. One of the two is empty.
type database struct {
	file    string
	address string // may hold a password, and is shown to nobody
}

// namedDatabase reads what --db names.
func namedDatabase(db string) (database, error) {
	scheme, rest, found := strings.Cut(db, ":")
	switch {
	case !found || len(scheme) <= 1: // a file, or one on a drive with a letter
	case scheme == "sqlite":
		db = rest
	case scheme == "postgres" || scheme == "postgresql":
		return database{address: db}, nil
	default:
		return database{}, fmt.Errorf("--db %s:…: give a file, sqlite:FILE, or postgres://… for PostgreSQL", scheme)
	}
	if db == "" {
		return database{}, errors.New("--db names no file")
	}
	return database{file: db}, nil
}

// growth returns by how many per cent the heap of a server grows before it is collected.
func (d database) growth() int {
	if d.file == "" {
		return growthElsewhere
	}
	return growthBesideFile
}

// databaseFile returns the file that --db names, for what is done with SQLite alone. instead says what is to be used with PostgreSQL.
func databaseFile(db, instead string) (string, error) {
	d, err := namedDatabase(db)
	if err == nil && d.file == "" {
		err = fmt.Errorf("this is for a database in a file: with PostgreSQL %s", instead)
	}
	return d.file, err
}

// open opens the database, whose schema it leaves as it is. A file is made where there is none; a database of PostgreSQL must be there.
func (d database) open(ctx context.Context, log *slog.Logger, now func() time.Time) (store, error) {
	var opened store
	var err error
	if d.file == "" {
		opened, err = postgres.Open(ctx, d.address, postgres.Options{Logger: log, NewID: newID, Now: now})
	} else {
		opened, err = sqlite.Open(ctx, d.file, storeOptions(log, now))
	}
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	return opened, nil
}

// there returns an error where there is no database to work on yet.
func (d database) there() error {
	if d.file == "" {
		return nil // opening it says so
	}
	if _, err := os.Stat(d.file); err != nil {
		return fmt.Errorf("there is no database to work on: %w", err)
	}
	return nil
}

// openThere opens a database that is there, as it is, with nothing beside it.
func openThere(ctx context.Context, d database, log *slog.Logger) (store, error) {
	if err := d.there(); err != nil {
		return nil, err
	}
	return d.open(ctx, log, time.Now)
}

// errNoKeyFile answers who names no key file for a database beside which there is no place for one.
var errNoKeyFile = errors.New("with PostgreSQL the key file is to be named: --keys FILE, the same on every server")

// keyFile returns the key file that goes with a database: the one beside it, unless --keys names another.
func (c *call) keyFile(d database) (string, error) {
	if d.file == "" && (c.keys == nil || *c.keys == "") {
		return "", errNoKeyFile
	}
	return c.keysOf(d.file), nil
}

// keysOf returns the key file that goes with a database in a file.
func (c *call) keysOf(file string) string {
	if c.keys != nil && *c.keys != "" {
		return *c.keys
	}
	return file + keysBeside
}

// noJournal stands where no journal is kept: beside a database of PostgreSQL, which is gone back by its own backups and whose servers
// share no file.
type noJournal struct{}

// ID implements clinic.Journal.
func (noJournal) ID() uuid.UUID { return uuid.Nil }

// Append implements clinic.Journal.
func (noJournal) Append(context.Context, clinic.JournalRecord) error { return nil }
