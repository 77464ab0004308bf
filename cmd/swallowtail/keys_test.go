package main

import (
	"context"
	"crypto/rand"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// keysIn reads what keys list and keys rotate print.
func keysIn(t *testing.T, o told) []keyDoc {
	t.Helper()
	require.NoError(t, o.err, o.said)
	var doc struct {
		Keys []keyDoc `json:"keys"`
	}
	require.NoError(t, json.Unmarshal([]byte(o.out), &doc), o.out)
	return doc.Keys
}

// servedKeys returns the kids that a server says verify.
func servedKeys(t *testing.T, base string) []string {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, base+"/.well-known/jwks.json", nil)
	require.NoError(t, err)
	answer, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	defer answer.Body.Close()
	var set access.JWKS
	require.NoError(t, json.UnmarshalRead(answer.Body, &set))
	kids := make([]string, 0, len(set.Keys))
	for _, k := range set.Keys {
		kids = append(kids, k.KeyID)
	}
	return kids
}

// TestKeysAreRotatedBesideARunningServer rotates as a matter of routine, which breaks nobody's token, then without grace.
func TestKeysAreRotatedBesideARunningServer(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	clinic := addClinicBeside(t, db)
	before := execute(t, "token", "issue", "--db", db, "--clinic", clinic, "--ttl", "48h").made(t, "token")
	issued := listed(t, db, clinic)[0]
	first := keysIn(t, execute(t, "keys", "list", "--db", db))
	require.Len(t, first, 1)
	assert.True(t, first[0].Signs)

	routine := execute(t, "keys", "rotate", "--db", db)
	keys := keysIn(t, routine)
	require.Len(t, keys, 2)
	assert.Equal(t, keys, keysIn(t, execute(t, "keys", "list", "--db", db)))
	assert.Equal(t, first[0].ID, keys[1].ID)
	assert.False(t, keys[1].Signs)
	assert.Equal(t, issued.ExpiresAt, keys[1].VerifiesUntil)
	assert.NotContains(t, routine.said, issued.ID.String())
	after := execute(t, "token", "issue", "--db", db, "--clinic", clinic, "--ttl", "1h").made(t, "token")
	assert.Equal(t, http.StatusOK, overdueStatus(t, server.base, after), "a token under a key that the server has not seen yet")
	assert.Equal(t, http.StatusOK, overdueStatus(t, server.base, before))
	assert.Equal(t, []string{keys[0].ID, keys[1].ID}, servedKeys(t, server.base))

	compromise := execute(t, "keys", "rotate", "--db", db, "--grace", "0s")
	assert.Len(t, keysIn(t, compromise), 1)
	for _, token := range listed(t, db, clinic) {
		assert.Contains(t, compromise.said, token.ID.String()+" of clinic "+clinic)
	}
	require.Eventually(t, func() bool { return overdueStatus(t, server.base, before) == http.StatusUnauthorized },
		startTime, 50*time.Millisecond, "the server takes it up by itself")
	assert.Equal(t, http.StatusUnauthorized, overdueStatus(t, server.base, after))
	assert.Len(t, servedKeys(t, server.base), 1)

	for _, secret := range []string{"seed", "secret"} {
		assert.NotContains(t, routine.out+compromise.out, secret)
	}
	assert.Contains(t, execute(t, "keys", "rotate", "--db", db, "--grace", "-1s").err.Error(), "--grace: Give a time from 0s to 8784h.")
	assert.Contains(t, execute(t, "keys", "rotate", "--db", db, "--grace", "soon").err.Error(), "-grace")
	assert.Contains(t, execute(t, "keys", "list", "--db", db+"x").err.Error(), "no such file")
}

// TestTheKeyFileMayLieElsewhere names another file on each command, or once for all in the environment.
func TestTheKeyFileMayLieElsewhere(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	db, keys := filepath.Join(folder, "practice.db"), filepath.Join(t.TempDir(), "signing.json")
	clinic := execute(t, "clinic", "add", "--db", db, "--keys", keys, "--name", "Heron Lane", "--timezone", "Etc/UTC").made(t, "id")
	token := invocation{
		env: map[string]string{"SWALLOWTAIL_KEYS": keys}, args: []string{"token", "issue", "--db", db, "--clinic", clinic},
	}.execute(t).made(t, "token")
	server := startServe(t, db, nil, "--keys", keys)
	assert.Equal(t, http.StatusOK, overdueStatus(t, server.base, token))
	assert.Len(t, keysIn(t, execute(t, "keys", "rotate", "--db", db, "--keys", keys)), 2)
	assert.Len(t, keysIn(t, execute(t, "keys", "list", "--keys", keys)), 2)
	assert.NoFileExists(t, db+keysBeside)
	backup := execute(t, "backup", filepath.Join(folder, "backup.db"), "--db", db, "--keys", keys)
	require.NoError(t, backup.err)
	assert.Contains(t, backup.said, keys)
}

// TestAServerLooksAtItsKeyFile looks, on a clock of its own, for what other processes make of the file.
func TestAServerLooksAtItsKeyFile(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "keys")
	synctest.Test(t, func(t *testing.T) {
		now := time.Now()
		keys, err := access.LoadOrCreateKeys(path, rand.Reader, now)
		require.NoError(t, err)
		others, err := access.LoadKeys(path)
		require.NoError(t, err)
		var said lockedBuffer
		h := &house{keys: keys, log: slog.New(slog.NewTextHandler(&said, nil))}
		stop := alongside(context.WithoutCancel(t.Context()), h.lookAtKeys)
		defer stop()
		look := func() {
			time.Sleep(keysLookedAt)
			synctest.Wait()
		}

		_, err = others.Rotate(rand.Reader, now, now.Add(time.Hour))
		require.NoError(t, err)
		look()
		assert.Equal(t, others.List(), keys.List())
		assert.Contains(t, said.String(), "kid="+others.List()[0].ID)

		good, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, good[:40], 0o600)) //nolint:gosec // G703: the path is the test's own
		look()
		look()
		assert.Equal(t, others.List(), keys.List(), "a damaged file changes nothing")
		assert.Equal(t, 1, strings.Count(said.String(), "level=WARN"), "and is told once")
		require.NoError(t, os.WriteFile(path, good, 0o600)) //nolint:gosec // G703: the path is the test's own
		_, err = others.Rotate(rand.Reader, now, now.Add(time.Hour))
		require.NoError(t, err)
		look()
		assert.Equal(t, others.List(), keys.List())
		assert.Len(t, keys.List(), 3)
	})
}
