package clinic

import (
	"encoding/base64"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/fault"
)

// history is the little that a cursor is held to: an epoch, and the chain up to each revision of one household.
type history struct {
	epoch  uuid.UUID
	chains [][32]byte
}

func (h *history) placeOf(cursor string) (int64, error) {
	f := family{edition: Edition{Epoch: h.epoch}}
	for rev, chain := range h.chains[1:] {
		f.stored = append(f.stored, StoredEntry{Rev: int64(rev) + 1, Chain: chain})
	}
	return f.placeOf(cursor)
}

// FuzzPlaceOf alters a cursor that was given out. Whatever comes of it is refused as another history's, in the one way that
// makes a device begin anew, unless it is to the letter one that was given out too.
func FuzzPlaceOf(f *testing.F) {
	h := &history{
		epoch:  uuid.UUID{0xfb, 0xff, 0xbf, 6: 0x40, 8: 0x80}, // with a - and a _ in base64url
		chains: [][32]byte{{}, {1, 2, 3}, {0xfb, 0xff, 0xbf}, {31: 1}},
	}
	// One that reaches each head, and some that reach less far.
	var given []string
	var revs []int64
	for head, chain := range h.chains {
		for rev := range int64(head) + 1 {
			given = append(given, cursorAt(h.epoch, rev, Head{Rev: int64(head), Chain: chain}))
			revs = append(revs, rev)
		}
	}
	f.Add(uint8(1), uint16(0), uint16(0), "")
	f.Add(uint8(2), uint16(0), uint16(1000), "")
	for _, inserted := range []string{"\n", "\r\n", " ", "=", "==", "A", "+", "/", "-", "_", "\x00", "é", "null", given[1][40:]} {
		f.Add(uint8(1), uint16(0), uint16(0), inserted)
		f.Add(uint8(2), uint16(30), uint16(1), inserted)
		f.Add(uint8(3), uint16(1000), uint16(0), inserted)
		f.Add(uint8(3), uint16(uint(len(given[3])-1)), uint16(1), inserted) // the last sign, of which some bits say nothing
	}
	for _, other := range []Head{{Rev: -1}, {Rev: 4}, {Rev: 1}, {Rev: 2, Chain: h.chains[1]}, {Rev: 1 << 62, Chain: h.chains[3]}} {
		f.Add(uint8(0), uint16(0), uint16(1000), cursorAt(h.epoch, other.Rev, other))
		f.Add(uint8(0), uint16(0), uint16(1000), cursorAt(h.epoch, 1, other))
	}
	for _, rev := range []int64{-1, 3, 1 << 62} {
		f.Add(uint8(0), uint16(0), uint16(1000), cursorAt(h.epoch, rev, Head{Rev: 2, Chain: h.chains[2]}))
	}
	f.Add(uint8(0), uint16(0), uint16(1000), cursorAt(uuid.UUID{1}, 1, Head{Rev: 1, Chain: h.chains[1]}))
	padded, err := base64.RawURLEncoding.DecodeString(given[2])
	require.NoError(f, err)
	f.Add(uint8(0), uint16(0), uint16(1000), base64.StdEncoding.EncodeToString(padded))
	f.Add(uint8(0), uint16(0), uint16(1000), strings.ToUpper(given[1]))
	f.Fuzz(func(t *testing.T, which uint8, at, cut uint16, inserted string) {
		original := given[int(which)%len(given)]
		from := min(int(at), len(original))
		cursor := original[:from] + inserted + original[min(from+int(cut), len(original)):]
		if cursor == "" {
			return // that is no cursor, and begins from the start
		}
		place, err := h.placeOf(cursor)
		if at := slices.Index(given, cursor); at >= 0 {
			require.NoError(t, err)
			require.Equal(t, revs[at], place)
			return
		}
		var refused *fault.Error
		require.ErrorAs(t, err, &refused, "%q is none that was given out", cursor)
		require.Equal(t, fault.Conflict, refused.Kind)
		require.Equal(t, "history-diverged", refused.Problem)
		require.Equal(t, map[string]any{"epoch": h.epoch.String()}, refused.Extra)
		require.Zero(t, place)
	})
}

func TestThePlaceBeforeAllIsThatOfNoCursor(t *testing.T) {
	t.Parallel()
	place, err := (&history{chains: make([][32]byte, 1)}).placeOf("")
	require.NoError(t, err)
	require.Equal(t, fromStart, place)
}
