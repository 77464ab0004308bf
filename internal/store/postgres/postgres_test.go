package postgres

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/postgres/postgrestest"
	"swallowtail/internal/store/storetest"
)

var started = time.Date(2027, time.March, 1, 12, 0, 0, 0, time.UTC)

func testOptions(t testing.TB) Options {
	return Options{
		Logger: slog.New(slog.NewTextHandler(t.Output(), nil)),
		NewID:  uuid.New,
		Now:    func() time.Time { return started },
	}
}

// openAt opens the store at an address for the length of the test, without migrating it.
func openAt(t testing.TB, address string, change ...func(*Options)) *Store {
	t.Helper()
	options := testOptions(t)
	for _, c := range change {
		c(&options)
	}
	s, err := Open(t.Context(), address, options)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	return s
}

// TestMain gives back what the tests were lent.
func TestMain(m *testing.M) {
	m.Run()
	if err := postgrestest.Return(); err != nil {
		panic(err)
	}
}

func migrated(ctx context.Context, address string) error {
	s, err := Open(ctx, address, Options{Logger: slog.New(slog.DiscardHandler), NewID: uuid.New, Now: func() time.Time { return started }})
	if err != nil {
		return err
	}
	defer s.Close() //nolint:errcheck // never fails
	return s.Migrate(ctx)
}

// newStore opens a new store, which must be left with the schema and the settings that it has.
func newStore(t testing.TB, change ...func(*Options)) *Store {
	t.Helper()
	return openAt(t, postgrestest.Lent(t, migrated), change...)
}

// ownStore opens a new store of which everything may be changed.
func ownStore(t testing.TB) *Store {
	t.Helper()
	return openAt(t, postgrestest.Migrated(t, migrated))
}

func TestStore(t *testing.T) {
	t.Parallel()
	postgrestest.Server(t) // says once that there is none
	storetest.Exercise(t, func(t *testing.T) clinic.Store { return newStore(t) })
}
