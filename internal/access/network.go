package access

import (
	"net/netip"

	"github.com/google/uuid"
)

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
