package access_test

import (
	"bytes"
	"os"
	"runtime"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/trustelem/zxcvbn/frequency"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// cheap keeps the tests quick.
var cheap = access.PasswordCost{MemoryKiB: 64, Iterations: 1, Parallelism: 1}

func TestCheckNewPassword(t *testing.T) {
	t.Parallel()
	const email = "Lead@clinic.example"
	good := map[string]string{
		"shortest":                   "kettle-lamp 9 b",
		"words":                      "seven slow snails",
		"words of the house":         "four quiet herons wade",
		"longest":                    strings.Repeat("kettle lamp 9 ox", 8),
		"not ASCII":                  "zwölf nasse Stühle",
		"another script":             "семь медленных улиток",
		"another script, no spaces":  "七匹の遅いカタツムリが庭を歩く",
		"of signs alone":             "}:&{^ ~;)|%@ <#-=",
		"of digits alone":            "83029475610293846",
		"at random":                  "x83!k2qpLm0-zQ9w",
		"blanks around":              "  seven slow snails  ",
		"a year within":              "seven snails of 1987 ate a kettle",
		"its name within much else":  "wren took seven slow snails home",
		"an e-mail within much else": "seven slow snails, lead@clinic.example",
	}
	for name, password := range good {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.NoError(t, access.CheckNewPassword(password, email, "Wren", "Heron Lane (invented)"))
		})
	}
	bad := map[string]string{
		"empty":                           "",
		"short":                           "kettle-lamp 9 ",
		"short, not ASCII":                strings.Repeat("é", 6) + "abcde",
		"long":                            strings.Repeat("kettle lamp 9 ox", 8) + "c",
		"not UTF-8":                       "seven slow snails\xff",
		"e-mail":                          "lead@CLINIC.example ",
		"e-mail and a year":               "lead@clinic.example 2027",
		"repeated":                        "ZzzzzzzzzzzzzzzZ",
		"repeated, not ASCII":             strings.Repeat("é", 9) + strings.Repeat("ü", 9),
		"two in turn":                     strings.Repeat("éü", 10),
		"blank":                           strings.Repeat(" ", 20),
		"a breached one":                  "momsanaladventure",
		"a breached one, shouted":         "PasswordStandard",
		"a breached one with digits":      "momsanaladventure99",
		"a breached one with a year":      "mailcreated5240 2027!",
		"a listed word with digits":       "Password1234567",
		"a listed word with signs":        "!!!password!!!!!",
		"a listed word with a year":       "password-2027-2028",
		"a listed word doubled":           "passwordpassword",
		"a listed word, letters as signs": "P@ssw0rdP@ssw0rd",
		"a listed word backwards":         "drowssapdrowssap",
		"three listed words":              "monkey dragon master",
		"a season and its year, twice":    "Summer2026Winter2026",
		"digits in order":                 "12345678901234567",
		"digits back and forth":           "1234567890987654321",
		"letters in order":                "abcdefghijklmnopq",
		"a keyboard row":                  "qwertyuiopasdfghjkl",
		"a keyboard walk":                 "1qaz2wsx3edc4rfv5t",
		"a keyboard walk, doubled":        "zxcvbnm,./zxcvbnm,./",
		"the service":                     "Swallowtail-2027!",
		"the service doubled":             "swallowtailSwallowtail",
		"the clinic":                      "heronlane heronlane",
		"the clinic and a year":           "Heron Lane (invented) 2026",
		"the person":                      "WrenWrenWren123!",
		"the person and the clinic":       "Wren of Heron Lane",
		"the local part":                  "lead-lead-lead-lead",
		"a famous one":                    "correct horse battery staple",
		"easy for long, then not":         strings.Repeat("ab", 30) + "x83!k2qpLm0-zQ9w",
	}
	for name, password := range bad {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var refused *fault.Error
			require.ErrorAs(t, access.CheckNewPassword(password, email, "Wren", "Heron Lane (invented)"), &refused)
			assert.Equal(t, fault.Invalid, refused.Kind)
			require.Len(t, refused.Fields, 1)
			assert.Equal(t, "/password", refused.Fields[0].Pointer)
		})
	}
}

// TestWordsAreKeptOnce looks whether the estimator's lists are let go of, and whether it knows their words all the same.
func TestWordsAreKeptOnce(t *testing.T) {
	t.Parallel()
	assert.Empty(t, frequency.FrequencyLists)
	for list, words := range map[string]string{
		"passwords": "xerxes1 ncc1701d", "names": "gwendolyn bartholomew", "surnames": "zimmerman whitehead", "an encyclopedia": "municipality census",
	} {
		assert.Error(t, access.CheckNewPassword(words, "lead@clinic.example"), list)
	}
}

// TestBreachedListIsInOrder checks the form of the list, which is searched by halves.
func TestBreachedListIsInOrder(t *testing.T) {
	t.Parallel()
	list, err := os.ReadFile("breached/passwords.bin")
	require.NoError(t, err)
	require.Zero(t, len(list)%8)
	assert.Len(t, list, 3528*8, "breached/README.md tells how many")
	for i := 8; i < len(list); i += 8 {
		require.Negative(t, bytes.Compare(list[i-8:i], list[i:i+8]), "at %d", i)
	}
}

// FuzzCheckNewPassword looks for texts that the estimator can't bear.
func FuzzCheckNewPassword(f *testing.F) {
	f.Add("seven slow snails", "ines@clinic.example", "Ines")
	f.Add("p4ssw0rd\x00 éü \xff", "", "")
	f.Add(strings.Repeat("4@8({[<369&#!1/|0$5+7%2", 3), "@", " ")
	f.Fuzz(func(t *testing.T, password, email, name string) {
		err := access.CheckNewPassword(password, email, name)
		if n := utf8.RuneCountInString(password); n < access.MinPassword || n > access.MaxPassword {
			require.Error(t, err)
		}
	})
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

// TestAPasswordIsTheSameOnEveryDevice types one with letters made of two characters, and with letters that are one.
func TestAPasswordIsTheSameOnEveryDevice(t *testing.T) {
	t.Parallel()
	hash, err := access.HashPassword("zwo\u0308lf nasse Stu\u0308hle", cheap)
	require.NoError(t, err)
	ok, err := access.CheckPassword("zw\u00f6lf nasse St\u00fchle", hash, cheap)
	require.NoError(t, err)
	assert.True(t, ok)
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
