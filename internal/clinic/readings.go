package clinic

import (
	"sync"

	"github.com/google/uuid"

	"swallowtail/internal/door"
)

const (
	// mostKept is how many octets of readings are kept.
	mostKept = 16 << 20
	// sizeOfReading is what a reading takes beside the entry as it was sent, which it keeps.
	sizeOfReading = 400
)

// readings are what the door made of the entries of some households, kept in memory so that the next fold of one reads
// only what is new. The zero value is empty; a nil one keeps nothing. Safe for concurrent use.
//
// What is kept of an entry holds for as long as its link in the chain, a hash over everything about it, is the same: a
// transaction that was undone, or another history after a restore, finds nothing here that is not its own.
type readings struct {
	mu    sync.Mutex
	kept  map[uuid.UUID][]reading // by household; in each by revision, from 1
	sizes map[uuid.UUID]int       // by household, in octets
	size  int                     // of all
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
	inOrder, size := true, 0
	for i := range stored {
		e := &stored[i]
		read[i] = readingOf(e, known)
		inOrder = inOrder && e.Rev == int64(i)+1
		size += sizeOfReading + len(e.Sent)
	}
	if inOrder {
		r.keep(household, read, size)
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
func (r *readings) keep(household uuid.UUID, now []reading, size int) {
	if r == nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.forget(household)
	for other := range r.kept {
		if r.size+size <= mostKept {
			break
		}
		r.forget(other)
	}
	if size > mostKept {
		return
	}
	if r.kept == nil {
		r.kept, r.sizes = map[uuid.UUID][]reading{}, map[uuid.UUID]int{}
	}
	r.kept[household], r.sizes[household] = now, size
	r.size += size
}

func (r *readings) forget(household uuid.UUID) {
	r.size -= r.sizes[household]
	delete(r.kept, household)
	delete(r.sizes, household)
}
