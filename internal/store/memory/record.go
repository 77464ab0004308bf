package memory

import (
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// record is the entries of a household. Nothing in it is written to: a longer one takes its place.
type record struct {
	entries []*clinic.StoredEntry // by revision, the first having revision 1
	byID    []int32               // places in entries, in the order of ids
}

// plus returns a record with more entries; false where an id is taken.
func (r record) plus(more []clinic.StoredEntry) (record, bool) {
	was := len(r.entries)
	longer := record{
		entries: append(make([]*clinic.StoredEntry, 0, was+len(more)), r.entries...),
		byID:    append(make([]int32, 0, was+len(more)), r.byID...),
	}
	more = slices.Clone(more)
	for i := range more {
		e := &more[i]
		at, taken := longer.place(e.ID)
		if taken {
			return record{}, false
		}
		e.Received, e.Stored = kept(e.Received), kept(e.Stored)
		e.Problem, e.Sent = document(e.Problem), document(e.Sent)
		longer.entries = append(longer.entries, e)
		longer.byID = slices.Insert(longer.byID, at, int32(was+i)) //nolint:gosec // a household holds thousands at most
	}
	return longer, true
}

// place returns where an id is among the ids in their order, or where it would be.
func (r record) place(id uuid.UUID) (int, bool) {
	return slices.BinarySearchFunc(r.byID, id, func(at int32, id uuid.UUID) int {
		return compareIDs(r.entries[at].ID, id)
	})
}
