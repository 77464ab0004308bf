package clinic

import (
	"slices"
	"sync"

	"github.com/google/uuid"

	"swallowtail/internal/door"
	"swallowtail/internal/practice"
)

const (
	// mostKept is how many octets of families are kept.
	mostKept = 16 << 20
	// sizeOfEntry is about what an entry takes in memory beside itself as it was sent: as it is stored, and as the door read it.
	sizeOfEntry = 600
	// sizeOfFamily is about what a family of one learner, one plan and two devices takes beside its entries and what is kept of folds.
	sizeOfFamily = 6 << 10
)

// families are households as they were read or folded last, kept in memory so that the next call about one reads nothing but whether it
// is still of the same edition. The zero value is empty. Safe for concurrent use.
//
// Only what is known to be committed may be kept.
type families struct {
	mu   sync.Mutex
	kept map[uuid.UUID]*family
	size int // of all, in octets
}

// of returns a household as it was kept, lean and of whatever edition; nil where it is not.
func (f *families) of(household uuid.UUID) *family {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.kept[household]
}

// keep keeps a family, and where these are too many forgets others, whichever they be.
func (f *families) keep(now *family) {
	now = now.lean()
	id, size := now.household.ID, now.size()
	f.mu.Lock()
	defer f.mu.Unlock()
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

// lean returns the family without what is soon made again of the rest.
func (f *family) lean() *family {
	lean := *f
	lean.record, lean.stamped = nil, nil
	lean.read = slices.Clone(f.read)
	for i := range lean.read {
		lean.read[i].members = nil
	}
	return &lean
}

// reading is what the door made of an entry. Nobody changes it.
type reading struct {
	practice.Entry
	mayBeIncident, flawed bool
	members               *door.Members // nil where they are to be read again
}

func readingOf(e *StoredEntry) reading {
	r := door.Reread(e.Sent, e.Schema, e.Author.Role)
	return reading{r.Entry, r.MayBeIncident, r.Flawed, &r.Members}
}

// membersOf returns the members of an entry as they stand in it.
func (r *reading) membersOf(e *StoredEntry) door.Members {
	if r.members == nil {
		return door.Reread(e.Sent, e.Schema, e.Author.Role).Members
	}
	return *r.members
}

// readingsFor returns the readings of a family's entries that hold for the first of those stored: all, if the last of them is still there,
// since its chain is over all before it and everything about them; else none, as of another history after a restore.
func (f *family) readingsFor(stored []StoredEntry) []reading {
	if f == nil {
		return nil
	}
	last := len(f.stored) - 1
	if last < 0 || last >= len(stored) || stored[last].Rev != f.stored[last].Rev || stored[last].Chain != f.stored[last].Chain {
		return nil
	}
	return f.read
}
