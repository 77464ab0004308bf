package clinic

import (
	"sync"

	"github.com/google/uuid"

	"swallowtail/internal/door"
)

const (
	// mostKept is how many octets of families are kept.
	mostKept = 16 << 20
	// sizeOfEntry is about what an entry takes in memory beside itself as it was sent: as it is stored, as the door read it, as it is
	// folded, and in the record.
	sizeOfEntry = 1400
	// sizeOfFamily is about what a family of one learner, one plan and two devices takes beside its entries and what is kept of folds.
	sizeOfFamily = 6 << 10
)

// families are households as they were read or folded last, kept in memory so that the next call about one reads nothing but whether it
// is still of the same edition. The zero value is empty; a nil one keeps nothing. Safe for concurrent use.
//
// Only what is known to be committed may be kept.
type families struct {
	mu   sync.Mutex
	kept map[uuid.UUID]*family
	size int // of all, in octets
}

// of returns a household as it was kept, of whatever edition; nil where it is not.
func (f *families) of(household uuid.UUID) *family {
	if f == nil {
		return nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.kept[household]
}

// keep keeps a family, and where these are too many forgets others, whichever they be.
func (f *families) keep(now *family) {
	if f == nil {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	id, size := now.household.ID, now.size()
	f.forget(id)
	for other := range f.kept {
		if f.size+size <= mostKept {
			break
		}
		f.forget(other)
	}
	if size > mostKept {
		return
	}
	if f.kept == nil {
		f.kept = map[uuid.UUID]*family{}
	}
	f.kept[id] = now
	f.size += size
}

func (f *families) forget(household uuid.UUID) {
	if kept := f.kept[household]; kept != nil {
		f.size -= kept.size()
		delete(f.kept, household)
	}
}

// size returns about how many octets a family takes.
func (f *family) size() int {
	size := sizeOfFamily
	for i := range f.stored {
		size += sizeOfEntry + len(f.stored[i].Sent)
	}
	for _, p := range f.kept {
		size += len(p.Row) + len(p.Weighed.Doc) + len(p.Nights)*packedNight
	}
	return size
}

// reading is what the door made of an entry, and the entry's link in the chain: a hash over everything about it, so that what was read of
// it holds for as long as that is the same. Nobody changes it.
type reading struct {
	chain [32]byte
	door.Reading
}

// readAll returns the readings of entries, from those that are known by revision where they are among them.
func readAll(stored []StoredEntry, known []reading) []reading {
	read := make([]reading, len(stored))
	for i := range stored {
		read[i] = readingOf(&stored[i], known)
	}
	return read
}

func readingOf(e *StoredEntry, known []reading) reading {
	if at := e.Rev - 1; at >= 0 && at < int64(len(known)) && known[at].chain == e.Chain {
		return known[at]
	}
	return reading{e.Chain, door.Reread(e.Sent, e.Schema, e.Author.Role)}
}
