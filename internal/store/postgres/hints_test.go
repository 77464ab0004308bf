package postgres

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// ear is a server that hears hints.
type ear struct {
	mu    sync.Mutex
	heads map[uuid.UUID]int64
}

// listening has a store exchange hints until the test ends.
func listening(t *testing.T, s *Store) *ear {
	t.Helper()
	e := &ear{heads: map[uuid.UUID]int64{}}
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		s.Exchange(ctx, func(household uuid.UUID, rev int64) {
			e.mu.Lock()
			defer e.mu.Unlock()
			e.heads[household] = max(e.heads[household], rev)
		})
	}()
	t.Cleanup(func() {
		stop()
		<-ended
	})
	return e
}

func (e *ear) has(want map[uuid.UUID]int64) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return assert.ObjectsAreEqual(want, e.heads)
}

// TestServersHearOfEachOther sends hints from one server to another, before and after all connections have been cut. Of what is sent
// until one listens again nothing is known, so it is sent until it is heard.
func TestServersHearOfEachOther(t *testing.T) {
	t.Parallel()
	first := newStore(t)
	second := openAt(t, first.pool.Config().ConnString())
	listening(t, first)
	heard := listening(t, second)
	want := map[uuid.UUID]int64{}
	told := func() bool {
		for household, rev := range want {
			first.Send(household, rev-1)
			first.Send(household, rev)
			first.Send(household, rev-1) // tidings may overtake each other
		}
		return heard.has(want)
	}
	for range 2*hintsPerMessage + 1 {
		want[uuid.New()] = 7
	}
	require.Eventually(t, told, time.Minute, 50*time.Millisecond)

	_, err := first.pool.Exec(t.Context(), `
		SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()`)
	require.NoError(t, err)
	for household := range want {
		want[household] = 8
	}
	require.Eventually(t, told, time.Minute, 50*time.Millisecond)
}

func TestHintsThatCannotBeRead(t *testing.T) {
	t.Parallel()
	id := uuid.New()
	heard := map[uuid.UUID]int64{}
	readHints("nonsense\n"+id.String()+" 3\n"+id.String()+" many\n\n"+id.String(), func(household uuid.UUID, rev int64) { heard[household] = rev })
	assert.Equal(t, map[uuid.UUID]int64{id: 3}, heard)
}

// TestHintsAreBounded: a server whose hints nobody takes keeps only so many.
func TestHintsAreBounded(t *testing.T) {
	t.Parallel()
	s := &Store{hints: newHints()}
	for range maxHints + 1 {
		s.Send(uuid.New(), 1)
	}
	assert.Len(t, s.hints.take(), maxHints/hintsPerMessage)
	assert.Empty(t, s.hints.take())
}
