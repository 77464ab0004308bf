package practice

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// FuzzFold makes a history of the bytes, as broken as can be, and looks for one whose view depends on the order of arrival,
// tells what nobody said, or cannot be folded at all.
func FuzzFold(f *testing.F) {
	f.Add([]byte("an evening"))
	f.Add([]byte{0xff, 0x01, 0x80, 0x00, 0x7f, 0x33, 0xcc, 0x05, 0xa0, 0x0b})
	for i := range 8 {
		f.Add(slices.Repeat([]byte{byte(29 * i), byte(i), byte(255 - 31*i), byte(7 * i)}, 60))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		h := drawHistory(len(data)/12, chosenBy(data), true)
		// One id stands for one content; the door sees to that.
		h.entries = slices.DeleteFunc(h.entries, func(e Stamped) bool { return e.ID == EntryID{} })
		want := h.view()
		requireTrue(t, h, want)
		for shift := range 3 {
			other := h
			other.entries = slices.Concat(h.entries[len(h.entries)*shift/3:], h.entries)
			require.Equal(t, want, other.view())
			slices.Reverse(other.entries)
			require.Equal(t, want, other.view())
		}
	})
}

// chosenBy makes choices of bytes, and the first whenever they have run out.
func chosenBy(data []byte) func(n int) int {
	return func(n int) int {
		size := 1 + n/256
		if len(data) < size {
			return 0
		}
		choice := 0
		for _, b := range data[:size] {
			choice = choice<<8 | int(b)
		}
		data = data[size:]
		return choice % n
	}
}
