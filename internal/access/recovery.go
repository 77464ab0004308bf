package access

import (
	"io"
	"net/netip"

	"github.com/google/uuid"
)

// RecoveryCodes is how many recovery codes a clinician gets at a time.
const RecoveryCodes = 10

// A recovery code has 16 letters of 5 bits: 80 bits. NIST SP 800-63B-4, section 3.1.2, asks of a look-up secret for at least 20
// bits with throttling, and lets one be stored with a plain hash from 64 bits on.
const (
	recoveryLetters = 16
	recoveryGroup   = 4 // letters between dashes
)

// NewRecoveryCode makes a recovery code of 80 bits from random, such as "7ZK3-…", to be written down. Store its HashRecovery,
// never the code.
func NewRecoveryCode(random io.Reader) (string, error) {
	code, err := newLetters(random, recoveryLetters)
	if err != nil {
		return "", errRandom("recovery code", err)
	}
	return grouped(code, recoveryGroup), nil
}

// NormalRecovery brings a recovery code as somebody typed it to the form that is hashed, as NormalInvite does with invites. False
// where it can't be one, as a one-time code of six digits.
func NormalRecovery(typed string) (string, bool) { return normalLetters(typed, recoveryLetters) }

// HashRecovery is how a member's recovery code is stored and looked up: 32 bytes, keyed, and another for every member. The code
// must be in its normal form.
func (k *Keys) HashRecovery(member uuid.UUID, normal string) []byte {
	return keyedHash(k.seal, []byte("recovery code"), member[:], []byte(normal))
}

// Network is the network that an address lies in, as far as whoever has one address of it is likely to have them all: an IPv4
// address alone, or the first 64 bits of an IPv6 one, which is what a line is given (RFC 6177, section 2, from memory). It is the
// zero prefix for the zero address.
func Network(address netip.Addr) netip.Prefix {
	address = address.Unmap().WithZone("")
	bits := 64
	if address.Is4() {
		bits = address.BitLen()
	}
	network, err := address.Prefix(bits)
	if err != nil {
		return netip.Prefix{}
	}
	return network
}

// HashNetwork is how it is kept that a member has signed in from a network: 32 bytes, keyed, and another for every member.
func (k *Keys) HashNetwork(member uuid.UUID, network netip.Prefix) []byte {
	return keyedHash(k.seal, []byte("network"), member[:], []byte(network.String()))
}
