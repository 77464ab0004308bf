package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"

	"swallowtail/internal/clinic"
)

var (
	// ErrOlder answers a database that lacks a migration of this program's.
	ErrOlder = errors.New("the database has an older schema than this program's")
	// ErrForeign answers a database to which no migration of this program was ever applied.
	ErrForeign = errors.New("this is a database, but none of this program's")
)

// Source is a SQLite file that is only read, so that all it holds can be carried into another store. Others may read and write it
// meanwhile.
type Source struct {
	store *Store    // which has no writer
	watch *sql.Conn // by which it is noticed that others have written
	told  int64     // the version when Tell began
}

// OpenSource opens a file that is there and has this program's schema: otherwise it returns ErrOlder, ErrNewer, ErrAltered,
// ErrForeign or ErrDamaged. In the file nothing is changed. Where no one else has it open, SQLite may leave two files without content
// beside it, as its way of reading the log is.
func OpenSource(ctx context.Context, path string, options Options) (*Source, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("find database: %w", err)
	}
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	if options.BusyTimeout == 0 {
		options.BusyTimeout = defaultBusyTimeout
	}
	s := &Source{store: &Store{options: options, path: path}}
	if s.store.readers, err = openPool(s.store.addressToRead(), 2); err != nil {
		return nil, err
	}
	if s.watch, err = s.store.readers.db.Conn(ctx); err != nil {
		return nil, errors.Join(explained(translated(err), path), s.store.readers.close())
	}
	if err := s.checkSchema(ctx); err != nil {
		return nil, errors.Join(explained(err, path), s.Close())
	}
	return s, nil
}

// addressToRead is the data source name for connections that may do nothing but read. Unlike address it doesn't switch a file to the
// write-ahead log.
func (s *Store) addressToRead() string {
	query := url.Values{
		"_busy_timeout": {strconv.FormatInt(s.options.BusyTimeout.Milliseconds(), 10)},
		"_query_only":   {"on"},
		"_dqs":          {"false"},
		"mode":          {"ro"},
	}
	return (&url.URL{Scheme: "file", Path: filepath.ToSlash(s.path), RawQuery: query.Encode()}).String()
}

func (s *Source) checkSchema(ctx context.Context) error {
	known, err := known()
	if err != nil {
		return err
	}
	pending, err := pendingOf(ctx, s.watch, known)
	switch {
	case err != nil:
		return fmt.Errorf("check schema: %w", err)
	case len(pending) == len(known):
		return ErrForeign
	case len(pending) > 0:
		return fmt.Errorf("%w: it lacks migration %s", ErrOlder, pending[0].Name)
	}
	return nil
}

// Tell runs fn against the file as it is at one moment.
func (s *Source) Tell(ctx context.Context, fn func(ctx context.Context, all *Snapshot) error) error {
	var err error
	if s.told, err = s.version(ctx); err != nil {
		return err
	}
	w, err := s.store.readers.begin(ctx, true)
	if err != nil {
		return err
	}
	defer s.store.rollBack(ctx, w)
	return fn(ctx, &Snapshot{w.tx})
}

// WrittenSince reports whether others have written to the file since Tell began.
func (s *Source) WrittenSince(ctx context.Context) (bool, error) {
	now, err := s.version(ctx)
	return now != s.told, err
}

// version is a number that is another once anybody else has written.
func (s *Source) version(ctx context.Context) (n int64, err error) {
	err = s.watch.QueryRowContext(ctx, `PRAGMA data_version`).Scan(&n)
	return n, translated(err)
}

// Close closes the file.
func (s *Source) Close() error { return errors.Join(s.watch.Close(), s.store.readers.close()) }

// Snapshot is what a file holds at one moment.
type Snapshot struct{ tx *transaction }

// Read runs fn against what the file holds, as Store.Read does. What fn has read is remembered until it ends, and no longer.
func (s *Snapshot) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	w := newWork(s.tx)
	defer func() { w.ended = true }()
	return fn(ctx, view{w})
}
