package clinic_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/watch"
)

// word is what one server lets another know.
type word struct {
	household uuid.UUID
	rev       int64
}

// line is one end of a line between two servers.
type line struct{ out, in chan word }

func (l line) Send(household uuid.UUID, rev int64) { l.out <- word{household, rev} }

func (l line) Exchange(ctx context.Context, heard func(household uuid.UUID, rev int64)) {
	for {
		select {
		case <-ctx.Done():
			return
		case w := <-l.in:
			heard(w.household, w.rev)
		}
	}
}

// TestAServerHearsOfWhatAnotherTook: a phone listens at one server, and another phone hands in at another, which both work on one store.
// The server that is listened at does not look by itself within the test.
func TestAServerHearsOfWhatAnotherTook(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	there, back := make(chan word, 9), make(chan word, 9)
	h.Hints = line{out: there, in: back}
	config := h.Config
	config.Hints, config.Listening = line{out: back, in: there}, watch.Limits{Every: time.Hour}
	other := clinic.New(config)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		other.ExchangeHints(ctx)
	}()
	t.Cleanup(func() { <-ended })
	t.Cleanup(stop)

	listener, err := other.Listen(t.Context(), h.phone, started)
	require.NoError(t, err)
	defer listener.Leave()
	before, listening := listener.Place()
	require.True(t, listening)
	handedIn := h.evening()
	h.push(started, handedIn...)
	assert.Eventually(t, func() bool {
		place, _ := listener.Place()
		return place.Head == before.Head+int64(len(handedIn))
	}, time.Minute, time.Millisecond)
}

// TestWithoutHints has nothing to exchange, and does not wait.
func TestWithoutHints(t *testing.T) {
	t.Parallel()
	newHouse(t).ExchangeHints(t.Context())
}
