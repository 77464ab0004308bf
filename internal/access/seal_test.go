package access_test

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

func TestSealFitsOnlyWhatWasSealed(t *testing.T) {
	t.Parallel()
	keys := fixedKeys(t)
	seal := keys.Seal("stamp", []byte("ab"), []byte("c"))
	assert.Len(t, seal, access.SealSize)
	assert.True(t, keys.CheckSeal(seal, "stamp", []byte("ab"), []byte("c")))

	b := func(s string) []byte { return []byte(s) }
	others := map[string]bool{
		"other purpose":     keys.CheckSeal(seal, "export", b("ab"), b("c")),
		"parts shifted":     keys.CheckSeal(seal, "stamp", b("a"), b("bc")),
		"parts joined":      keys.CheckSeal(seal, "stamp", b("abc")),
		"parts swapped":     keys.CheckSeal(seal, "stamp", b("c"), b("ab")),
		"a part missing":    keys.CheckSeal(seal, "stamp", b("ab")),
		"an empty part":     keys.CheckSeal(seal, "stamp", b("ab"), b("c"), nil),
		"purpose in a part": keys.CheckSeal(seal, "", b("stamp"), b("ab"), b("c")),
		"seal cut":          keys.CheckSeal(seal[:15], "stamp", b("ab"), b("c")),
		"no seal":           keys.CheckSeal(nil, "stamp", b("ab"), b("c")),
	}
	for name, fits := range others {
		assert.False(t, fits, name)
	}
	for i := range seal {
		altered := append([]byte(nil), seal...)
		altered[i] ^= 1
		assert.False(t, keys.CheckSeal(altered, "stamp", b("ab"), b("c")), "byte %d", i)
	}
}

// Seals, cursors and hashes outlive the process: in databases, in backups and on phones. These values were computed
// outside this package (HKDF and HMAC written out from RFC 5869 and RFC 2104, the cursor by another AES-GCM) and must never change.
func TestDerivedValuesAreStable(t *testing.T) {
	t.Parallel()
	keys := fixedKeys(t)
	assert.Equal(t, "ce178ca49fbeacdc49c19562a021c96a", hex.EncodeToString(keys.Seal("stamp", []byte("ab"), []byte("c"))))
	assert.Equal(t, "TGOMjQ2pfqF2Mx8ENEIObUPVR_Lw4rdCrASRLbFX", keys.SealCursor("roster", []byte("ab")))
	assert.Equal(t, "744722cd7a6a1ea2b81dc940548123d9eeaef0b844d20798e28b8781b536d865", hex.EncodeToString(keys.HashRefresh("token")))
	invite, err := keys.HashInvite("0123456789ABCDEFGHJKMNPQRS")
	require.NoError(t, err)
	assert.Equal(t, "6d3539b89397dd61ca6e66ebde7b863e35153dd5896918e96f2aba147aeda8f9", hex.EncodeToString(invite))
}

func TestCursorRoundTrip(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	for _, payload := range []string{"", "a", "\x00\xff", strings.Repeat("long", 1000)} {
		got, err := keys.OpenCursor("roster", keys.SealCursor("roster", []byte(payload)))
		require.NoError(t, err)
		assert.Equal(t, payload, string(got))
	}
}

func TestAlteredCursorIsRefused(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	others, _ := newKeys(t)
	cursor := keys.SealCursor("roster", []byte("page"))

	cases := map[string]string{
		"empty":           "",
		"cut":             cursor[:len(cursor)-1],
		"only the seal":   cursor[:21],
		"longer":          cursor + "AAAA",
		"padded":          cursor + "=",
		"line break":      cursor + "\n",
		"break within":    cursor[:4] + "\r\n" + cursor[4:],
		"not base64url":   "+" + cursor[1:],
		"another kind":    keys.SealCursor("overdue", []byte("page")),
		"another server":  others.SealCursor("roster", []byte("page")),
		"unused bits set": cursor[:len(cursor)-1] + string(cursor[len(cursor)-1]+1),
		"payload altered": cursor[:20] + map[bool]string{true: "B", false: "A"}[cursor[20] == 'A'] + cursor[21:],
	}
	for name, altered := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.NotEqual(t, cursor, altered)
			_, err := keys.OpenCursor("roster", altered)
			var refused *fault.Error
			require.ErrorAs(t, err, &refused)
			assert.Equal(t, fault.Unreadable, refused.Kind)
			assert.Equal(t, "cursor-invalid", refused.Problem)
		})
	}
}

// FuzzOpenCursor alters a cursor that was sealed for a list, or offers it to a list of another kind. It opens to what was
// sealed, or is refused.
func FuzzOpenCursor(f *testing.F) {
	keys := fixedKeys(f)
	sealed := keys.SealCursor("roster", []byte("2027-03-02 otter"))
	for _, inserted := range []string{"", "\n", "\r\n", " ", "=", "==", "A", "+", "/", "-", "_", "\x00", "é", sealed} {
		f.Add("roster", "audit", []byte("2027-03-02 otter"), uint16(0), uint16(0), inserted)
		f.Add("roster", "roster", []byte{}, uint16(9), uint16(1), inserted)
		f.Add("", "roster", bytes.Repeat([]byte{0xff}, 40), uint16(1000), uint16(0), inserted)
		f.Add("roster/", "roster", []byte("/"), uint16(16), uint16(2), inserted)
	}
	f.Add("roster", "roster", []byte("7"), uint16(0), uint16(1000), "")
	f.Fuzz(func(t *testing.T, kind, otherKind string, payload []byte, at, cut uint16, inserted string) {
		cursor := keys.SealCursor(kind, payload)
		require.Equal(t, cursor, keys.SealCursor(kind, payload), "the same position has the same cursor")
		raw, err := base64.RawURLEncoding.DecodeString(cursor)
		require.NoError(t, err)
		if len(payload) >= 8 {
			require.NotContains(t, string(raw), string(payload), "nobody reads it")
		}

		opened, err := keys.OpenCursor(kind, cursor)
		require.NoError(t, err)
		require.True(t, bytes.Equal(payload, opened))
		if otherKind != kind {
			requireNoCursor(t, keys, otherKind, cursor)
		}
		from := min(int(at), len(cursor))
		altered := cursor[:from] + inserted + cursor[min(from+int(cut), len(cursor)):]
		if altered != cursor && (altered != sealed || kind != "roster") { // unless it has become the other one that was given out
			requireNoCursor(t, keys, kind, altered)
		}
	})
}

func requireNoCursor(t *testing.T, keys *access.Keys, kind, cursor string) {
	t.Helper()
	opened, err := keys.OpenCursor(kind, cursor)
	require.Nil(t, opened)
	var refused *fault.Error
	require.ErrorAs(t, err, &refused)
	require.Equal(t, fault.Unreadable, refused.Kind)
	require.Equal(t, "cursor-invalid", refused.Problem)
}
