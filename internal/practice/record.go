package practice

import (
	"slices"
	"sort"
)

// Record is all that a household holds, brought into accounts. It is made once from the household's entries and then
// folded for each learner; the entries it was made from must not change afterwards.
type Record struct {
	entries  []*Stamped // one for each id, by id
	accounts []account  // by subject, author and kind
	idle     map[EntryID]Why
	keptBack bool      // whether any entry was set aside, or something is or was wrong with it
	withdrew []EntryID // retractions that withdrew something
}

// NewRecord brings a household's entries into accounts. Neither their order nor repetition matters. An entry moved to
// another learner by an edit leaves the first, so a household's entries belong together.
func NewRecord(entries []Stamped) *Record {
	r := &Record{entries: make([]*Stamped, len(entries)), idle: map[EntryID]Why{}}
	for i := range entries {
		r.entries[i] = &entries[i]
	}
	slices.SortFunc(r.entries, func(a, b *Stamped) int { return compareIDs(a.ID.UUID, b.ID.UUID) })
	r.entries = slices.CompactFunc(r.entries, func(a, b *Stamped) bool { return a.ID == b.ID })
	r.accounts = r.accountsOf(r.voices())
	// A clinician's retraction may speak for two witnesses, and withdraw something of one of them only.
	for _, id := range r.withdrew {
		delete(r.idle, id)
	}
	return r
}

// entry returns the entry of an id, nil where the household holds none.
func (r *Record) entry(id EntryID) *Stamped {
	i := sort.Search(len(r.entries), func(i int) bool { return compareIDs(r.entries[i].ID.UUID, id.UUID) >= 0 })
	if i < len(r.entries) && r.entries[i].ID == id {
		return r.entries[i]
	}
	return nil
}

// accountsOn returns the accounts of a subject.
func (r *Record) accountsOn(subject SubjectID) []account {
	first := sort.Search(len(r.accounts), func(i int) bool {
		return compareIDs(r.accounts[i].subject().UUID, subject.UUID) >= 0
	})
	last := first
	for last < len(r.accounts) && r.accounts[last].subject() == subject {
		last++
	}
	return r.accounts[first:last]
}

// heads calls yield with every standing entry of one kind about a learner, and its account, in the order of accounts.
func (r *Record) heads(kind Kind, learner LearnerID, yield func(*account, *Stamped)) {
	for i := range r.accounts {
		a := &r.accounts[i]
		if a.kind != kind {
			continue
		}
		for _, head := range a.heads {
			if head.Learner == learner {
				yield(a, head)
			}
		}
	}
}
