package clinic_test

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

// BenchmarkForesee works out what the eighth evening of a programme comes to, in a household that is kept in memory: all that an upload
// takes of the service itself, without HTTP and the store.
func BenchmarkForesee(b *testing.B) {
	h := newFamily(b)
	evening := func(nth int) (raws [][]byte, at time.Time) {
		at = started.AddDate(0, 0, nth)
		for _, raw := range h.evening() {
			raws = append(raws, bytes.ReplaceAll(raw, []byte("2027-03-01T"), []byte(at.Format("2006-01-02T"))))
		}
		return raws, at
	}
	var cursor string
	for nth := range 7 {
		raws, at := evening(nth)
		cursor = h.push(at, raws...).Cursor
	}
	raws, at := evening(7)
	b.ReportAllocs()
	for b.Loop() {
		a, err := h.Foresee(b.Context(), h.phone, clinic.SyncRequest{Schema: 1, Cursor: cursor, Sent: at, Limit: clinic.MaxPage, Entries: raws}, at)
		require.NoError(b, err)
		require.Len(b, a.Changes, 6)
		require.Len(b, a.Nights, 1)
	}
}
