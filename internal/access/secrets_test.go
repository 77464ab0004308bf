package access_test

import (
	"bytes"
	"crypto/rand"
	"encoding/base64"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

func TestRefreshToken(t *testing.T) {
	t.Parallel()
	raw := bytes.Repeat([]byte{0xfe}, 32)
	token, err := access.NewRefreshToken(bytes.NewReader(raw))
	require.NoError(t, err)
	assert.Equal(t, "swallowtail_refresh_"+base64.RawURLEncoding.EncodeToString(raw), token)

	_, err = access.NewRefreshToken(iotest.ErrReader(iotest.ErrTimeout))
	require.ErrorIs(t, err, iotest.ErrTimeout)
	_, err = access.NewRefreshToken(bytes.NewReader(raw[:31]))
	require.Error(t, err, "never a token with less randomness")
}

func TestRefreshHash(t *testing.T) {
	t.Parallel()
	keys := fixedKeys(t)
	assert.Len(t, keys.HashRefresh("a"), 32)
	assert.NotEqual(t, keys.HashRefresh("a"), keys.HashRefresh("b"))
}

func TestInviteCodeSpendsEveryBit(t *testing.T) {
	t.Parallel()
	// 17 bytes holding 0, 1, 2, … 25 in runs of five bits, and six bits left over.
	counting := []byte{
		0x00, 0x44, 0x32, 0x14, 0xc7, 0x42, 0x54, 0xb6, 0x35, 0xcf, 0x84, 0x65, 0x3a, 0x56, 0xd7, 0xc6, 0x7f,
	}
	code, err := access.NewInviteCode(bytes.NewReader(counting))
	require.NoError(t, err)
	assert.Equal(t, "01234-56789-ABCDE-FGHJK-MNPQRS", code[:30])

	ones, err := access.NewInviteCode(bytes.NewReader(bytes.Repeat([]byte{0xff}, 17)))
	require.NoError(t, err)
	assert.Equal(t, "ZZZZZ-ZZZZZ-ZZZZZ-ZZZZZ-ZZZZZZ", ones)

	for bit := range 130 {
		flipped := bytes.Clone(counting)
		flipped[bit/8] ^= 0x80 >> (bit % 8)
		other, err := access.NewInviteCode(bytes.NewReader(flipped))
		require.NoError(t, err)
		assert.NotEqual(t, code, other, "bit %d", bit)
	}
}

func TestInviteCodeNeedsItsRandomness(t *testing.T) {
	t.Parallel()
	_, err := access.NewInviteCode(bytes.NewReader(make([]byte, 16)))
	require.Error(t, err)
}

func TestInviteCodeAsTyped(t *testing.T) {
	t.Parallel()
	const normal = "0123456789ABCDEFGHJKMNPQRS"
	good := map[string]string{
		"as printed":   "01234-56789-ABCDE-FGHJK-MNPQRS",
		"lower case":   "01234-56789-abcde-fghjk-mnpqrs",
		"spaces":       "  01234 56789 ABCDE FGHJK MNPQRS ",
		"bare":         normal,
		"look-alikes":  "oi234-56789-abcde-fghjk-mnpqrs",
		"look-alikes2": "OL234-56789-ABCDE-FGHJK-MNPQRS",
	}
	for name, typed := range good {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := access.NormalInvite(typed)
			require.NoError(t, err)
			assert.Equal(t, normal, got)
		})
	}
	bad := map[string]string{
		"empty": "", "short": normal[1:], "long": normal + "0", "a U": "U" + normal[1:], "a dot": "." + normal[1:],
		"not ASCII": "é" + normal[2:], "a line break": "\n" + normal[1:],
	}
	for name, typed := range bad {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := access.NormalInvite(typed)
			require.Equal(t, fault.Invalid, fault.KindOf(err))
		})
	}
}

func TestInviteHash(t *testing.T) {
	t.Parallel()
	keys := fixedKeys(t)
	code, err := access.NewInviteCode(rand.Reader)
	require.NoError(t, err)

	want, err := keys.HashInvite(code)
	require.NoError(t, err)
	got, err := keys.HashInvite(" " + strings.ToLower(strings.ReplaceAll(code, "-", " ")))
	require.NoError(t, err)
	assert.Equal(t, want, got)
	assert.Len(t, want, 32)
	assert.NotEqual(t, want, keys.HashRefresh(strings.ReplaceAll(code, "-", "")), "each purpose has its own key")

	_, err = keys.HashInvite("nonsense")
	assert.Equal(t, fault.Invalid, fault.KindOf(err))
}
