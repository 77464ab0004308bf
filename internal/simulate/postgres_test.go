package simulate

import (
	"context"
	"log/slog"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/store/postgres"
	"swallowtail/internal/store/postgres/postgrestest"
)

// postgresEngine makes storages that are databases of the server which the tests are told of. A storage that has been closed serves
// again, as with SQLite.
//
// A power cut is the program's: a transaction that was not committed when it came is rolled back, as by a server whose client has
// gone. What becomes of PostgreSQL itself when it is killed is tried on real ones, in cmd/swallowtail.
type postgresEngine struct {
	idle chan *postgresStorage
}

var _ Engine = (*postgresEngine)(nil)

// newPostgresEngine makes the databases of as many schedules as are played at a time, each with another to tell everything again, and
// of one house that is being built.
func newPostgresEngine(t *testing.T) *postgresEngine {
	t.Helper()
	n := 2*runtime.GOMAXPROCS(0) + 1
	e := &postgresEngine{idle: make(chan *postgresStorage, n)}
	for range n {
		address := postgrestest.Migrated(t, func(ctx context.Context, address string) error {
			store, err := openPostgres(ctx, address)
			if err != nil {
				return err
			}
			defer store.Close() //nolint:errcheck // never fails
			return store.Migrate(ctx)
		})
		store, err := openPostgres(t.Context(), address)
		require.NoError(t, err)
		beside, err := pgx.Connect(t.Context(), address)
		require.NoError(t, err)
		t.Cleanup(func() {
			require.NoError(t, beside.Close(context.WithoutCancel(t.Context())))
			require.NoError(t, store.Close())
		})
		e.idle <- &postgresStorage{Store: store, engine: e, beside: beside}
	}
	return e
}

// openPostgres opens a store for one caller at a time. It exchanges no hints with others, since nobody has it listen.
func openPostgres(ctx context.Context, address string) (*postgres.Store, error) {
	return postgres.Open(ctx, address, postgres.Options{
		Logger:      slog.New(slog.DiscardHandler),
		NewID:       func() uuid.UUID { return firstEpoch },
		Now:         func() time.Time { return began },
		Connections: 2,
	})
}

// New implements Engine.
func (e *postgresEngine) New(ctx context.Context) (Storage, error) {
	s, err := e.From(ctx, postgrestest.Content{})
	if err != nil {
		return nil, err
	}
	return s, s.(*postgresStorage).Migrate(ctx) // which names its history
}

// From implements Engine.
func (e *postgresEngine) From(_ context.Context, snapshot Snapshot) (Storage, error) {
	s := <-e.idle
	return s, s.Restore(snapshot)
}

// postgresStorage is one database.
type postgresStorage struct {
	*postgres.Store
	engine *postgresEngine
	beside *pgx.Conn // for what the store's own users have no business with
	mu     sync.Mutex
}

// Snapshot implements Storage as a dump does.
func (s *postgresStorage) Snapshot() (Snapshot, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return postgrestest.Dump(context.Background(), s.beside)
}

// Restore implements Storage as going back to a dump does.
func (s *postgresStorage) Restore(snapshot Snapshot) error {
	content, ok := snapshot.(postgrestest.Content)
	if !ok {
		return errForeignSnapshot
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return content.PutBack(context.Background(), s.beside)
}

// Close implements Storage.
func (s *postgresStorage) Close() error {
	s.engine.idle <- s
	return nil
}
