package client

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/google/uuid"
)

// Writer says in whose name a device writes.
type Writer struct {
	Device    string // the device's id
	Caregiver string // its caregiver's id
}

// State is all that a device keeps. Its methods return a new State and leave the old one as it was.
type State struct {
	Cursor     string `json:"cursor"`     // opaque; empty before the first page
	Epoch      string `json:"epoch"`      // the name of the history that Cursor belongs to
	Head       int64  `json:"head"`       // the household's latest revision as last heard
	Generation int64  `json:"generation"` // how often the pull has started over
	Doubted    bool   `json:"doubted"`    // started over because of the digest, which has not agreed since

	NextSeq  int64                `json:"next_seq"`
	Outbox   []Pending            `json:"outbox"` // in the order of writing
	Entries  map[string]Known     `json:"entries"`
	Nights   map[string]NightCopy `json:"nights"`              // by learner and night
	HandedIn []Entry              `json:"handed_in,omitempty"` // what the server has of this device since it was revoked
}

// Pending is an entry of this device that it has not seen in the feed yet.
type Pending struct {
	Seq     int64    `json:"seq"` // names the item on this device; an id can be in use twice
	Entry   Entry    `json:"entry"`
	Status  string   `json:"status,omitempty"` // the last result, if there was one
	Problem *Problem `json:"problem,omitempty"`
}

// stuck tells whether offering the item again cannot help.
func (p Pending) stuck() bool {
	return p.Status == IDReuse || p.Status == TooLarge
}

// Known is an entry seen in the feed.
type Known struct {
	Entry   Entry    `json:"entry"` // with its stamp
	Rev     int64    `json:"rev"`
	Status  string   `json:"status"`
	Author  Author   `json:"author"`
	Device  string   `json:"device,omitempty"`
	Problem *Problem `json:"problem,omitempty"`
	Whole   bool     `json:"whole,omitempty"`  // Entry is all that its writer sent
	Former  bool     `json:"former,omitempty"` // seen before the pull started over, and not since
}

// NightCopy is a night's document as the server last sent it.
type NightCopy struct {
	Document json.RawMessage `json:"document"`
	Former   bool            `json:"former,omitempty"` // as with Known
}

func (s State) clone() State {
	s.Outbox = slices.Clone(s.Outbox)
	s.HandedIn = slices.Clone(s.HandedIn)
	s.Entries = cloneMap(s.Entries)
	s.Nights = cloneMap(s.Nights)
	return s
}

// cloneMap is maps.Clone, but never nil.
func cloneMap[V any](m map[string]V) map[string]V {
	if m == nil {
		return map[string]V{}
	}
	return maps.Clone(m)
}

// withRecorded returns the state with new entries at the end of the outbox.
func (s State) withRecorded(entries []Entry) State {
	next := s.clone()
	for _, e := range entries {
		next.Outbox = append(next.Outbox, next.pending(e))
	}
	return next
}

func (s *State) pending(e Entry) Pending {
	s.NextSeq++
	return Pending{Seq: s.NextSeq, Entry: e}
}

// withResults notes what became of the items that were sent. It takes nothing out of the outbox.
func (s State) withResults(items []Pending, results []Result) State {
	next := s.clone()
	for i, sent := range items {
		at := slices.IndexFunc(next.Outbox, func(p Pending) bool { return p.Seq == sent.Seq })
		if at >= 0 {
			next.Outbox[at].Status, next.Outbox[at].Problem = results[i].Status, results[i].Problem
		}
	}
	return next
}

// withHandedIn takes out of the outbox what the server holds, as an answer of results alone tells: set aside for review, or
// there already since a call whose answer was lost. No feed will show it to this device any more.
func (s State) withHandedIn(items []Pending, results []Result) State {
	next := s.withResults(items, results)
	for i, sent := range items {
		at := slices.IndexFunc(next.Outbox, func(p Pending) bool { return p.Seq == sent.Seq })
		if held := results[i].Status == SetAside || results[i].Status == Duplicate; held && at >= 0 {
			next.HandedIn = append(next.HandedIn, next.Outbox[at].Entry)
			next.Outbox = slices.Delete(next.Outbox, at, at+1)
		}
	}
	return next
}

// withPage returns the state after a page that answers its cursor. After the last page of a pull that started over,
// whatever has not been seen in it is forgotten.
func (s State) withPage(page Response, w Writer) (State, error) {
	next := s.clone()
	next.takeBack()
	for _, change := range page.Changes {
		next.see(change, w)
	}
	for _, document := range page.Nights {
		night, err := nameOf(document)
		if err != nil {
			return State{}, fmt.Errorf("read a night: %w", err)
		}
		next.Nights[nightKey(night.LearnerID, night.Night)] = NightCopy{Document: document}
	}
	for _, gone := range page.Gone {
		delete(next.Nights, nightKey(gone.LearnerID, gone.Night))
	}
	next.Cursor, next.Epoch, next.Head = *page.Cursor, page.Epoch, page.Head
	if !page.More {
		maps.DeleteFunc(next.Entries, func(_ string, k Known) bool { return k.Former })
		maps.DeleteFunc(next.Nights, func(_ string, n NightCopy) bool { return n.Former })
	}
	return next, nil
}

// takeBack puts what was handed in back into the outbox. A device that is told more than results is not revoked any more,
// or was let in anew, and one that starts over talks to a server that may have lost what it was given: sight in the feed, or
// another answer, takes it out again.
func (s *State) takeBack() {
	for _, e := range s.HandedIn {
		s.Outbox = append(s.Outbox, s.pending(e))
	}
	s.HandedIn = nil
}

var errNoNight = errors.New("it names no night of a learner")

// nameOf returns which night a document is about. It reads no further than it must, as each page may hold a fortnight.
func nameOf(document []byte) (name GoneNight, err error) {
	d := json.NewDecoder(bytes.NewReader(document))
	if open, err := d.Token(); err != nil || open != json.Delim('{') {
		return name, errNoNight
	}
	for name.LearnerID == "" || name.Night == "" {
		member, err := d.Token()
		if err != nil {
			return name, err
		}
		switch member {
		case "learner_id":
			err = d.Decode(&name.LearnerID)
		case "night":
			err = d.Decode(&name.Night)
		case json.Delim('}'):
			err = errNoNight
		default:
			err = d.Decode(new(json.RawMessage))
		}
		if err != nil {
			return name, err
		}
	}
	return name, nil
}

func nightKey(learner, night string) string {
	return learner + "/" + night
}

func (s *State) see(c Change, w Writer) {
	known := Known{Rev: c.Rev, Status: c.Status, Author: c.Author, Device: c.Device, Problem: c.Problem}
	known.Entry, known.Whole = c.entry()
	at := slices.IndexFunc(s.Outbox, func(p Pending) bool { return w.sees(c, p.Entry) })
	if at >= 0 {
		known.Entry, known.Whole = s.Outbox[at].Entry, true // also where the feed shows less
		known.Entry.Stamp = c.Stamp
		s.Outbox = slices.Delete(s.Outbox, at, at+1)
	}
	s.Entries[c.ID] = known
}

// startedOver returns the state from which to pull from the beginning, with the writer's own entries back in the
// outbox ahead of what is there, each with the stamp it was seen with.
func (s State) startedOver(epoch string, w Writer) State {
	next := s.clone()
	next.Cursor, next.Epoch, next.Head = "", epoch, 0
	next.Generation++
	var again []Pending
	for _, known := range byRevision(next.Entries) {
		if known.offeredBy(w) {
			again = append(again, next.pending(known.Entry))
		}
	}
	next.takeBack()
	for _, waiting := range next.Outbox {
		again = append(again, Pending{Seq: waiting.Seq, Entry: waiting.Entry})
	}
	next.Outbox = again
	for id, known := range next.Entries {
		known.Former = true
		next.Entries[id] = known
	}
	for key, night := range next.Nights {
		night.Former = true
		next.Nights[key] = night
	}
	return next
}

// offeredBy tells whether the writer offers the entry again after the pull has started over. A sheet that a clinician
// copied has the caregiver as its author, but no device may send it; what was set aside from another device of the
// caregiver is not to get round its review. What is known from before waits in the outbox already.
func (k Known) offeredBy(w Writer) bool {
	if k.Former || k.Device == "" || !k.Whole {
		return false
	}
	return k.Device == w.Device || (k.by(w) && k.Status != SetAside)
}

// by tells whether the entry is the caregiver's own statement.
func (k Known) by(w Writer) bool {
	return k.Author == Author{Role: RoleCaregiver, ID: w.Caregiver}
}

func byRevision(entries map[string]Known) []Known {
	return slices.SortedFunc(maps.Values(entries), func(a, b Known) int {
		return cmp.Or(cmp.Compare(a.Rev, b.Rev), cmp.Compare(a.Entry.ID, b.Entry.ID))
	})
}

// Digest returns the hex SHA-256 over the sorted ids of what has been seen since the pull began, each as 16 raw bytes.
// An id that is no UUID is an error.
func (s State) Digest() (string, error) {
	ids := make([]uuid.UUID, 0, len(s.Entries))
	for id, known := range s.Entries {
		if known.Former {
			continue
		}
		parsed, err := uuid.Parse(id)
		if err != nil {
			return "", fmt.Errorf("read an entry's id: %w", err)
		}
		ids = append(ids, parsed)
	}
	slices.SortFunc(ids, func(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) })
	sum := sha256.New()
	for _, id := range ids {
		sum.Write(id[:])
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}
