package client

import (
	"encoding/json"
	"fmt"
	"slices"
)

// What one call may hold. The contract allows 1,000 entries and 1 MiB; the rest is room for the envelope.
const (
	maxBatchEntries = 1000
	maxBatchBytes   = 900_000
)

// batchLimit bounds one call. After a 413 it is halved for the rest of a Sync.
type batchLimit struct {
	entries, bytes int
}

func (l batchLimit) halved() batchLimit {
	return batchLimit{entries: max(1, l.entries/2), bytes: max(1, l.bytes/2)}
}

// batch returns the next items to send, in the order of writing: none that was offered before, none that is stuck, and
// at least one as long as there is any.
func (s State) batch(limit batchLimit, offered map[int64]bool) ([]Pending, error) {
	var items []Pending
	bytes := 0
	for _, item := range s.Outbox {
		if item.stuck() || offered[item.Seq] {
			continue
		}
		text, err := json.Marshal(item.Entry)
		if err != nil {
			return nil, fmt.Errorf("write entry %s: %w", item.Entry.ID, err)
		}
		bytes += len(text) + 1 // and a comma
		if len(items) > 0 && (len(items) == limit.entries || bytes > limit.bytes) {
			break
		}
		items = append(items, item)
	}
	return items, nil
}

// Trouble is an entry of this device that the server did not take as it is.
type Trouble struct {
	Entry   Entry
	Status  string   // Quarantined: kept, to be mended by an edit; IDReuse, TooLarge: not kept, still in the outbox
	Problem *Problem // what to mend; nil when the server did not say
}

// troubles returns what waits in the outbox with a problem, then what was quarantined and not replaced since.
func (s State) troubles(w Writer) []Trouble {
	var all []Trouble
	replaced := map[string]bool{}
	listed := map[string]bool{}
	for _, item := range s.Outbox {
		noteReplaced(replaced, item.Entry)
		if item.stuck() || item.Status == Quarantined {
			all = append(all, Trouble{Entry: item.Entry, Status: item.Status, Problem: item.Problem})
			listed[item.Entry.ID] = true
		}
	}
	known := byRevision(s.Entries)
	for _, k := range known {
		if k.by(w) {
			noteReplaced(replaced, k.Entry)
		}
	}
	for _, k := range known {
		if k.Device == w.Device && k.Status == Quarantined && !replaced[k.Entry.ID] && !listed[k.Entry.ID] {
			all = append(all, Trouble{Entry: k.Entry, Status: k.Status, Problem: k.Problem})
		}
	}
	return slices.Clip(all)
}

func noteReplaced(replaced map[string]bool, e Entry) {
	for _, id := range e.Replaces {
		replaced[id] = true
	}
}

// heads returns the ids of the caregiver's own entries about a subject that no other of theirs replaces, as far as this
// device has seen: first those of the feed, by revision, then those of the outbox.
func (s State) heads(w Writer, subject string) []string {
	var ids []string
	replaced := map[string]bool{}
	for _, own := range s.own(w, subject) {
		ids = append(ids, own.entry.ID)
		if own.counts {
			noteReplaced(replaced, own.entry)
		}
	}
	return slices.DeleteFunc(ids, func(id string) bool { return replaced[id] })
}

// statement is an entry of the caregiver; one that the server keeps without taking it replaces nothing.
type statement struct {
	entry  Entry
	counts bool
}

func (s State) own(w Writer, subject string) []statement {
	var all []statement
	waiting := map[string]bool{}
	for _, item := range s.Outbox {
		waiting[item.Entry.ID] = waiting[item.Entry.ID] || !item.stuck()
	}
	for _, k := range byRevision(s.Entries) {
		if k.Entry.Subject == subject && k.by(w) && !waiting[k.Entry.ID] {
			all = append(all, statement{entry: k.Entry, counts: k.Status == Accepted})
		}
	}
	for _, item := range s.Outbox {
		if item.Entry.Subject == subject && !item.stuck() {
			all = append(all, statement{entry: item.Entry, counts: item.Status != Quarantined})
		}
	}
	return all
}

// find returns the caregiver's own entry with an id.
func (s State) find(w Writer, id string) (Entry, bool) {
	for _, item := range s.Outbox {
		if item.Entry.ID == id && !item.stuck() {
			return item.Entry, true
		}
	}
	known, ok := s.Entries[id]
	return known.Entry, ok && known.by(w)
}
