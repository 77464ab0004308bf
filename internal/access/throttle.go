package access

import (
	"container/list"
	"crypto/sha256"
	"math"
	"sync"
	"time"
)

// ThrottleLimits say how a Throttle slows down whoever guesses. Every field must be positive, Free may be zero, and Growth must
// be 1 at least.
type ThrottleLimits struct {
	Free     int           // failures in a row that cost no wait
	First    time.Duration // the wait after the failure that follows them
	Growth   float64       // how many times longer each wait is than the one before
	Ceiling  time.Duration // the longest wait
	Remember time.Duration // how long after its last failure a key is forgotten; never less than Ceiling
	Keys     int           // how many keys are kept at most
}

// Throttle counts failures by key, and tells how long a key must wait until it may try again: the more failures, the longer. Any
// number of goroutines may use it. It works on the instants that it is given and has no clock.
//
// The counts are in memory and this process's alone. A restart forgets them, so whoever can make the server restart begins with
// the free failures again; several servers over one store each count for themselves, so that many servers allow as many times
// the failures.
//
// It holds at most Keys keys, each in the same space however long it is. When another comes, one goes: forgotten ones first, then
// the one that failed longest ago among those that have no wait yet, and only then among those that have. So a flood of new keys
// takes back other keys' free failures, which is Free more guesses at each for every flood of Keys guesses elsewhere; to take
// back a wait, an attacker must bring Keys keys past their own free failures first.
type Throttle struct {
	limits ThrottleLimits

	mu      sync.Mutex
	keys    map[throttleKey]*list.Element
	free    *list.List // of *failures without a wait, the one that failed longest ago first
	waiting *list.List // and with one
}

// throttleKey is the hash of a key, so that long keys take no more room.
type throttleKey [sha256.Size]byte

type failures struct {
	key   throttleKey
	count int
	last  time.Time
	prior time.Time // of the failure before the last, for Return
}

// NewThrottle returns a throttle that has counted nothing.
func NewThrottle(l ThrottleLimits) *Throttle {
	l.Remember = max(l.Remember, l.Ceiling)
	return &Throttle{limits: l, keys: map[throttleKey]*list.Element{}, free: list.New(), waiting: list.New()}
}

// Wait returns how long a key must still wait at now: 0 where it may go on.
func (t *Throttle) Wait(key string, now time.Time) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.waitLocked(sha256.Sum256([]byte(key)), now)
}

// Fail counts a failure of a key at now.
func (t *Throttle) Fail(key string, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.failLocked(sha256.Sum256([]byte(key)), now)
}

// Take is Wait and, where that is 0, Fail in one step, before it is known how the try ends, so that many tries at once don't pass
// as one. A try that succeeds is followed by Clear, one that is neither success nor failure by Return.
func (t *Throttle) Take(key string, now time.Time) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	hashed := sha256.Sum256([]byte(key))
	wait := t.waitLocked(hashed, now)
	if wait == 0 {
		t.failLocked(hashed, now)
	}
	return wait
}

// Return takes back one failure that Take has counted.
func (t *Throttle) Return(key string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	hashed := throttleKey(sha256.Sum256([]byte(key)))
	f, ok := t.failuresLocked(hashed)
	if !ok {
		return
	}
	t.dropLocked(hashed)
	f.count--
	f.last = f.prior // or the whole wait would begin anew
	if f.count > 0 {
		t.keepLocked(f)
	}
}

// Clear forgets a key's failures.
func (t *Throttle) Clear(key string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.dropLocked(sha256.Sum256([]byte(key)))
}

func (t *Throttle) failuresLocked(key throttleKey) (*failures, bool) {
	element, ok := t.keys[key]
	if !ok {
		return nil, false
	}
	f, ok := element.Value.(*failures)
	return f, ok
}

func (t *Throttle) waitLocked(key throttleKey, now time.Time) time.Duration {
	f, ok := t.failuresLocked(key)
	if !ok || t.forgotten(f, now) {
		return 0
	}
	wait := t.waitAfter(f.count)
	// Where the clock was set back, no longer than the whole wait.
	return min(max(f.last.Add(wait).Sub(now), 0), wait)
}

// waitAfter is how long a key waits after so many failures.
func (t *Throttle) waitAfter(count int) time.Duration {
	beyond := count - t.limits.Free
	if beyond <= 0 {
		return 0
	}
	wait := float64(t.limits.First) * math.Pow(t.limits.Growth, float64(beyond-1))
	return time.Duration(min(wait, float64(t.limits.Ceiling)))
}

func (t *Throttle) forgotten(f *failures, now time.Time) bool {
	return now.Sub(f.last) >= t.limits.Remember
}

func (t *Throttle) failLocked(key throttleKey, now time.Time) {
	f, ok := t.failuresLocked(key)
	if !ok || t.forgotten(f, now) {
		f = &failures{key: key}
	}
	t.dropLocked(key)
	for len(t.keys) >= t.limits.Keys {
		t.evictLocked(now)
	}
	f.count++
	f.prior, f.last = f.last, now
	t.keepLocked(f)
}

// keepLocked files a key among those that failed last.
func (t *Throttle) keepLocked(f *failures) {
	in := t.listFor(f)
	t.keys[f.key] = in.PushBack(f)
}

func (t *Throttle) dropLocked(key throttleKey) {
	element, ok := t.keys[key]
	if !ok {
		return
	}
	f, _ := element.Value.(*failures)
	t.listFor(f).Remove(element)
	delete(t.keys, key)
}

func (t *Throttle) listFor(f *failures) *list.List {
	if t.waitAfter(f.count) > 0 {
		return t.waiting
	}
	return t.free
}

// evictLocked makes room for one key.
func (t *Throttle) evictLocked(now time.Time) {
	var victim *failures
	for _, in := range []*list.List{t.waiting, t.free} {
		front := in.Front()
		if front == nil {
			continue
		}
		victim, _ = front.Value.(*failures)
		if t.forgotten(victim, now) {
			break
		}
	}
	t.dropLocked(victim.key)
}
