package access_test

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

func minute(n int) time.Time { return noon.Add(time.Duration(n) * time.Minute) }

func rotate(t *testing.T, keys *access.Keys, now, until time.Time) access.KeyRotation {
	t.Helper()
	done, err := keys.Rotate(rand.Reader, now, until)
	require.NoError(t, err)
	return done
}

// kids returns the names of the keys that a JWK set has.
func kids(set access.JWKS) []string {
	names := make([]string, 0, len(set.Keys))
	for _, k := range set.Keys {
		names = append(names, k.KeyID)
	}
	return names
}

func TestAFormerKeyVerifiesUntilItsInstant(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	first := keys.List()[0].ID
	old, err := keys.Issue(scheduler(), time.Hour, noon, "a")
	require.NoError(t, err)
	seal, hash := keys.Seal("stamp", []byte("a")), keys.HashRefresh("token")

	done := rotate(t, keys, minute(1), minute(20))
	second := done.Keys[0].ID
	assert.Equal(t, []access.KeyInfo{
		{ID: second, Created: minute(1), Signs: true}, {ID: first, Created: noon, VerifiesUntil: minute(20)},
	}, keys.List())
	assert.Empty(t, done.Dropped)
	fresh, err := keys.Issue(scheduler(), time.Hour, minute(1), "b")
	require.NoError(t, err)

	just := minute(20).Add(-time.Millisecond)
	_, err = keys.Verify(old, just)
	require.NoError(t, err)
	assert.Equal(t, []string{second, first}, kids(keys.JWKS(just)))
	_, err = keys.Verify(old, minute(20))
	assertUnauthenticated(t, err, "token-invalid")
	assert.Equal(t, []string{second}, kids(keys.JWKS(minute(20))))
	_, err = keys.Verify(fresh, minute(20))
	require.NoError(t, err)

	assert.Equal(t, seal, keys.Seal("stamp", []byte("a")), "what the root secret yields stays")
	assert.Equal(t, hash, keys.HashRefresh("token"))
	loaded, err := access.LoadKeys(path)
	require.NoError(t, err)
	assert.Equal(t, keys.List(), loaded.List())
	assert.Equal(t, seal, loaded.Seal("stamp", []byte("a")))
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode())
}

func TestRotationAfterRotation(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	first := keys.List()[0].ID
	second := rotate(t, keys, minute(1), minute(60)).Keys[0].ID

	done := rotate(t, keys, minute(2), minute(90))
	third := done.Keys[0].ID
	assert.Equal(t, []access.KeyInfo{
		{ID: third, Created: minute(2), Signs: true},
		{ID: second, Created: minute(1), VerifiesUntil: minute(90)},
		{ID: first, Created: noon, VerifiesUntil: minute(60)},
	}, done.Keys, "an end that was set is never put off")

	done = rotate(t, keys, minute(70), minute(80))
	assert.Equal(t, []string{done.Keys[0].ID, third, second}, kids(keys.JWKS(minute(70))), "one past its end is dropped")
	assert.Equal(t, []access.KeyInfo{{ID: first, Created: noon, VerifiesUntil: minute(60)}}, done.Dropped)
	assert.Equal(t, minute(80), done.Keys[2].VerifiesUntil, "an end may be brought forward")

	done = rotate(t, keys, minute(71), minute(71))
	assert.Len(t, done.Keys, 1, "without grace all end at once")
	assert.Len(t, done.Dropped, 3)
	for at, want := range map[time.Time]string{minute(0): "", minute(1): second, minute(2): third, minute(69): third} {
		signer, known := done.Signer(at)
		assert.Equal(t, want != "", known, at)
		assert.Equal(t, want, signer.ID, at)
	}
}

// TestRotationsAtOnce lets several processes, as it were, rotate one file together.
func TestRotationsAtOnce(t *testing.T) {
	t.Parallel()
	_, path := newKeys(t)
	const rotations = 6
	var group sync.WaitGroup
	errs, made := make([]error, rotations), make([]string, rotations)
	for i := range rotations {
		group.Go(func() {
			keys, err := access.LoadKeys(path)
			if err == nil {
				var done access.KeyRotation
				if done, err = keys.Rotate(rand.Reader, minute(i), minute(60)); err == nil {
					made[i] = signedAt(done.Keys, minute(i))
				}
			}
			errs[i] = err
		})
	}
	group.Wait()
	require.NoError(t, errors.Join(errs...))
	keys, err := access.LoadKeys(path)
	require.NoError(t, err)
	assert.Len(t, keys.List(), rotations+1)
	assert.Subset(t, kids(keys.JWKS(minute(10))), made, "none was lost")
}

// signedAt returns the key that was made at an instant.
func signedAt(keys []access.KeyInfo, at time.Time) string {
	for _, k := range keys {
		if k.Created.Equal(at) {
			return k.ID
		}
	}
	return ""
}

// TestAnotherProcessRotates has a token under a key that this process has not seen yet.
func TestAnotherProcessRotates(t *testing.T) {
	t.Parallel()
	ours, path := newKeys(t)
	theirs, err := access.LoadKeys(path)
	require.NoError(t, err)
	foreign, _ := newKeys(t)
	junk := issue(t, foreign)
	_, err = ours.Verify(junk, noon)
	assertUnauthenticated(t, err, "token-invalid")

	rotate(t, theirs, noon, minute(20))
	fresh := issue(t, theirs)
	_, err = ours.Verify(fresh, noon.Add(999*time.Millisecond))
	assertUnauthenticated(t, err, "token-invalid") // the file was looked at less than a second ago
	_, err = ours.Verify(fresh, noon.Add(time.Second))
	require.NoError(t, err)
	assert.Equal(t, theirs.List(), ours.List())

	rotate(t, theirs, minute(1), minute(20))
	require.NoError(t, ours.Reload())
	assert.Equal(t, theirs.List(), ours.List())
}

func TestADamagedFileKeepsTheOldKeys(t *testing.T) {
	t.Parallel()
	_, other := newKeys(t)
	for name, c := range map[string]struct {
		spoil func(t *testing.T, path string)
		want  string
	}{
		"gone":           {func(t *testing.T, path string) { t.Helper(); require.NoError(t, os.Remove(path)) }, "look at key file"},
		"torn":           {func(t *testing.T, path string) { t.Helper(); require.NoError(t, os.Truncate(path, 40)) }, "unexpected EOF"},
		"another secret": {func(t *testing.T, path string) { t.Helper(); require.NoError(t, os.Rename(other, path)) }, "another secret"},
		"for all to see": {func(t *testing.T, path string) {
			t.Helper()
			require.NoError(t, os.Chmod(path, 0o644))
			require.NoError(t, os.Chtimes(path, noon, noon))
		}, "chmod 600"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			keys, path := newKeys(t)
			token := issue(t, keys)
			before := keys.List()
			c.spoil(t, path)
			for range 2 { // it is not forgotten that the file is wrong
				require.ErrorContains(t, keys.Reload(), c.want)
			}
			_, err := keys.Rotate(rand.Reader, noon, minute(20))
			require.ErrorContains(t, err, c.want)
			assert.Equal(t, before, keys.List())
			_, err = keys.Verify(token, noon)
			require.NoError(t, err)
		})
	}
}

func TestARotationThatFailsChangesNothing(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	_, err = keys.Rotate(strings.NewReader("too little"), noon, minute(20))
	require.ErrorContains(t, err, "randomness")
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, before, after)
	assert.Len(t, keys.List(), 1)
}

func TestRotationTakesUpAFileOfVersion1(t *testing.T) {
	t.Parallel()
	_, path := newKeys(t)
	_, other := newKeys(t)
	path = prependKey(t, path, other)
	keys, err := access.LoadKeys(path)
	require.NoError(t, err)
	rotate(t, keys, minute(1), minute(20))
	for _, former := range keys.List()[1:] {
		assert.Equal(t, minute(20), former.VerifiesUntil)
	}
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	var file struct {
		Version int `json:"version"`
	}
	require.NoError(t, json.NewDecoder(bytes.NewReader(data)).Decode(&file))
	assert.Equal(t, 2, file.Version, "a program that knows no end of a key must not read it")
}

func TestLoadKeysMakesNone(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	_, err := access.LoadKeys(filepath.Join(folder, "keys"))
	require.ErrorIs(t, err, os.ErrNotExist)
	left, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Empty(t, left)
}
