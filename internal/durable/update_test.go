package durable_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/durable"
)

// TestUpdateAtOnce lets several add a line to a file, none of which may be lost.
func TestUpdateAtOnce(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	path := filepath.Join(folder, "store.db.keys")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	const writers, each = 4, 5
	var group sync.WaitGroup
	errs := make([]error, writers)
	for i := range writers {
		group.Go(func() {
			for range each {
				errs[i] = errors.Join(errs[i], durable.Update(path, func(content []byte) ([]byte, error) {
					return append(content, 'a'+byte(i), '\n'), nil
				}))
			}
		})
	}
	group.Wait()
	require.NoError(t, errors.Join(errs...))
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	for i := range writers {
		assert.Equal(t, each, bytes.Count(content, []byte{'a' + byte(i)}))
	}
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode())
	assert.Equal(t, []string{"store.db.keys"}, namesIn(t, folder), "nothing is left beside it")
}

func TestUpdateThatFailsChangesNothing(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	path := filepath.Join(folder, "keys")
	require.NoError(t, os.WriteFile(path, []byte("old"), 0o600))
	refused := errors.New("not like this")
	err := durable.Update(path, func([]byte) ([]byte, error) { return []byte("new"), refused })
	require.ErrorIs(t, err, refused)
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "old", string(content))
	assert.Equal(t, []string{"keys"}, namesIn(t, folder))

	keep := func(content []byte) ([]byte, error) { return content, nil }
	require.ErrorIs(t, durable.Update(filepath.Join(folder, "none"), keep), os.ErrNotExist)
}

// TestUpdateBehindALink replaces the file, not the link to it.
func TestUpdateBehindALink(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	path, link := filepath.Join(folder, "keys"), filepath.Join(t.TempDir(), "link")
	require.NoError(t, os.WriteFile(path, []byte("old"), 0o600))
	require.NoError(t, os.Symlink(path, link))
	require.NoError(t, durable.Update(link, func([]byte) ([]byte, error) { return []byte("new"), nil }))
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "new", string(content))
	target, err := os.Readlink(link)
	require.NoError(t, err)
	assert.Equal(t, path, target)
}
