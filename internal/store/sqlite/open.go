package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/google/uuid"
	"modernc.org/sqlite"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

const (
	defaultReaders     = 4
	defaultBusyTimeout = 10 * time.Second
	ownerOnly          = 0o600
)

// Options are what a store needs from outside.
type Options struct {
	Logger *slog.Logger
	// NewID makes the epoch of a new database.
	NewID func() uuid.UUID
	// Now says when a migration was applied, and how long a commit takes.
	Now func() time.Time
	// Readers is how many transactions can read at the same time; 0 stands for 4.
	Readers int
	// BusyTimeout is how long a writer waits for another process; 0 stands for 10 s.
	BusyTimeout time.Duration
}

// How much of the file each connection has at hand. What is looked at in every transaction is a few hundred pages, the upper ones of
// indexes; the rest is of one family, whose turn comes again after hundreds of others, and the system has the file in memory too. So more
// would be filled, and save next to no reading.
const (
	writersCache = "cache_size(-4096)" // 4 MiB
	readersCache = "cache_size(-512)"
)

// What the settings of connections differ in. What undoes a statement of the writer that fails half-way is kept in memory, not in another
// file.
var (
	writersOwn = url.Values{"_pragma": {writersCache, "temp_store(memory)", "wal_autocheckpoint(4000)"}}
	readersOwn = url.Values{"_pragma": {readersCache}, "_query_only": {"on"}}
)

// Store is a SQLite file. It is safe for use by several goroutines.
type Store struct {
	options Options
	path    string
	writer  *pool            // of one connection
	queue   queue            // for it
	commits [2]time.Duration // how long the last two took; for who has the turn
	readers *pool
}

var _ clinic.Store = (*Store)(nil)

// Open opens the file at path, or creates it, readable for its owner only. It returns ErrNewer or ErrAltered where the
// schema is not one of this program's. An older schema it leaves as it is; see Migrate.
func Open(ctx context.Context, path string, options Options) (*Store, error) {
	if options.Readers == 0 {
		options.Readers = defaultReaders
	}
	if options.BusyTimeout == 0 {
		options.BusyTimeout = defaultBusyTimeout
	}
	if err := syncDataOnly(); err != nil {
		return nil, err
	}
	path, err := create(path)
	if err != nil {
		return nil, err
	}
	s := &Store{options: options, path: path}
	if s.writer, err = openPool(s.address(writersOwn), 1); err != nil {
		return nil, err
	}
	if s.readers, err = openPool(s.address(readersOwn), options.Readers); err != nil {
		return nil, errors.Join(err, s.writer.close())
	}
	if err := s.firstLook(ctx); err != nil {
		return nil, errors.Join(explained(err, path), s.Close())
	}
	return s, nil
}

// syncDataOnly has a commit wait for what is needed to read it back, and not for when the file was changed: fdatasync in place of fsync, as in
// SQLite where its own configure script has built it. It holds for the whole process. On some systems there is but one of the two.
func syncDataOnly() error {
	if _, err := sqlite.Fdatasync(true); err != nil && !errors.Is(err, sqlite.ErrFdatasyncUnavailable) {
		return fmt.Errorf("choose how commits wait for the disk: %w", err)
	}
	return nil
}

// lookAgain is how long to wait before a database that was busy is looked at again.
const lookAgain = 10 * time.Millisecond

// firstLook checks the schema over the first connection, which switches a new file to the write-ahead log. While another
// process does the same, SQLite answers at once that the file is locked, whatever the busy timeout: so it is waited for here.
func (s *Store) firstLook(ctx context.Context) error {
	waiting, cancel := context.WithTimeout(ctx, s.options.BusyTimeout)
	defer cancel()
	for {
		err := s.checkSchema(ctx)
		if !isBusy(err) {
			return err
		}
		select {
		case <-waiting.Done():
			return err
		case <-time.After(lookAgain):
		}
	}
}

// roomToStart is how many bytes SQLite needs beside the file to begin with, for what the connections share.
const roomToStart = 32 << 10

// explained adds to an error why nothing can be written beside the file, where SQLite keeps its log, since SQLite itself
// only says that it could not.
func explained(err error, path string) error {
	if kind := fault.KindOf(err); kind != fault.Unavailable && kind != fault.OutOfSpace {
		return err
	}
	if why := writeBeside(path); why != nil {
		return fmt.Errorf("%w; nothing can be written beside the file: %w", err, why)
	}
	return err
}

func writeBeside(path string) error {
	file, err := os.CreateTemp(filepath.Dir(path), ".swallowtail-*")
	if err != nil {
		return err
	}
	_, err = file.Write(make([]byte, roomToStart))
	return errors.Join(err, file.Close(), os.Remove(file.Name())) //nolint:gosec // G703: made here, beside the operator's file
}

// Close waits for running statements and closes the file.
func (s *Store) Close() error {
	return errors.Join(s.readers.close(), s.writer.close())
}

// create makes the file before SQLite does, which would let others read it, and returns its absolute path. What SQLite
// puts beside it has the same mode.
func create(path string) (string, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return "", fmt.Errorf("find database: %w", err)
	}
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, ownerOnly) //nolint:gosec // G304: the operator says where
	if err != nil {
		return "", cannotOpen(err)
	}
	if err := file.Close(); err != nil {
		return "", fmt.Errorf("create database: %w", err)
	}
	return path, nil
}

// address is the data source name of the file with every setting of a connection, and what differs for some. The driver
// applies the busy timeout first, so that switching to the write-ahead log waits for a process that is doing the same.
func (s *Store) address(differing url.Values) string {
	query := url.Values{
		"_busy_timeout": {strconv.FormatInt(s.options.BusyTimeout.Milliseconds(), 10)},
		"_journal_mode": {"WAL"},
		"_synchronous":  {"FULL"},
		"_foreign_keys": {"on"},
		"_txlock":       {"immediate"},
		"_dqs":          {"false"},
	}
	maps.Copy(query, differing)
	return (&url.URL{Scheme: "file", Path: filepath.ToSlash(s.path), RawQuery: query.Encode()}).String()
}

func openPool(address string, connections int) (*pool, error) {
	opener, err := sqlite.NewConnector(address)
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	db := sql.OpenDB(connector{opener})
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return &pool{db: db, connections: connections, taken: make(chan struct{}, connections)}, nil
}
