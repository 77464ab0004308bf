package watch

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"maps"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/fault"
)

// store is what a hub looks at.
type store struct {
	mu    sync.Mutex
	epoch uuid.UUID
	heads map[uuid.UUID]int64 // by device
	err   error
	looks [][]uuid.UUID // whom each look asked for
	pause chan struct{} // a look waits for it before it answers; nil for none
}

func newStore(devices ...uuid.UUID) *store {
	s := &store{epoch: uuid.UUID{1}, heads: map[uuid.UUID]int64{}}
	for _, id := range devices {
		s.heads[id] = 5
	}
	return s
}

func (s *store) look(ctx context.Context, devices []uuid.UUID) (Look, error) {
	s.mu.Lock()
	s.looks = append(s.looks, devices)
	seen := Look{Epoch: s.epoch, Heads: map[uuid.UUID]int64{}}
	for _, id := range devices {
		if head, ok := s.heads[id]; ok {
			seen.Heads[id] = head
		}
	}
	err, pause := s.err, s.pause
	s.mu.Unlock()
	if pause != nil {
		select {
		case <-pause:
		case <-ctx.Done():
			return Look{}, ctx.Err()
		}
	}
	return seen, err
}

// becomes changes the store as another process does.
func (s *store) becomes(change func(s *store)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(s)
}

func (s *store) looked() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.looks)
}

var (
	blue, green          = uuid.UUID{0xb1}, uuid.UUID{0x9e} // households
	mamas, papas, grans  = uuid.UUID{1}, uuid.UUID{2}, uuid.UUID{3}
	firstEpoch, newEpoch = uuid.UUID{1}, uuid.UUID{2}
)

// inHub runs a test in a bubble of time, with a hub over a store that knows the three devices at revision 5.
func inHub(t *testing.T, limits Limits, run func(t *testing.T, h *Hub, s *store)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s := newStore(mamas, papas, grans)
		h := New(Config{Look: s.look, Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Limits: limits})
		run(t, h, s)
		h.Close()
		assert.Zero(t, h.listeners)
		assert.Empty(t, h.households)
		assert.Empty(t, h.devices)
		assert.Nil(t, h.stop)
	})
}

func listen(t *testing.T, h *Hub, household, device uuid.UUID) *Listener {
	t.Helper()
	l, err := h.Listen(t.Context(), household, device)
	require.NoError(t, err)
	return l
}

// woken reports whether a listener has been woken since it was asked last.
func woken(l *Listener) bool {
	select {
	case <-l.Woken():
		return true
	default:
		return false
	}
}

func assertAt(t *testing.T, l *Listener, epoch uuid.UUID, head int64) {
	t.Helper()
	place, listening := l.Place()
	assert.True(t, listening)
	assert.Equal(t, Place{Epoch: epoch, Head: head}, place)
}

func TestWhatIsToldIsHeardAtOnce(t *testing.T) {
	t.Parallel()
	inHub(t, Limits{}, func(t *testing.T, h *Hub, _ *store) {
		mama, papa, gran := listen(t, h, blue, mamas), listen(t, h, blue, papas), listen(t, h, green, grans)
		for _, l := range []*Listener{mama, papa, gran} {
			assertAt(t, l, firstEpoch, 5)
			woken(l)
		}
		h.Tell(blue, 8)
		h.Tell(blue, 7) // overtaken
		h.Tell(blue, 11)
		h.Tell(uuid.UUID{0xff}, 3)
		for _, l := range []*Listener{mama, papa} {
			assert.True(t, woken(l))
			assert.False(t, woken(l), "once, however much there was")
			assertAt(t, l, firstEpoch, 11)
		}
		assert.False(t, woken(gran))
		assertAt(t, gran, firstEpoch, 5)
		h.Tell(blue, 11)
		h.Tell(blue, 2)
		assert.False(t, woken(mama), "nothing new")
	})
}

func TestWhatOthersCommitIsSeen(t *testing.T) {
	t.Parallel()
	inHub(t, Limits{}, func(t *testing.T, h *Hub, s *store) {
		mama, gran := listen(t, h, blue, mamas), listen(t, h, green, grans)
		woken(mama)
		woken(gran)
		for _, change := range []struct {
			epoch  uuid.UUID
			head   int64
			before string
		}{
			{firstEpoch, 9, "a second server"},
			{newEpoch, 7, "a restore, with a new epoch"},
			{newEpoch, 3, "a restore that nobody announced"},
			{newEpoch, 0, "nothing left"},
		} {
			s.becomes(func(s *store) { s.epoch, s.heads[mamas] = change.epoch, change.head })
			time.Sleep(2 * time.Second)
			synctest.Wait()
			assert.True(t, woken(mama), change.before)
			assertAt(t, mama, change.epoch, change.head)
		}
		assert.True(t, woken(gran), "the epoch is everybody's")
		assertAt(t, gran, newEpoch, 5)
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.False(t, woken(mama))
	})
}

func TestOneLookIsForAllAndOnlyWhileSomebodyListens(t *testing.T) {
	t.Parallel()
	inHub(t, Limits{Every: 7 * time.Second}, func(t *testing.T, h *Hub, s *store) {
		time.Sleep(time.Minute)
		assert.Zero(t, s.looked(), "nobody listens")
		mama, papa, tablet, gran := listen(t, h, blue, mamas), listen(t, h, blue, papas), listen(t, h, blue, papas), listen(t, h, green, grans)
		require.Equal(t, 4, s.looked(), "one when each begins")
		time.Sleep(70*time.Second + time.Millisecond)
		synctest.Wait()
		require.Equal(t, 14, s.looked())
		assert.ElementsMatch(t, []uuid.UUID{mamas, papas, grans}, s.looks[13])
		mama.Leave()
		mama.Leave()
		papa.Leave()
		gran.Leave()
		time.Sleep(7 * time.Second)
		synctest.Wait()
		require.Equal(t, 15, s.looked())
		assert.Equal(t, []uuid.UUID{papas}, s.looks[14])
		tablet.Leave()
		synctest.Wait()
		time.Sleep(time.Hour)
		assert.Equal(t, 15, s.looked(), "the last has left")
		listen(t, h, blue, mamas)
		time.Sleep(7 * time.Second)
		synctest.Wait()
		assert.Equal(t, 17, s.looked())
	})
}

// TestALookThatWasOvertaken must not put back what was told while it was under way, be it the first or a later one.
func TestALookThatWasOvertaken(t *testing.T) {
	t.Parallel()
	inHub(t, Limits{}, func(t *testing.T, h *Hub, s *store) {
		first := make(chan struct{})
		s.becomes(func(s *store) { s.pause = first })
		var mama *Listener
		var err error
		go func() { mama, err = h.Listen(t.Context(), blue, mamas) }()
		synctest.Wait() // it waits for its look, which has seen revision 5
		h.Tell(blue, 6)
		close(first)
		synctest.Wait()
		require.NoError(t, err)
		assertAt(t, mama, firstEpoch, 6)
		woken(mama)

		later := make(chan struct{})
		s.becomes(func(s *store) { s.pause = later })
		time.Sleep(2 * time.Second)
		synctest.Wait()
		h.Tell(blue, 7)
		close(later)
		synctest.Wait()
		assertAt(t, mama, firstEpoch, 7)
		s.becomes(func(s *store) { s.heads[mamas] = 7 })
	})
}

func TestTheNewestListenersOfADeviceStay(t *testing.T) {
	t.Parallel()
	inHub(t, Limits{PerDevice: 2, All: 3}, func(t *testing.T, h *Hub, _ *store) {
		one, two := listen(t, h, blue, mamas), listen(t, h, blue, mamas)
		other := listen(t, h, blue, papas)
		three := listen(t, h, blue, mamas)
		<-one.Ended()
		_, listening := one.Place()
		assert.False(t, listening)
		for _, l := range []*Listener{two, three, other} {
			assert.False(t, l.isEnded())
		}
		_, err := h.Listen(t.Context(), green, grans)
		assert.Equal(t, fault.Unavailable, fault.KindOf(err), "as many as there may be in all")
		other.Leave()
		listen(t, h, green, grans)
	})
}

func TestADeviceThatMayNotListen(t *testing.T) {
	t.Parallel()
	inHub(t, Limits{}, func(t *testing.T, h *Hub, s *store) {
		mama, tablet, papa := listen(t, h, blue, mamas), listen(t, h, blue, mamas), listen(t, h, blue, papas)
		h.Bar(mamas)
		h.Bar(grans)
		<-mama.Ended()
		<-tablet.Ended()
		assert.False(t, papa.isEnded())

		s.becomes(func(s *store) { delete(s.heads, papas) }) // another process has revoked it
		time.Sleep(2 * time.Second)
		synctest.Wait()
		<-papa.Ended()
		_, err := h.Listen(t.Context(), blue, papas)
		assert.Equal(t, fault.Forbidden, fault.KindOf(err))
		assert.Zero(t, h.listeners)
	})
}

func TestAHubThatIsClosed(t *testing.T) {
	t.Parallel()
	inHub(t, Limits{}, func(t *testing.T, h *Hub, s *store) {
		mama, gran := listen(t, h, blue, mamas), listen(t, h, green, grans)
		h.Close()
		<-mama.Ended()
		<-gran.Ended()
		looked := s.looked()
		_, err := h.Listen(t.Context(), blue, mamas)
		assert.Equal(t, fault.Unavailable, fault.KindOf(err))
		h.Tell(blue, 9)
		h.Close()
		mama.Leave()
		time.Sleep(time.Minute)
		assert.Equal(t, looked, s.looked())
	})
}

// TestClosingBreaksOffALook, so that a store that does not answer can't hold up the end.
func TestClosingBreaksOffALook(t *testing.T) {
	t.Parallel()
	inHub(t, Limits{}, func(t *testing.T, h *Hub, s *store) {
		listen(t, h, blue, mamas)
		s.becomes(func(s *store) { s.pause = make(chan struct{}) })
		time.Sleep(2 * time.Second)
		synctest.Wait()
		h.Close()
	})
}

func TestAStoreThatCannotBeLookedAt(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var logged bytes.Buffer
		s := newStore(mamas, papas)
		h := New(Config{Look: s.look, Log: slog.New(slog.NewTextHandler(&logged, nil))})
		defer h.Close()
		mama := listen(t, h, blue, mamas)
		away := errors.New("the store is away")
		s.becomes(func(s *store) { s.err, s.heads[mamas] = away, 8 })
		_, err := h.Listen(t.Context(), blue, papas)
		require.ErrorIs(t, err, away)
		assert.Equal(t, 1, h.listeners)
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.Equal(t, 1, strings.Count(logged.String(), "\n"), "it is said once")
		assert.False(t, mama.isEnded())
		s.becomes(func(s *store) { s.err = nil })
		time.Sleep(2 * time.Second)
		synctest.Wait()
		assertAt(t, mama, firstEpoch, 8)
	})
}

// TestManyAtOnce lets listeners come, hear and go while commits are told and devices barred, for the race detector; in the
// end nobody is left.
func TestManyAtOnce(t *testing.T) {
	t.Parallel()
	households := []uuid.UUID{{1}, {2}, {3}}
	var devices []uuid.UUID
	for i := range byte(9) {
		devices = append(devices, uuid.UUID{0xd0, i})
	}
	s := newStore(devices...)
	h := New(Config{Look: s.look, Log: slog.New(slog.DiscardHandler), Limits: Limits{Every: time.Millisecond, PerDevice: 2, All: 12}})
	var people sync.WaitGroup
	for i := range 12 {
		r := rand.New(rand.NewPCG(uint64(i), 1))
		people.Go(func() {
			for n := range int64(200) {
				which := r.IntN(len(devices))
				household := households[which%len(households)]
				l, err := h.Listen(t.Context(), household, devices[which])
				switch {
				case err == nil && n%3 > 0:
					h.Tell(household, n)
					select {
					case <-l.Woken():
					case <-l.Ended():
					}
					l.Place()
					l.Leave()
				case err == nil:
					h.Bar(devices[which])
				default:
					assert.Contains(t, []fault.Kind{fault.Unavailable, fault.Forbidden}, fault.KindOf(err))
				}
			}
		})
	}
	people.Wait()
	assert.Zero(t, h.listeners)
	assert.Empty(t, maps.Collect(maps.All(h.households)))
	assert.Empty(t, h.devices)
	h.Close()
}
