package clinic

import (
	"sync"

	"github.com/google/uuid"

	"swallowtail/internal/door"
)

// mostReadings is how many entries' readings are kept, each with the entry as it was sent, at some 700 octets without its
// note.
const mostReadings = 50_000

// readings are what the door made of the entries of some households, kept in memory so that the next fold of one reads
// only what is new. The zero value is empty; a nil one keeps nothing. Safe for concurrent use.
//
// What is kept of an entry holds for as long as its link in the chain, a hash over everything about it, is the same: a
// transaction that was undone, or another history after a restore, finds nothing here that is not its own.
type readings struct {
	mu    sync.Mutex
	kept  map[uuid.UUID][]reading // by household; in each by revision, from 1
	count int
}

// reading is what the door made of an entry. Nobody changes it.
type reading struct {
	chain [32]byte
	door.Reading
}

// of returns the readings of a household's entries, and keeps them where the entries are all there are, in their order.
func (r *readings) of(household uuid.UUID, stored []StoredEntry) []reading {
	known := r.lookUp(household)
	read := make([]reading, len(stored))
	inOrder := true
	for i := range stored {
		e := &stored[i]
		read[i] = readingOf(e, known)
		inOrder = inOrder && e.Rev == int64(i)+1
	}
	if inOrder {
		r.keep(household, read)
	}
	return read
}

// readingOf returns the reading of an entry, from those that are known by revision where it is among them.
func readingOf(e *StoredEntry, known []reading) reading {
	if at := e.Rev - 1; at >= 0 && at < int64(len(known)) && known[at].chain == e.Chain {
		return known[at]
	}
	return reading{e.Chain, door.Reread(e.Sent, e.Schema, e.Author.Role)}
}

func (r *readings) lookUp(household uuid.UUID) []reading {
	if r == nil {
		return nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.kept[household]
}

// keep keeps the readings of a household, and where these are too many forgets those of others, whichever they be.
func (r *readings) keep(household uuid.UUID, now []reading) {
	if r == nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.forget(household)
	for other := range r.kept {
		if r.count+len(now) <= mostReadings {
			break
		}
		r.forget(other)
	}
	if len(now) > mostReadings {
		return
	}
	if r.kept == nil {
		r.kept = map[uuid.UUID][]reading{}
	}
	r.kept[household] = now
	r.count += len(now)
}

func (r *readings) forget(household uuid.UUID) {
	r.count -= len(r.kept[household])
	delete(r.kept, household)
}
