package simulate

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"io"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
)

// Schedule says which schedule to play. The zero value with a seed is the ordinary one.
type Schedule struct {
	Seed  uint64
	Trace io.Writer // gets a line for each step; nil for none
	// Hear is told whatever the server answers, as it goes out; nil for nobody.
	Hear func(what string, answer []byte)
	// after is called with the world once it has been healed and checked; nil for nothing.
	after func(w *World)
}

// Result is what came of a schedule.
type Result struct {
	Operations int    // steps taken, calls answered and entries written
	Trace      uint64 // a hash over all that happened
	Violations []Violation
}

// World is one schedule while it is played. It is used by one goroutine.
type World struct {
	ctx    context.Context
	hear   func(what string, answer []byte)
	street *Street
	house  *house
	random *rand.Rand
	now    time.Time // the server's clock

	server    server
	phones    []*phone
	exchanges []*exchange // calls that a phone waits for
	late      []*exchange // calls that nobody waits for any more and that may still arrive
	phoneIDs  ids
	clinicIDs ids
	pageLimit int
	quarrel   bool      // whether little goes wrong, and the family goes over what it has written
	occasion  time.Time // when the family last sat down to practise

	ledger  ledger
	reader  reader
	backups []Snapshot

	operations int
	violations []Violation
	trace      trace
}

// Play plays a schedule in a house of the street.
func (s *Street) Play(ctx context.Context, what Schedule) (Result, error) {
	w, err := s.enter(ctx, what)
	if err != nil {
		return Result{}, fmt.Errorf("schedule %d: %w", what.Seed, err)
	}
	for range w.steps() {
		w.step()
		if len(w.violations) > 0 {
			break // what follows from a broken world says nothing
		}
	}
	if len(w.violations) == 0 {
		w.heal()
	}
	if len(w.violations) == 0 && what.after != nil {
		what.after(w)
	}
	for _, p := range w.phones {
		p.kill()
	}
	result := Result{Operations: w.operations, Trace: w.trace.sum, Violations: w.violations}
	return result, w.server.store.Close()
}

// pageLimits are how many entries a page may hold. Most schedules do with one page, since each costs as much as a call.
var pageLimits = [...]int{4, 15, 500, 500, 500, 500, 500, 500}

// enter begins a schedule.
func (s *Street) enter(ctx context.Context, what Schedule) (*World, error) {
	random := rand.New(rand.NewPCG(what.Seed, 0)) //nolint:gosec // a schedule is to be repeated from its seed
	of := shape{people: 2 + random.IntN(3), phones: 1 + min(random.IntN(6), random.IntN(6), random.IntN(6))}
	h, err := s.house(ctx, of)
	if err != nil {
		return nil, err
	}
	w := &World{
		ctx: ctx, hear: what.Hear, street: s, house: h, random: random, now: began,
		phoneIDs: ids{space: phoneSpace}, clinicIDs: ids{space: clinicSpace},
		pageLimit: pageLimits[random.IntN(len(pageLimits))], occasion: began.Add(-time.Hour), quarrel: what.Seed%quarrelEvery == 0,
		trace: trace{to: what.Trace, sum: what.Seed},
	}
	if err := w.server.start(w); err != nil {
		return nil, err
	}
	w.ledger = newLedger()
	for _, principal := range h.phones[:of.phones] {
		w.addPhone(principal)
	}
	w.reader = reader{principal: h.phones[of.phones], stamps: map[uuid.UUID]*client.Stamp{}}
	w.say("shape", of.people, of.phones, w.pageLimit)
	return w, nil
}

// quarrelEvery is how many schedules there are to each that is a quarrel.
const quarrelEvery = 3

// steps draws how long the schedule is.
func (w *World) steps() int {
	if w.quarrel {
		return 24 + w.random.IntN(28)
	}
	return 12 + w.random.IntN(30)
}

// chance is true in one of n cases.
func (w *World) chance(n int) bool { return w.random.IntN(n) == 0 }

// oneOf draws an item; false when there is none.
func oneOf[T any](w *World, items []T) (item T, ok bool) {
	if len(items) == 0 {
		return item, false
	}
	return items[w.random.IntN(len(items))], true
}

// trace is what happened, as a hash and, where asked for, as lines to read.
type trace struct {
	to  io.Writer
	sum uint64
}

// say adds a line to the trace.
func (w *World) say(what string, numbers ...int) {
	h := fnv.New64a()
	_, _ = io.WriteString(h, what) // a hash takes everything
	var b [8]byte
	for _, n := range append(numbers, int(w.trace.sum)) { //nolint:gosec // only the bits matter
		binary.BigEndian.PutUint64(b[:], uint64(n)) //nolint:gosec // only the bits matter
		_, _ = h.Write(b[:])
	}
	w.trace.sum = h.Sum64()
	if w.trace.to != nil {
		fmt.Fprintf(w.trace.to, "%s %s %v\n", w.now.Format("02 15:04:05"), what, numbers)
	}
}

// tell explains, where a trace is asked for.
func (w *World) tell(format string, args ...any) {
	if w.trace.to != nil {
		fmt.Fprintf(w.trace.to, "    "+format+"\n", args...)
	}
}

// heard hands on what the server has answered, in whatever form it has, where somebody wants to hear it.
func (w *World) heard(what string, answer any) {
	if w.hear == nil {
		return
	}
	if raw, is := answer.([]byte); is {
		w.hear(what, raw)
		return
	}
	w.hear(what, fmt.Appendf(nil, "%+v", answer))
}

// broken notes something that must not happen in any world.
func (w *World) broken(format string, args ...any) { w.violate(Works, format, args...) }

// view reads the server's store.
func (w *World) view(fn func(ctx context.Context, view clinic.View) error) {
	if err := w.server.store.Read(w.ctx, fn); err != nil {
		w.broken("the store can't be read: %v", err)
	}
}
