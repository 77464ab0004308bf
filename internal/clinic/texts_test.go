package clinic_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// mixed hands in what is kept in every way: accepted, with a note for nobody else, parked, quarantined and no JSON at all.
func (h *house) mixed(at time.Time) {
	h.t.Helper()
	_, private := h.entry("note", map[string]any{"text": "tired", "note": "for me alone", "note_shared": false})
	_, later := h.entry("hologram", map[string]any{"text": "of a later schema"})
	_, wrong := h.entry("try", map[string]any{"position": "sideways"})
	raws := append(h.evening(), private, later, wrong, []byte(`{"id": no, `+at.String()))
	_, err := h.Sync(h.t.Context(), h.phone, clinic.SyncRequest{Schema: 1, Sent: at, Limit: clinic.MaxPage, Entries: raws}, at)
	require.NoError(h.t, err)
}

// TestWhatWasSentIsToldFromMemoryToo compares what a server tells that has the household in memory, where what was sent is not, with what
// one tells that reads all of it.
func TestWhatWasSentIsToldFromMemoryToo(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	other := h.enrolPhone()
	now := started
	cursors := []string{""}
	for range 3 {
		now = now.Add(time.Hour)
		h.mixed(now)
		a, err := h.Sync(t.Context(), other, clinic.SyncRequest{Schema: 1, Cursor: cursors[len(cursors)-1], Sent: now, Limit: clinic.MaxPage}, now)
		require.NoError(t, err)
		cursors = append(cursors, a.Cursor)
	}
	for _, reader := range []access.Principal{h.phone, other} {
		for i, cursor := range cursors {
			r := clinic.SyncRequest{Schema: 1, Cursor: cursor, Sent: now, Limit: 7, Entries: h.evening()}
			told, err := h.Foresee(t.Context(), reader, r, now)
			require.NoError(t, err)
			read, err := clinic.New(h.Config).Foresee(t.Context(), reader, r, now)
			require.NoError(t, err)
			assert.Equal(t, read, told, i)
			assert.Len(t, told.Changes, min(7, 10*(len(cursors)-1-i)+6))
		}
	}
	for _, after := range []int64{0, 4, 11, 29, 30} {
		page := clinic.EntryPage{After: after, Limit: 12}
		told, err := h.Entries(t.Context(), h.clinician, h.learner, page, now)
		require.NoError(t, err)
		read, err := clinic.New(h.Config).Entries(t.Context(), h.clinician, h.learner, page, now)
		require.NoError(t, err)
		assert.Equal(t, read, told, after)
		assert.Len(t, told.Entries, min(12, 30-int(after)))
	}
}

// TestAnotherHistoryInMemoryIsNotTold changes the last entry in the store so that nothing but its chain tells it from the one in memory.
func TestAnotherHistoryInMemoryIsNotTold(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	chain := strings.Repeat("ab", 32)
	for _, st := range []string{`UPDATE entry SET chain = unhex(?) WHERE rev = 6`, `UPDATE household SET head_chain = unhex(?)`} {
		_, err := h.exec(st, chain)
		require.NoError(t, err)
	}
	r := clinic.SyncRequest{Schema: 1, Sent: started, Limit: clinic.MaxPage}
	told, err := h.Foresee(t.Context(), h.phone, r, started)
	require.NoError(t, err)
	read, err := clinic.New(h.Config).Foresee(t.Context(), h.phone, r, started)
	require.NoError(t, err)
	assert.Equal(t, read, told)
}
