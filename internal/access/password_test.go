package access_test

import (
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// cheap keeps the tests quick.
var cheap = access.PasswordCost{MemoryKiB: 64, Iterations: 1, Parallelism: 1}

func TestCheckNewPassword(t *testing.T) {
	t.Parallel()
	const email = "Lead@clinic.example"
	good := map[string]string{
		"shortest":           "kettle-lamp7",
		"longest":            strings.Repeat("ab", 64),
		"not ASCII":          "zwölf Zeichen",
		"letters, not bytes": strings.Repeat("é", 64) + strings.Repeat("ü", 64),
		"contains e-mail":    "my lead@clinic.example",
	}
	for name, password := range good {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.NoError(t, access.CheckNewPassword(password, email))
		})
	}
	bad := map[string]string{
		"empty":            "",
		"short":            "kettle-lamp",
		"short, not ASCII": strings.Repeat("é", 6) + "abcde",
		"long":             strings.Repeat("ab", 64) + "c",
		"e-mail":           "lead@clinic.example ",
		"repeated":         "ZzzzzzzzzzzzzzZ",
		"blank":            strings.Repeat(" ", 20),
		"trivial":          "Password1234",
		"not UTF-8":        "kettle-lamp7\xff",
	}
	for name, password := range bad {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var refused *fault.Error
			require.ErrorAs(t, access.CheckNewPassword(password, email), &refused)
			assert.Equal(t, fault.Invalid, refused.Kind)
			require.Len(t, refused.Fields, 1)
			assert.Equal(t, "/password", refused.Fields[0].Pointer)
		})
	}
}

func TestPasswordRoundTrip(t *testing.T) {
	t.Parallel()
	hash, err := access.HashPassword("kettle-lamp7", cheap)
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(hash, "$argon2id$v=19$m=64,t=1,p=1$"), hash)

	for password, want := range map[string]bool{"kettle-lamp7": true, "kettle-lamp8": false, "Kettle-lamp7": false, "": false} {
		ok, err := access.CheckPassword(password, hash, cheap)
		require.NoError(t, err)
		assert.Equal(t, want, ok, "%q", password)
	}
	again, err := access.HashPassword("kettle-lamp7", cheap)
	require.NoError(t, err)
	assert.NotEqual(t, hash, again, "each hash has its own salt")
}

func TestDamagedPasswordHashIsAnError(t *testing.T) {
	t.Parallel()
	for _, hash := range []string{"x", "$argon2i$v=19$m=64,t=1,p=1$AAAA$AAAA", "$argon2id$v=19$m=64$AAAA$AAAA"} {
		ok, err := access.CheckPassword("kettle-lamp7", hash, cheap)
		require.Error(t, err, hash)
		assert.False(t, ok)
	}
}

func TestDefaultPasswordCost(t *testing.T) {
	t.Parallel()
	hash, err := access.HashPassword("kettle-lamp7", access.DefaultPasswordCost())
	require.NoError(t, err)
	assert.Contains(t, hash, "$m=19456,t=2,p=1$")
}

// The work of Argon2 shows in the memory it allocates, which is steadier than time. This test must not be parallel:
// what others allocate meanwhile would be counted too.
func TestUnknownAccountCostsTheSameWork(t *testing.T) { //nolint:paralleltest // see above
	cost := access.PasswordCost{MemoryKiB: 8 * 1024, Iterations: 1, Parallelism: 1}
	hash, err := access.HashPassword("kettle-lamp7", cost)
	require.NoError(t, err)

	known := allocated(t, func() (bool, error) { return access.CheckPassword("wrong password", hash, cost) })
	unknown := allocated(t, func() (bool, error) { return access.CheckPassword("wrong password", "", cost) })

	assert.Greater(t, known, uint64(8<<20))
	assert.InEpsilon(t, known, unknown, 0.05)
}

// allocated returns the bytes that a check, which must say no, takes from the heap.
func allocated(t *testing.T, check func() (bool, error)) uint64 {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	ok, err := check()
	runtime.ReadMemStats(&after)
	require.NoError(t, err)
	require.False(t, ok)
	return after.TotalAlloc - before.TotalAlloc
}
