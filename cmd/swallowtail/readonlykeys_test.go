//go:build linux

package main

import (
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestKeysOnAReadOnlyDisk mounts the key file as a secret, as containers do: a server works with it, and nothing writes to it.
func TestKeysOnAReadOnlyDisk(t *testing.T) {
	t.Parallel()
	withOwnMounts(t, func(t *testing.T) {
		disk := newDisk(t, 64)
		keys := filepath.Join(disk.folder, "signing.json")
		db := filepath.Join(t.TempDir(), "practice.db")
		clinic := execute(t, "clinic", "add", "--db", db, "--keys", keys, "--name", "Heron Lane", "--timezone", "Etc/UTC").made(t, "id")
		before, err := os.ReadFile(keys)
		require.NoError(t, err)

		disk.writable(t, false)
		server := startServe(t, db, nil, "--keys", keys)
		token := execute(t, "token", "issue", "--db", db, "--keys", keys, "--clinic", clinic).made(t, "token")
		assert.Equal(t, http.StatusOK, overdueStatus(t, server.base, token))
		refused := execute(t, "keys", "rotate", "--db", db, "--keys", keys)
		require.ErrorContains(t, refused.err, "rotate keys: ")
		require.ErrorContains(t, refused.err, "read-only file system")
		assert.Empty(t, refused.out)
		after, err := os.ReadFile(keys)
		require.NoError(t, err)
		assert.Equal(t, before, after)
		assert.Equal(t, http.StatusOK, overdueStatus(t, server.base, token))
	})
}
