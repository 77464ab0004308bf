package clinic

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// Held is what is kept in memory of a stored entry: all but what was sent and why it is quarantined. It points at nothing, so that the
// entries of hundreds of households are nothing that a collector of garbage has to look at.
type Held struct {
	Rev         int64
	ID          uuid.UUID
	Learner     uuid.UUID // zero where it names no learner of the household
	Author      practice.Author
	status      uint8     // its place among statuses
	Schema      int       // of the upload
	Device      uuid.UUID // zero for a clinician's
	received    int64     // in milliseconds since 1970, as the store keeps it
	stored      int64     // as above
	ClockOffset time.Duration
	Content     [32]byte
	Chain       [32]byte
}

// statuses are those that a stored entry may have. The first stands for any other, which no program has written.
var statuses = []practice.Status{"", practice.Accepted, practice.Quarantined, practice.Parked, practice.SetAside}

// HeldOf returns what is kept of stored entries.
func HeldOf(entries []StoredEntry) []Held { return appendHeld(make([]Held, 0, len(entries)), entries) }

func appendHeld(held []Held, entries []StoredEntry) []Held {
	for i := range entries {
		e := &entries[i]
		held = append(held, Held{
			Rev: e.Rev, ID: e.ID, Learner: e.Learner, Author: e.Author, status: uint8(max(slices.Index(statuses, e.Status), 0)), //nolint:gosec // few
			Schema: e.Schema, Device: e.Device, received: e.Received.UnixMilli(), stored: e.Stored.UnixMilli(),
			ClockOffset: e.ClockOffset, Content: e.Content, Chain: e.Chain,
		})
	}
	return held
}

// Status returns what the door made of it.
func (h *Held) Status() practice.Status { return statuses[h.status] }

// Received returns when the server that had it first received it.
func (h *Held) Received() time.Time { return time.UnixMilli(h.received).UTC() }

// Stored returns when this server stored it.
func (h *Held) Stored() time.Time { return time.UnixMilli(h.stored).UTC() }

// Stamp returns what it was given at first receipt.
func (h *Held) Stamp() practice.Stamp {
	return practice.Stamp{Received: h.Received(), ClockOffset: h.ClockOffset}
}

// later reports whether anything is known of it only since an instant.
func (h *Held) later(at time.Time) bool { return h.Received().After(at) || h.Stored().After(at) }

// problem is why an entry is quarantined.
type problem struct {
	rev  int64
	text []byte // JSON
}

func problemsOf(entries []StoredEntry) []problem {
	var problems []problem
	for i := range entries {
		if e := &entries[i]; len(e.Problem) > 0 {
			problems = append(problems, problem{e.Rev, e.Problem})
		}
	}
	return problems
}

// problemOf returns why a stored entry is quarantined; nil where it is not.
func (f *family) problemOf(e *Held) []byte {
	at, is := slices.BinarySearchFunc(f.problems, e.Rev, func(p problem, rev int64) int { return cmp.Compare(p.rev, rev) })
	if !is {
		return nil
	}
	return f.problems[at].text
}
