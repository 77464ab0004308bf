package clinic

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"

	"swallowtail/internal/practice"
)

// packedNight is the octets of a night as a store keeps it: the night, the revision, whether it is gone, the print.
const packedNight = 4 + 8 + 1 + 16

// PackNights returns a learner's nights as a store keeps them, in order and in one piece: they are only ever read and written
// together.
func PackNights(nights []ProjectedNight) []byte {
	nights = slices.Clone(nights)
	slices.SortFunc(nights, func(a, b ProjectedNight) int { return cmp.Compare(a.Night, b.Night) })
	packed := make([]byte, 0, len(nights)*packedNight)
	for _, n := range nights {
		packed = binary.BigEndian.AppendUint32(packed, uint32(n.Night))      //nolint:gosec // its bits
		packed = binary.BigEndian.AppendUint64(packed, uint64(n.ChangedRev)) //nolint:gosec // its bits
		gone := byte(0)
		if n.Gone {
			gone = 1
		}
		packed = append(append(packed, gone), n.Print[:]...)
	}
	return packed
}

// UnpackNights returns what PackNights packed, nil where there were none. Anything else is an error.
func UnpackNights(packed []byte) ([]ProjectedNight, error) {
	if len(packed)%packedNight != 0 {
		return nil, fmt.Errorf("%d octets of nights, each of which has %d", len(packed), packedNight)
	}
	var nights []ProjectedNight
	for one := range slices.Chunk(packed, packedNight) {
		n := ProjectedNight{
			Night:      practice.Night(binary.BigEndian.Uint32(one)), //nolint:gosec // its bits
			ChangedRev: int64(binary.BigEndian.Uint64(one[4:])),      //nolint:gosec // its bits
			Gone:       one[12] == 1,
		}
		copy(n.Print[:], one[13:])
		nights = append(nights, n)
	}
	return nights, nil
}
