package clinic_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// TestAPageVouchesForTheWholeHistory reads one page of two, and puts the server back to where that page ends. The page had
// left out the night that changed again on the second, so whoever goes on from it would never get it as it was before.
func TestAPageVouchesForTheWholeHistory(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	reader := h.enrolPhone()
	evening := h.evening()
	h.push(started, evening[:3]...)
	backup := h.backUp()
	h.push(started.Add(time.Minute), evening[3:]...)

	pull := func(cursor string, limit int) (clinic.SyncAnswer, error) {
		at := started.Add(2 * time.Minute)
		return h.Sync(t.Context(), reader, clinic.SyncRequest{Schema: 1, Cursor: cursor, Sent: at, Limit: limit}, at)
	}
	first, err := pull("", 3)
	require.NoError(t, err)
	assert.True(t, first.More)
	assert.Len(t, first.Changes, 3)
	second, err := pull(first.Cursor, 3)
	require.NoError(t, err, "while nothing has happened it is good")
	assert.False(t, second.More)
	assert.Len(t, second.Nights, 1)

	h.goBack(backup)
	_, err = pull(first.Cursor, 3)
	assert.Equal(t, fault.Conflict, fault.KindOf(err), "the backup has all three entries, but not the history they were read from")
	fresh, err := pull("", 3)
	require.NoError(t, err)
	assert.False(t, fresh.More)
	assert.Greater(t, len(fresh.Nights), len(first.Nights), "tonight is among them")
	_, err = pull(fresh.Cursor, 3)
	require.NoError(t, err)
}
