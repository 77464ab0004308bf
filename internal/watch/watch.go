// Package watch tells listeners when the record of their household moves on.
//
// A [Hub] learns of it in two ways. Whoever commits in this process tells it at once. What other processes commit to the
// same store it looks up by itself, now and then, in one look for everything that is listened to, and only while somebody
// listens.
//
// No listener is sent a queue: it is woken, and asks where things stand. So one that is slow costs nothing, and misses
// nothing but what has been overtaken.
package watch

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/fault"
)

// Place is where a household's record stands.
type Place struct {
	Epoch uuid.UUID // the name of the store's history
	Head  int64     // the household's newest revision, 0 before the first
}

// Look is what one look at the store found, all of it in one state of the store.
type Look struct {
	Epoch uuid.UUID
	Heads map[uuid.UUID]int64 // of the household of each device; none of a device that may not listen
}

// Limits bound what listening costs. A field that is zero has its default.
type Limits struct {
	Every     time.Duration // how often to look for what other processes committed; 2 s
	PerDevice int           // listeners of one device: the newest stay; 3
	All       int           // listeners of the whole service: further ones are refused; 10,000
}

// Config is what a hub works with. All but the limits must be set.
type Config struct {
	// Look returns where the households of devices stand.
	Look func(ctx context.Context, devices []uuid.UUID) (Look, error)
	Log  *slog.Logger
	Limits
}

// Hub knows who listens to which household. It is safe for use by several goroutines.
type Hub struct {
	config Config

	mu         sync.Mutex
	households map[uuid.UUID]*household
	devices    map[uuid.UUID][]*Listener // the oldest first
	listeners  int
	closed     bool
	stop       context.CancelFunc // ends the looking out; nil while nobody listens
	running    sync.WaitGroup
}

// household is one that somebody listens to.
type household struct {
	place     Place
	told      int // how often somebody told of a commit: a look from before that may be behind
	listeners map[*Listener]struct{}
}

// New returns a hub to which nobody listens yet.
func New(c Config) *Hub {
	if c.Every == 0 {
		c.Every = 2 * time.Second
	}
	if c.PerDevice == 0 {
		c.PerDevice = 3
	}
	if c.All == 0 {
		c.All = 10_000
	}
	return &Hub{config: c, households: map[uuid.UUID]*household{}, devices: map[uuid.UUID][]*Listener{}}
}

// Listener waits for what is new in a household. Whoever has it must leave in the end.
type Listener struct {
	hub       *Hub
	household uuid.UUID
	device    uuid.UUID
	woken     chan struct{} // holds at most one
	ended     chan struct{} // closed by the hub, under its lock
}

// Woken gives something whenever the household's record may stand elsewhere than before.
func (l *Listener) Woken() <-chan struct{} { return l.woken }

// Ended is closed once there is nothing to listen for any more: the device has been barred or has opened newer listeners,
// the household is gone, or the service ends.
func (l *Listener) Ended() <-chan struct{} { return l.ended }

// Place returns where the household's record stands; false once the listener has ended.
func (l *Listener) Place() (Place, bool) {
	l.hub.mu.Lock()
	defer l.hub.mu.Unlock()
	if l.isEnded() {
		return Place{}, false
	}
	return l.hub.households[l.household].place, true
}

// Leave ends the listener. To do so again does nothing.
func (l *Listener) Leave() {
	l.hub.mu.Lock()
	defer l.hub.mu.Unlock()
	l.hub.endLocked(l)
}

func (l *Listener) isEnded() bool {
	select {
	case <-l.ended:
		return true
	default:
		return false
	}
}

var (
	errFull = fault.New(fault.Unavailable, "too-many-listeners",
		"More devices listen than the server bears: try again later, and sync now and then meanwhile.")
	errClosed = fault.New(fault.Unavailable, "unavailable", "The server is about to stop: try again in a while.")
	errBarred = fault.New(fault.Forbidden, "forbidden", "Your role does not have the right to do this.")
)

// Listen adds a listener of a device. It has looked at the store when it returns, so that nothing is missed between that
// look and the first waking. It returns a fault of kind Unavailable while too many listen, and once the hub is closed; of
// kind Forbidden where the device may not listen; and otherwise the error of the look.
func (h *Hub) Listen(ctx context.Context, householdID, device uuid.UUID) (*Listener, error) {
	l := &Listener{
		hub: h, household: householdID, device: device, woken: make(chan struct{}, 1), ended: make(chan struct{}),
	}
	if err := h.join(l); err != nil {
		return nil, err
	}
	if err := h.look(ctx, l); err != nil {
		l.Leave()
		return nil, err
	}
	if l.isEnded() {
		return nil, errBarred
	}
	return l, nil
}

func (h *Hub) join(l *Listener) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return errClosed
	}
	if others := h.devices[l.device]; len(others) >= h.config.PerDevice {
		h.endLocked(others[0])
	}
	if h.listeners >= h.config.All {
		return errFull
	}
	if h.households[l.household] == nil {
		h.households[l.household] = &household{listeners: map[*Listener]struct{}{}}
	}
	h.households[l.household].listeners[l] = struct{}{}
	h.devices[l.device] = append(h.devices[l.device], l)
	h.listeners++
	if h.stop == nil {
		// The looking out belongs to no request.
		ctx, stop := context.WithCancel(context.Background())
		h.stop = stop
		h.running.Go(func() { h.lookOut(ctx) })
	}
	return nil
}

// endLocked ends a listener, unless it has ended.
func (h *Hub) endLocked(l *Listener) {
	if l.isEnded() {
		return
	}
	close(l.ended)
	w := h.households[l.household]
	delete(w.listeners, l)
	if len(w.listeners) == 0 {
		delete(h.households, l.household)
	}
	others := slices.DeleteFunc(h.devices[l.device], func(other *Listener) bool { return other == l })
	h.devices[l.device] = others
	if len(others) == 0 {
		delete(h.devices, l.device)
	}
	h.listeners--
	if h.listeners == 0 {
		h.stop()
		h.stop = nil
	}
}

// Tell says that a household's record has been committed up to a revision. Tidings may overtake each other.
func (h *Hub) Tell(id uuid.UUID, head int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	w := h.households[id]
	if w == nil {
		return
	}
	w.told++
	w.moveLocked(Place{Epoch: w.place.Epoch, Head: max(w.place.Head, head)})
}

// Bar ends what a device listens to.
func (h *Hub) Bar(device uuid.UUID) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.barLocked(device)
}

func (h *Hub) barLocked(device uuid.UUID) {
	for len(h.devices[device]) > 0 {
		h.endLocked(h.devices[device][0])
	}
}

// Close ends every listener and the looking out, and lets nobody listen any more. To do so again does nothing.
func (h *Hub) Close() {
	h.mu.Lock()
	h.closed = true
	for _, w := range h.households {
		h.endAllLocked(w)
	}
	h.mu.Unlock()
	h.running.Wait()
}

func (h *Hub) endAllLocked(w *household) {
	for l := range w.listeners {
		h.endLocked(l)
	}
}

// moveLocked notes where the record stands and wakes the listeners where that is elsewhere than before.
func (w *household) moveLocked(to Place) {
	if to == w.place {
		return
	}
	w.place = to
	for l := range w.listeners {
		select {
		case l.woken <- struct{}{}:
		default: // it is to wake already
		}
	}
}
