package main

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"modernc.org/sqlite"

	"swallowtail/api/client"
)

// baselineVariable makes the test binary the bare handler that the server is measured against, on a new database that it names.
const baselineVariable = "SWALLOWTAIL_TEST_BASELINE"

// bare takes an evening and makes it durable, and does nothing else: nobody is asked who they are, nothing is validated, folded or
// told to anyone. It is what this stack can do at most: the same HTTP library, the same decoder, the same database with the same
// durability.
type bare struct {
	store func(ctx context.Context, s bareSession) error // durable when it returns nil
}

// bareSQLite stores evenings in a SQLite file. Those that come together share a commit.
type bareSQLite struct {
	db       *sql.DB
	waiting  chan bareUpload
	next     int64                // the key of the last session
	prepared map[string]*sql.Stmt // by its text
}

// bareUpload is one evening that waits for its commit.
type bareUpload struct {
	session bareSession
	done    chan error
}

type bareSession struct {
	id, learner uuid.UUID
	recorded    string
	at          int64
	zone        string
	tries       []bareTry
}

type bareTry struct {
	id   uuid.UUID
	said client.TryBody
}

const bareSchema = `
CREATE TABLE session (
	key INTEGER PRIMARY KEY, learner BLOB NOT NULL, recorded TEXT NOT NULL, practised INTEGER NOT NULL, zone TEXT NOT NULL
) STRICT;
CREATE TABLE try (
	session INTEGER NOT NULL, nth INTEGER NOT NULL, position TEXT NOT NULL, number INTEGER NOT NULL, medium TEXT NOT NULL,
	size REAL NOT NULL, outcome TEXT NOT NULL, ease INTEGER NOT NULL, snags TEXT NOT NULL,
	PRIMARY KEY (session, nth)
) STRICT, WITHOUT ROWID;
CREATE TABLE entry (id BLOB PRIMARY KEY, session INTEGER NOT NULL, nth INTEGER NOT NULL) STRICT, WITHOUT ROWID;`

// serveBare serves a database, a file or one of PostgreSQL, until the process is told to end, and says where on standard output, as the
// server does.
func serveBare(db string) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	open := openBareSQLite
	if strings.HasPrefix(db, "postgres:") {
		open = openBarePostgres
	}
	store, err := open(ctx, db)
	if err != nil {
		return err
	}
	e := echo.New()
	e.POST("/v1/sync", bare{store: store}.sync)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	server := &http.Server{Handler: e, ReadHeaderTimeout: time.Second}
	go func() {
		<-ctx.Done()
		_ = server.Close() // it ends with the benchmark
	}()
	fmt.Fprintf(os.Stdout, "Swallowtail serves at http://%s\n", listener.Addr())
	if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

func openBareSQLite(ctx context.Context, path string) (store func(context.Context, bareSession) error, err error) {
	query := url.Values{"_journal_mode": {"WAL"}, "_synchronous": {"FULL"}, "_txlock": {"immediate"}, "_pragma": {
		"cache_size(-16384)", "wal_autocheckpoint(4000)",
	}}
	if _, err := sqlite.Fdatasync(true); err != nil && !errors.Is(err, sqlite.ErrFdatasyncUnavailable) { // as the store does
		return nil, err
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: path, RawQuery: query.Encode()}).String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(ctx, bareSchema); err != nil {
		return nil, err
	}
	b := &bareSQLite{db: db, waiting: make(chan bareUpload, 512), prepared: map[string]*sql.Stmt{}}
	go b.commit(ctx)
	return b.store, nil
}

// store waits for the commit that an evening is a part of.
func (b *bareSQLite) store(_ context.Context, s bareSession) error {
	u := bareUpload{session: s, done: make(chan error, 1)}
	b.waiting <- u
	return <-u.done
}

// sync answers once the evening is durable.
func (b bare) sync(c echo.Context) error {
	var body bytes.Buffer
	if _, err := body.ReadFrom(c.Request().Body); err != nil {
		return err
	}
	var r client.Request
	if err := json.Unmarshal(body.Bytes(), &r); err != nil {
		return err
	}
	session, err := bareSessionOf(r.Entries)
	if err != nil {
		return err
	}
	if err := b.store(c.Request().Context(), session); err != nil {
		return err
	}
	answer := client.Response{}
	for _, e := range r.Entries {
		answer.Results = append(answer.Results, client.Result{ID: e.ID, Status: client.Accepted})
	}
	encoded, err := json.Marshal(answer)
	if err != nil {
		return err
	}
	return c.JSONBlob(http.StatusOK, encoded)
}

// bareSessionOf decodes the entries of one evening, the session first.
func bareSessionOf(entries []client.Entry) (bareSession, error) {
	var s bareSession
	var said client.SessionBody
	for i, e := range entries {
		id, err := uuid.Parse(e.ID)
		if err != nil {
			return s, err
		}
		if i > 0 {
			try := bareTry{id: id}
			if err := json.Unmarshal(e.Body, &try.said); err != nil {
				return s, err
			}
			s.tries = append(s.tries, try)
			continue
		}
		if err := json.Unmarshal(e.Body, &said); err != nil {
			return s, err
		}
		if s.learner, err = uuid.Parse(e.LearnerID); err != nil {
			return s, err
		}
		s.id, s.recorded, s.at, s.zone = id, e.RecordedAt, said.PractisedAt.UnixMilli(), said.Timezone
	}
	return s, nil
}

// bareBatch is the most evenings of one commit.
const bareBatch = 64

// commit writes what waits, all that has come in one transaction, until ctx ends.
func (b *bareSQLite) commit(ctx context.Context) {
	for {
		var batch []bareUpload
		select {
		case <-ctx.Done():
			return
		case u := <-b.waiting:
			batch = append(batch, u)
		}
		for len(batch) < bareBatch && len(b.waiting) > 0 {
			batch = append(batch, <-b.waiting)
		}
		err := b.write(ctx, batch)
		for _, u := range batch {
			u.done <- err
		}
	}
}

// write writes a batch, many rows in one statement.
func (b *bareSQLite) write(ctx context.Context, batch []bareUpload) error {
	var sessions, tries, entries []any
	for _, u := range batch {
		b.next++
		s := &u.session
		sessions = append(sessions, b.next, s.learner[:], s.recorded, s.at, s.zone)
		entries = append(entries, s.id[:], b.next, 0)
		for i := range s.tries {
			t := &s.tries[i].said
			tries = append(tries, b.next, i+1, t.Position, t.Number, t.Medium, t.SizeMM, t.Outcome, t.Ease, strings.Join(t.Snags, " "))
			entries = append(entries, s.tries[i].id[:], b.next, i+1)
		}
	}
	var inserts [3]*sql.Stmt // prepared before the transaction, which has the only connection
	into := [3]struct {
		table  string
		width  int
		values []any
	}{{"session", 5, sessions}, {"try", 9, tries}, {"entry", 3, entries}}
	for i, rows := range into {
		var err error
		if inserts[i], err = b.insert(ctx, rows.table, rows.width, len(rows.values)/rows.width); err != nil { //nolint:sqlclosecheck // closed with the database
			return err
		}
	}
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // nothing once it has been committed
	for i, rows := range into {
		if _, err := tx.StmtContext(ctx, inserts[i]).ExecContext(ctx, rows.values...); err != nil { //nolint:sqlclosecheck // the transaction closes it
			return err
		}
	}
	return tx.Commit()
}

// insert returns the statement that inserts so many rows.
func (b *bareSQLite) insert(ctx context.Context, into string, width, rows int) (*sql.Stmt, error) {
	row := "(?" + strings.Repeat(",?", width-1) + ")"
	text := "INSERT INTO " + into + " VALUES " + row + strings.Repeat(","+row, rows-1) //nolint:gosec // G202: the names are the caller's own
	if known := b.prepared[text]; known != nil {
		return known, nil
	}
	statement, err := b.db.PrepareContext(ctx, text)
	b.prepared[text] = statement
	return statement, err
}

// TestTheBareHandlerStoresEveryRow keeps the handler that the service is measured against honest.
func TestTheBareHandlerStoresEveryRow(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "bare.db")
	store, err := openBareSQLite(t.Context(), path)
	require.NoError(t, err)
	pen := client.Pen{Now: time.Now, NewID: func() string { return newID().String() }}
	const evenings = 20
	var all sync.WaitGroup
	for range evenings {
		told := client.Evening{Learner: newID().String(), PractisedAt: time.Now(), Timezone: "Etc/UTC"}
		for _, position := range []string{"centre", "right", "left", "up", "down"} {
			told.Tries = append(told.Tries, client.Try{Position: position, Outcome: "swallowed", Ease: 4, Snags: []string{"water"}})
		}
		written, err := pen.Evening(told)
		require.NoError(t, err)
		session, err := bareSessionOf(written.Entries)
		require.NoError(t, err)
		all.Go(func() { assert.NoError(t, store(t.Context(), session)) })
	}
	all.Wait()
	file, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	for table, want := range map[string]int{"session": evenings, "try": 5 * evenings, "entry": 6 * evenings} {
		var rows int
		require.NoError(t, file.QueryRowContext(t.Context(), "SELECT count(*) FROM "+table).Scan(&rows))
		assert.Equal(t, want, rows, table)
	}
	require.NoError(t, file.Close())
}
