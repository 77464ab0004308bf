package access_test

import (
	"bytes"
	"net/netip"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

func TestRecoveryCodes(t *testing.T) {
	t.Parallel()
	code, err := access.NewRecoveryCode(bytes.NewReader([]byte{0, 0x44, 0x32, 0x14, 0xc7, 0x42, 0x54, 0xb6, 0x35, 0xcf}))
	require.NoError(t, err)
	assert.Equal(t, "0123-4567-89AB-CDEF", code, "five bits to a letter, the highest first")
	for _, typed := range []string{code, strings.ToLower(code), " ol23 4567-89abcdef "} {
		normal, ok := access.NormalRecovery(typed)
		assert.True(t, ok, typed)
		assert.Equal(t, "0123456789ABCDEF", normal)
	}
	for _, typed := range []string{"", "123456", "0123-4567-89AB-CDE", "0123-4567-89AB-CDEFG", "0123-4567-89AB-CDEU", "0123-4567-89AB-CDÉ"} {
		_, ok := access.NormalRecovery(typed)
		assert.False(t, ok, typed)
	}
	_, err = access.NewRecoveryCode(bytes.NewReader(make([]byte, 9)))
	assert.Error(t, err)
}

func TestHashesOfOneMemberAreNoneOfAnothers(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	others, _ := newKeys(t)
	one, two := uuid.New(), uuid.New()
	home := access.Network(netip.MustParseAddr("203.0.113.7"))
	hashes := [][]byte{
		keys.HashRecovery(one, "x"), keys.HashRecovery(two, "x"), keys.HashRecovery(one, "y"), others.HashRecovery(one, "x"),
		keys.HashNetwork(one, home), keys.HashNetwork(two, home), keys.HashNetwork(one, netip.Prefix{}), others.HashNetwork(one, home),
		keys.HashRecovery(one, home.String()),
	}
	seen := map[string]bool{}
	for _, h := range hashes {
		assert.Len(t, h, 32)
		seen[string(h)] = true
	}
	assert.Len(t, seen, len(hashes))
	assert.Equal(t, hashes[0], keys.HashRecovery(one, "x"))
}

func TestNetworks(t *testing.T) {
	t.Parallel()
	for address, want := range map[string]string{
		"203.0.113.7": "203.0.113.7/32", "::ffff:203.0.113.7": "203.0.113.7/32",
		"2001:db8:1:2:3:4:5:6": "2001:db8:1:2::/64", "fe80::1%eth0": "fe80::/64",
	} {
		assert.Equal(t, want, access.Network(netip.MustParseAddr(address)).String(), address)
	}
	assert.Equal(t, netip.Prefix{}, access.Network(netip.Addr{}))
}
