package postgres

import (
	"context"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/store/migration"
	"swallowtail/internal/store/postgres/postgrestest"
)

func epochOf(t *testing.T, s *Store) (id uuid.UUID) {
	t.Helper()
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) (err error) {
		id, err = v.Epoch(ctx)
		return err
	}))
	return id
}

func appliedTo(t *testing.T, s *Store) (count int) {
	t.Helper()
	require.NoError(t, s.pool.QueryRow(t.Context(), `SELECT count(*) FROM schema_migration`).Scan(&count))
	return count
}

// TestSeveralServersStartAtOnce lets servers migrate a new database at the same time, and once more.
func TestSeveralServersStartAtOnce(t *testing.T) {
	t.Parallel()
	address := postgrestest.Empty(t)
	first := openAt(t, address)
	isNew, err := first.New(t.Context())
	require.NoError(t, err)
	assert.True(t, isNew)
	assert.Equal(t, fault.Unavailable, fault.KindOf(first.Ready(t.Context())), "not before it is migrated")
	faults, err := first.Inspect(t.Context())
	require.NoError(t, err)
	assert.NotEmpty(t, faults)

	var servers sync.WaitGroup
	for range 4 {
		servers.Go(func() {
			s, err := Open(t.Context(), address, testOptions(t))
			if assert.NoError(t, err) {
				assert.NoError(t, s.Migrate(t.Context()))
				assert.NoError(t, s.Close())
			}
		})
	}
	servers.Wait()
	require.NoError(t, first.Ready(t.Context()))
	files, err := known()
	require.NoError(t, err)
	assert.Equal(t, len(files), appliedTo(t, first))
	epoch := epochOf(t, first)
	assert.NotEqual(t, uuid.Nil, epoch)
	faults, err = first.Inspect(t.Context())
	require.NoError(t, err)
	assert.Empty(t, faults)

	require.NoError(t, first.Migrate(t.Context()))
	assert.Equal(t, epoch, epochOf(t, first))
	var at int64
	require.NoError(t, first.pool.QueryRow(t.Context(), `SELECT max(applied) FROM schema_migration`).Scan(&at))
	assert.Equal(t, started.UnixMilli(), at)
}

// TestForeignSchemas changes a database under a running store and opens it anew.
func TestForeignSchemas(t *testing.T) {
	t.Parallel()
	s := ownStore(t)
	address := s.pool.Config().ConnString()
	for _, c := range []struct {
		change, back string
		want         error
	}{
		{
			`INSERT INTO schema_migration VALUES (9999, '9999_later.sql', sha256('later'), 0)`, `DELETE FROM schema_migration WHERE version = 9999`,
			ErrNewer,
		},
		{`UPDATE schema_migration SET checksum = sha256('another')`, ``, ErrAltered},
	} {
		_, err := s.pool.Exec(t.Context(), c.change)
		require.NoError(t, err)
		require.ErrorIs(t, s.Ready(t.Context()), c.want)
		require.ErrorIs(t, s.Migrate(t.Context()), c.want)
		_, err = Open(t.Context(), address, testOptions(t))
		require.ErrorIs(t, err, c.want)
		faults, err := s.Inspect(t.Context())
		require.NoError(t, err)
		assert.NotEmpty(t, faults)
		_, err = s.pool.Exec(t.Context(), c.back)
		require.NoError(t, err)
	}
}

// TestMigrationThatFails leaves the ones before it applied, and nothing of its own.
func TestMigrationThatFails(t *testing.T) {
	t.Parallel()
	files, err := migration.Load(fstest.MapFS{
		"postgres/0001_good.sql": {Data: []byte(`CREATE TABLE parent (k integer PRIMARY KEY); CREATE TABLE child (k integer REFERENCES parent)`)},
		"postgres/0002_bad.sql":  {Data: []byte(`CREATE TABLE half (k integer); INSERT INTO child VALUES (7)`)},
	}, "postgres")
	require.NoError(t, err)
	s := openAt(t, postgrestest.Empty(t))
	require.ErrorContains(t, s.migrate(t.Context(), files), "0002_bad.sql")
	assert.Equal(t, 1, appliedTo(t, s))
	var tables int
	require.NoError(t, s.pool.QueryRow(t.Context(), `SELECT count(*) FROM pg_tables WHERE tablename IN ('child', 'half')`).Scan(&tables))
	assert.Equal(t, 1, tables)
}

// TestMigratingTakesAsLongAsItTakes, which may be longer than any other statement may, and any wait for a lock.
func TestMigratingTakesAsLongAsItTakes(t *testing.T) {
	t.Parallel()
	files, err := migration.Load(fstest.MapFS{"postgres/0001_slow.sql": {Data: []byte(`DO $$ BEGIN
		ASSERT current_setting('statement_timeout') = '0';
		ASSERT current_setting('lock_timeout') = '0';
	END $$`)}}, "postgres")
	require.NoError(t, err)
	s := openAt(t, postgrestest.Empty(t))
	applied, err := s.migrateOnce(t.Context(), files)
	require.NoError(t, err)
	assert.Equal(t, "0001_slow.sql", applied.Name)
}
