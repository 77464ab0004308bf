package simulate

import (
	"encoding/binary"

	"github.com/google/uuid"
)

// The spaces of ids, so that a trace tells who made one.
const (
	serverSpace uint16 = iota + 1
	phoneSpace
	clinicSpace
)

// firstEpoch names the history of every new store, whatever the engine.
var firstEpoch = idOf(serverSpace, 0)

// idOf returns the n-th id of a space, a UUID of version 8 (RFC 9562, 5.8) that sorts by space and number.
func idOf(space uint16, n uint64) uuid.UUID {
	var id uuid.UUID
	binary.BigEndian.PutUint16(id[0:], space)
	id[6], id[8] = 0x80, 0x80
	binary.BigEndian.PutUint32(id[12:], uint32(n)) //nolint:gosec // a schedule makes a few hundred
	return id
}

// ids makes the ids of one space. Their order is shuffled, since nothing may rest on ids that rise with time.
type ids struct {
	space uint16
	made  uint64
}

func (i *ids) next() uuid.UUID {
	i.made++
	const odd = 2654435761 // any odd number makes a permutation of the 32-bit numbers
	return idOf(i.space, i.made*odd)
}
