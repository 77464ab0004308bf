package migration_test

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/store/migration"
	"swallowtail/migrations"
)

func TestTheFilesOfEachEngine(t *testing.T) {
	t.Parallel()
	for folder, load := range map[string]func() ([]migration.File, error){
		"sqlite":   func() ([]migration.File, error) { return migration.Load(migrations.SQLite, "sqlite") },
		"postgres": func() ([]migration.File, error) { return migration.Load(migrations.Postgres, "postgres") },
	} {
		known, err := load()
		require.NoError(t, err, folder)
		assert.NotEmpty(t, known, folder)
	}
}

func TestFilesAreNumbered(t *testing.T) {
	t.Parallel()
	for _, names := range [][]string{{"0002_a.sql"}, {"0001_a.sql", "0003_b.sql"}, {"0001_a.sql", "0001_b.sql"}, {"a.sql"}} {
		files := fstest.MapFS{}
		for _, name := range names {
			files["engine/"+name] = &fstest.MapFile{}
		}
		_, err := migration.Load(files, "engine")
		require.Error(t, err, "%v", names)
	}
}

func TestPending(t *testing.T) {
	t.Parallel()
	known, err := migration.Load(fstest.MapFS{
		"engine/0001_first.sql": {Data: []byte("one")}, "engine/0002_second.sql": {Data: []byte("two")},
		"other/0001_first.sql": {Data: []byte("three")},
	}, "engine")
	require.NoError(t, err)
	require.Len(t, known, 2)
	first, second := migration.Applied{Version: 1, Checksum: known[0].Checksum}, migration.Applied{Version: 2, Checksum: known[1].Checksum}

	for count, applied := range [][]migration.Applied{{}, {first}, {first, second}} {
		pending, err := migration.Pending(known, applied)
		require.NoError(t, err)
		assert.Equal(t, known[count:], pending)
	}
	for why, c := range map[string]struct {
		applied []migration.Applied
		want    error
	}{
		"newer":       {[]migration.Applied{first, second, {Version: 3}}, migration.ErrNewer},
		"another":     {[]migration.Applied{{Version: 1}}, migration.ErrAltered},
		"one missing": {[]migration.Applied{second}, migration.ErrAltered},
		"none of it":  {[]migration.Applied{{Version: 0}, first}, migration.ErrAltered},
	} {
		_, err := migration.Pending(known, c.applied)
		require.ErrorIs(t, err, c.want, why)
	}
}

func TestRunGoesOnUntilNothingIsLacking(t *testing.T) {
	t.Parallel()
	lacking := []migration.File{{Version: 1}, {Version: 2}}
	log := slog.New(slog.DiscardHandler)
	once := func(context.Context) (*migration.File, error) {
		if len(lacking) == 0 {
			return nil, nil
		}
		next := lacking[0]
		lacking = lacking[1:]
		return &next, nil
	}
	require.NoError(t, migration.Run(t.Context(), log, once))
	assert.Empty(t, lacking)

	failure := errors.New("the disk is full")
	err := migration.Run(t.Context(), log, func(context.Context) (*migration.File, error) { return nil, failure })
	require.ErrorIs(t, err, failure)
}
