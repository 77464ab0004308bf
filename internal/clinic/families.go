package clinic

import (
	"context"
	"sync"
	"unsafe"

	"github.com/google/uuid"

	"swallowtail/internal/door"
	"swallowtail/internal/packing"
)

const (
	// mostKept is how many octets of families are kept.
	mostKept = 8 << 20
	// largestKept is how many octets a family may take that is kept, so that nobody's is in the place of all others.
	largestKept = mostKept / 8
	// What each takes in memory, about, beside its texts: a household with its people, plans and enrolments; a device; a reminder, a try to
	// deliver it and what came of following a family up; what is kept of a fold; a piece of what the door read.
	sizeOfHousehold = 5 << 10
	sizeOfDevice    = 500
	sizeOfDelivery  = 300
	sizeOfTry       = 150
	sizeOfFollowUp  = 200
	sizeOfFold      = 1 << 10
	sizeOfPiece     = 32
)

// families are households as they were read or folded last, kept in memory so that the next call about one reads nothing but whether it
// is still of the same edition, and what was sent if that is to be told. The zero value is empty. Safe for concurrent use.
//
// Only what is known to be committed may be kept.
type families struct {
	mu    sync.Mutex
	kept  map[uuid.UUID]*family
	sizes map[uuid.UUID]int // of each, in octets
	size  int               // of all
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
	if size > largestKept {
		return
	}
	for other := range f.kept {
		if f.size+size <= mostKept {
			break
		}
		f.forget(other)
	}
	if f.kept == nil {
		f.kept, f.sizes = map[uuid.UUID]*family{}, map[uuid.UUID]int{}
	}
	f.kept[id], f.sizes[id] = now, size
	f.size += size
}

func (f *families) forget(household uuid.UUID) {
	f.size -= f.sizes[household]
	delete(f.kept, household)
	delete(f.sizes, household)
}

// size returns about how many octets a family takes.
func (f *family) size() int {
	size := sizeOfHousehold + len(f.devices)*sizeOfDevice + cap(f.stored)*int(unsafe.Sizeof(Held{})) + cap(f.readings)*sizeOfPiece
	for _, piece := range f.readings {
		size += len(piece)
	}
	for i := range f.problems {
		size += int(unsafe.Sizeof(problem{})) + cap(f.problems[i].text)
	}
	for _, deliveries := range f.past {
		for i := range deliveries {
			size += sizeOfDelivery
			for _, t := range deliveries[i].Tries {
				size += sizeOfTry + len(t.Detail)
			}
		}
	}
	for _, followUps := range f.followUps {
		for _, u := range followUps {
			size += sizeOfFollowUp + len(u.Note)
		}
	}
	for _, p := range f.kept {
		size += sizeOfFold + cap(p.Row) + cap(p.Weighed.Doc) + cap(p.Nights)*int(unsafe.Sizeof(ProjectedNight{}))
	}
	return size
}

// lean returns the family without what is soon made again of the rest, and without what was sent, which few ask for again.
func (f *family) lean() *family {
	lean := *f
	lean.record, lean.stamped, lean.members, lean.sent = nil, nil, nil, nil
	return &lean
}

// textsOf returns what was sent of each entry.
func textsOf(entries []StoredEntry) [][]byte {
	texts := make([][]byte, len(entries))
	for i := range entries {
		texts[i] = entries[i].Sent
	}
	return texts
}

// text returns what was sent of the nth stored entry, which must have been read.
func (f *family) text(n int) []byte { return f.sent[n-(len(f.stored)-len(f.sent))] }

// untold returns up to which revision a cursor is told of, and whether the family holds more than that. Of none, and where the cursor is of
// another history, it does not.
func (f *family) untold(cursor string) (after int64, more bool) {
	if f == nil {
		return 0, false
	}
	at, err := f.bookmarkOf(cursor)
	return at.rev, err == nil && f.countUpTo(at.rev) < len(f.stored)
}

// entriesView is where entries are read.
type entriesView interface {
	Entries(ctx context.Context, household uuid.UUID, after int64, limit int) ([]StoredEntry, error)
}

// withTexts returns a family of which at least what was sent after a revision is known, as it is in a view; false where the view has another
// history.
func (f *family) withTexts(ctx context.Context, view entriesView, after int64) (*family, bool, error) {
	wanted := len(f.stored) - f.countUpTo(after)
	if wanted <= len(f.sent) {
		return f, true, nil
	}
	entries, err := view.Entries(ctx, f.household.ID, after, 0)
	if err != nil {
		return nil, false, err
	}
	if len(entries) < wanted || entries[wanted-1].Chain != f.stored[len(f.stored)-1].Chain {
		return nil, false, nil
	}
	told := *f
	told.sent = textsOf(entries[:wanted])
	return &told, true, nil
}

// membersOf returns the members of the nth stored entry as they stand in it.
func (f *family) membersOf(n int) door.Members {
	if at := n - (len(f.stored) - len(f.members)); at >= 0 {
		return f.members[at]
	}
	return f.reread(n).Members
}

func (f *family) reread(n int) door.Reading {
	e := &f.stored[n]
	return door.Reread(f.text(n), e.Schema, e.Author.Role)
}

// readingsFor returns the readings of a family's entries that hold for the first of those stored, and of how many they are: all, if the last of
// them is still there, since its chain is over all before it and everything about them; else none, as of another history after a restore.
func (f *family) readingsFor(stored []Held) ([]packing.Packed, int) {
	if f == nil {
		return nil, 0
	}
	last := len(f.stored) - 1
	if last < 0 || last >= len(stored) || stored[last].Rev != f.stored[last].Rev || stored[last].Chain != f.stored[last].Chain {
		return nil, 0
	}
	return f.readings, f.read
}
