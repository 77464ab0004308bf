package clinic

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/fault"
)

// TestAFloodOfStrangersLeavesATurnToTheKnown fills every place that strangers have.
func TestAFloodOfStrangersLeavesATurnToTheKnown(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newHashing()
		release := make(chan struct{})
		var running, refused int
		ended := make(chan error)
		const flood = 3 * strangersInLine
		for range flood {
			go func() {
				ended <- h.inTurn(t.Context(), false, func() error { running++; <-release; return nil })
			}()
		}
		for range flood - strangersInLine - strangersAtOnce { // the others wait, however long
			require.Equal(t, fault.Unavailable, fault.KindOf(<-ended))
			refused++
		}
		synctest.Wait()
		assert.Equal(t, strangersAtOnce, running)
		require.NoError(t, h.inTurn(t.Context(), true, func() error { return nil }), "known: at once")

		close(release)
		for range flood - refused {
			require.NoError(t, <-ended)
		}
	})
}

func TestATurnIsGivenBack(t *testing.T) {
	t.Parallel()
	h := newHashing()
	own := errors.New("the caller's own")
	for range 2 * (knownInLine + strangersInLine) {
		for _, known := range []bool{true, false} {
			require.ErrorIs(t, h.inTurn(t.Context(), known, func() error { return own }), own)
		}
	}
	for range hashesAtOnce {
		h.turns <- struct{}{}
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	for range 2 * (knownInLine + strangersInLine) {
		for _, known := range []bool{true, false} {
			err := h.inTurn(gone, known, func() error { return nil })
			require.ErrorIs(t, err, context.Canceled)
			require.Equal(t, fault.Unavailable, fault.KindOf(err))
		}
	}
}
