package access_test

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

var noon = time.Date(2027, 3, 2, 12, 0, 0, 0, time.UTC)

// newKeys returns fresh keys and the path of their file.
func newKeys(t testing.TB) (*access.Keys, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "swallowtail.keys")
	keys, err := access.LoadOrCreateKeys(path, rand.Reader, noon)
	require.NoError(t, err)
	return keys, path
}

// fixedKeys returns keys with a root secret of ones and the signing key of RFC 8037, appendix A.1.
func fixedKeys(t testing.TB) *access.Keys {
	t.Helper()
	seed, err := hex.DecodeString("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
	require.NoError(t, err)
	random := bytes.NewReader(append(bytes.Repeat([]byte{1}, 32), seed...))
	keys, err := access.LoadOrCreateKeys(filepath.Join(t.TempDir(), "keys"), random, noon)
	require.NoError(t, err)
	return keys
}

func TestJWKSMatchesThePublishedExample(t *testing.T) {
	t.Parallel()
	document, err := json.Marshal(fixedKeys(t).JWKS(noon))
	require.NoError(t, err)
	// x: RFC 8037, appendix A.2; kid: its thumbprint, appendix A.3.
	assert.JSONEq(t, `{"keys":[{"kty":"OKP","crv":"Ed25519","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo",
		"kid":"kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k","use":"sig","alg":"EdDSA"}]}`, string(document))
}

func TestKeysPersist(t *testing.T) {
	t.Parallel()
	first, path := newKeys(t)
	second, err := access.LoadOrCreateKeys(path, iotest.ErrReader(os.ErrClosed), noon.AddDate(1, 0, 0))
	require.NoError(t, err, "an existing file needs no randomness")

	assert.Equal(t, first.JWKS(noon), second.JWKS(noon))
	assert.True(t, second.CheckSeal(first.Seal("stamp", []byte("a")), "stamp", []byte("a")))
	assert.Equal(t, first.HashRefresh("token"), second.HashRefresh("token"))

	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}

func TestKeysOfDifferentFilesDiffer(t *testing.T) {
	t.Parallel()
	one, _ := newKeys(t)
	other, _ := newKeys(t)

	assert.NotEqual(t, one.JWKS(noon), other.JWKS(noon))
	assert.NotEqual(t, one.HashRefresh("token"), other.HashRefresh("token"))
	assert.False(t, other.CheckSeal(one.Seal("stamp"), "stamp"))
}

func TestKeysMadeByManyAtOnceAreTheSame(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "keys")
	var wg sync.WaitGroup
	sets := make([]access.JWKS, 16)
	errs := make([]error, len(sets))
	for i := range sets {
		wg.Go(func() {
			keys, err := access.LoadOrCreateKeys(path, rand.Reader, noon)
			if err != nil {
				errs[i] = err
				return
			}
			sets[i] = keys.JWKS(noon)
		})
	}
	wg.Wait()

	for i := range sets {
		require.NoError(t, errs[i])
		assert.Equal(t, sets[0], sets[i])
	}
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, left, 1, "no temporary file stays behind")
}

func TestKeyFileOpenToOthersIsRefused(t *testing.T) {
	t.Parallel()
	for _, mode := range []os.FileMode{0o640, 0o604, 0o620, 0o602} {
		_, path := newKeys(t)
		require.NoError(t, os.Chmod(path, mode))

		_, err := access.LoadOrCreateKeys(path, rand.Reader, noon)
		assert.ErrorContains(t, err, "chmod 600 "+path, "mode %o", mode)
	}
}

func TestKeyFileThatCannotBeRightIsRefused(t *testing.T) {
	t.Parallel()
	_, path := newKeys(t)
	good, err := os.ReadFile(path)
	require.NoError(t, err)
	edit := func(change func(file map[string]any)) string {
		var file map[string]any
		require.NoError(t, json.Unmarshal(good, &file))
		change(file)
		data, err := json.Marshal(file)
		require.NoError(t, err)
		return string(data)
	}
	signing := func(file map[string]any) map[string]any {
		list, ok := file["signing_keys"].([]any)
		require.True(t, ok)
		first, ok := list[0].(map[string]any)
		require.True(t, ok)
		return first
	}

	cases := map[string]struct{ content, complaint string }{
		"empty":          {"", "EOF"},
		"torn":           {string(good[:len(good)/2]), "unexpected EOF"},
		"later version":  {edit(func(f map[string]any) { f["version"] = 3 }), "version 3"},
		"no version":     {edit(func(f map[string]any) { delete(f, "version") }), "version 0"},
		"unknown member": {edit(func(f map[string]any) { f["pepper"] = "x" }), "pepper"},
		"short secret":   {edit(func(f map[string]any) { f["secret"] = "AAAA" }), "secret has 3 bytes"},
		"no signing key": {edit(func(f map[string]any) { f["signing_keys"] = []any{} }), "no signing key"},
		"short seed":     {edit(func(f map[string]any) { signing(f)["seed"] = "AAAA" }), "seed has 3 bytes"},
		"no kid":         {edit(func(f map[string]any) { signing(f)["kid"] = "" }), "kid"},
		"kid used twice": {edit(func(f map[string]any) {
			f["version"], f["signing_keys"] = 1, []any{signing(f), signing(f)}
		}), "kid is used twice"},
		"a former key without end": {edit(func(f map[string]any) {
			f["signing_keys"] = []any{signing(f), signing(f)}
		}), "signing key 1: verify_until is missing"},
		"a signing key that ends": {edit(func(f map[string]any) {
			signing(f)["verify_until"] = "2027-03-02T12:00:00Z"
		}), "signing key 0: verify_until must not be given"},
		"an end in version 1": {edit(func(f map[string]any) {
			other := maps.Clone(signing(f))
			other["kid"], other["verify_until"] = "other", "2027-03-02T12:00:00Z"
			f["version"], f["signing_keys"] = 1, []any{signing(f), other}
		}), "signing key 1: verify_until must not be given"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "keys")
			require.NoError(t, os.WriteFile(path, []byte(c.content), 0o600))

			_, err := access.LoadOrCreateKeys(path, rand.Reader, noon)
			require.ErrorContains(t, err, c.complaint)

			after, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, c.content, string(after), "a damaged file is left for the operator")
		})
	}
}

func TestKeyFileThatCannotBeMade(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()

	_, err := access.LoadOrCreateKeys(filepath.Join(dir, "absent", "keys"), rand.Reader, noon)
	require.ErrorIs(t, err, os.ErrNotExist)
	_, err = access.LoadOrCreateKeys(filepath.Join(dir, "keys"), strings.NewReader("too little"), noon)
	require.ErrorContains(t, err, "randomness")
	_, err = access.LoadOrCreateKeys(dir, rand.Reader, noon)
	require.ErrorContains(t, err, "read key file")

	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestKeysDoNotPrint(t *testing.T) {
	t.Parallel()
	keys := fixedKeys(t)
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%x", "%d"} {
		assert.Equal(t, "access.Keys(secret)", fmt.Sprintf(verb, keys), verb)
	}
}
