package clinic_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"swallowtail/internal/clinic"
)

// TestTheSameEntriesStoredAgainAreAnotherHistory holds the chain to the instant of storing: a restored server to which the
// same entries come again, with their stamps, must not pass for the one that it was.
func TestTheSameEntriesStoredAgainAreAnotherHistory(t *testing.T) {
	t.Parallel()
	entry := clinic.StoredEntry{Rev: 1, ID: newID(), Received: started, Stored: started, Sent: []byte(`{}`)}
	again := entry
	assert.Equal(t, clinic.Chained([32]byte{}, &entry), clinic.Chained([32]byte{}, &again))
	again.Stored = started.Add(time.Millisecond)
	assert.NotEqual(t, clinic.Chained([32]byte{}, &entry), clinic.Chained([32]byte{}, &again))
}
