package durable_test

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/durable"
)

// namesIn returns what a folder holds.
func namesIn(t *testing.T, folder string) []string {
	t.Helper()
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func TestCreateAtOnce(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	path := filepath.Join(folder, "store.db.keys")
	var makers sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		makers.Go(func() { errs[i] = durable.Create(path, fmt.Appendf(nil, "maker %d of several", i)) })
	}
	makers.Wait()
	for _, err := range errs {
		require.NoError(t, err)
	}
	first, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Regexp(t, `^maker \d of several$`, string(first))
	require.NoError(t, durable.Create(path, []byte("later")))
	again, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, first, again)
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode())
	assert.Equal(t, []string{"store.db.keys"}, namesIn(t, folder), "nothing is left beside it")
}

func TestCreateWhereThereIsNoFolder(t *testing.T) {
	t.Parallel()
	require.ErrorIs(t, durable.Create(filepath.Join(t.TempDir(), "none", "x"), nil), os.ErrNotExist)
}

func TestMove(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	from, to := filepath.Join(folder, "a"), filepath.Join(folder, "b")
	require.ErrorIs(t, durable.Move(from, to), os.ErrNotExist)
	require.NoError(t, os.WriteFile(from, []byte("new"), 0o600))
	require.NoError(t, os.WriteFile(to, []byte("old"), 0o600))
	require.ErrorIs(t, durable.Move(from, to), os.ErrExist)
	assert.Equal(t, []string{"a", "b"}, namesIn(t, folder))
	require.NoError(t, os.Remove(to))
	require.NoError(t, durable.Move(from, to))
	text, err := os.ReadFile(to)
	require.NoError(t, err)
	assert.Equal(t, "new", string(text))
	assert.Equal(t, []string{"b"}, namesIn(t, folder))
}
