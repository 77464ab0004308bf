package practice_test

import (
	"encoding/binary"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/practice"
)

// hostile is the most entries that one household may hold.
const hostile = 10_000

// crowd is a household of two caregivers' broken devices, of which every entry is made by one function.
func crowd(n int, body func(i int) practice.Body) []practice.Stamped {
	at := time.Date(2027, 3, 2, 20, 0, 0, 0, time.UTC)
	entries := make([]practice.Stamped, n)
	for i := range entries {
		id := numbered(i)
		entries[i] = practice.Stamped{
			Entry: practice.Entry{
				ID: practice.EntryID{UUID: id}, Subject: practice.SubjectID{UUID: id}, Body: body(i), Recorded: practice.MomentOf(at),
			},
			Stamp: practice.Stamp{Received: at}, Status: practice.Accepted,
			Author: practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: numbered(i % 2)}},
		}
	}
	return entries
}

func numbered(i int) uuid.UUID {
	var id uuid.UUID
	binary.BigEndian.PutUint32(id[:], uint32(i+1))
	return id
}

func sessionAt(at time.Time) *practice.Session {
	return &practice.Session{Practised: practice.MomentOf(at), Zone: "UTC", Setting: practice.AtHome}
}

// hostileHouseholds are what a broken or malicious device may hand in, each at the most that is taken.
func hostileHouseholds() map[string][]practice.Stamped {
	at := time.Date(2027, 3, 2, 20, 0, 0, 0, time.UTC)
	oneHour := func(i int) practice.Body { return sessionAt(at.Add(-time.Duration(i) * 100 * time.Millisecond)) }
	manyNights := func(i int) practice.Body { return sessionAt(at.AddDate(0, 0, -i)) }
	linked := func(i int) practice.Body {
		if i < hostile/2 {
			return oneHour(i)
		}
		link := &practice.Link{Same: i%3 == 0}
		for j := range 20 {
			link.Sessions = append(link.Sessions, practice.SubjectID{UUID: numbered((i*7 + j*131) % (hostile / 2))})
		}
		return link
	}
	// Two sittings of thousands of sessions of one caregiver, which lie between each other in time.
	interleaved := func(i int) practice.Body {
		if i < hostile*9/10 {
			return oneHour(i)
		}
		link := &practice.Link{Same: true}
		for j := range 20 {
			link.Sessions = append(link.Sessions, practice.SubjectID{UUID: numbered(i%2 + ((i-hostile*9/10)/2*19+j)*2)})
		}
		return link
	}
	byOne := crowd(hostile, interleaved)
	for i := range byOne {
		byOne[i].Author = byOne[0].Author
	}
	oneSubject := crowd(hostile, oneHour)
	for i := range oneSubject {
		oneSubject[i].Subject = oneSubject[0].Subject
		for j := range min(i, 100) {
			oneSubject[i].Replaces = append(oneSubject[i].Replaces, oneSubject[i-j-1].ID)
		}
	}
	incidents := crowd(hostile, func(i int) practice.Body {
		if i%2 == 0 {
			return &practice.Incident{What: "other"}
		}
		clearing := &practice.Clear{}
		for j := range 100 {
			clearing.Incidents = append(clearing.Incidents, practice.EntryID{UUID: numbered((i*100 + j) % hostile)})
		}
		return clearing
	})
	tries := crowd(hostile, func(i int) practice.Body {
		if i == 0 {
			return sessionAt(at)
		}
		if i%4 == 0 {
			return &practice.Settle{Judged: []practice.EntryID{{UUID: numbered(1)}, {UUID: numbered(i - 1)}}, Outcome: practice.Swallowed, Ease: 3}
		}
		return &practice.Try{
			Session: practice.SubjectID{UUID: numbered(0)}, Position: practice.Left, Number: 1, Medium: practice.Sweet,
			Outcome: practice.Swallowed, Ease: practice.Ease(1 + i%5),
		}
	})
	return map[string][]practice.Stamped{
		"sessions of one hour": crowd(hostile, oneHour), "sessions of many nights": crowd(hostile, manyNights),
		"links": crowd(hostile, linked), "interleaved": byOne, "one subject": oneSubject, "incidents and clears": incidents, "readings of one try": tries,
	}
}

// TestHostileHouseholdsAreFolded: whatever a device hands in, the fold has an answer.
func TestHostileHouseholdsAreFolded(t *testing.T) {
	t.Parallel()
	at := time.Date(2027, 3, 3, 20, 0, 0, 0, time.UTC)
	for name, entries := range hostileHouseholds() {
		v := practice.NewRecord(entries).Fold(practice.LearnerID{}, nil, nil, at)
		recorded := 0
		for _, n := range v.Earlier {
			recorded += len(n.Sittings)
		}
		assert.Positive(t, recorded+len(v.Hold), name)
	}
}

// BenchmarkHostile folds what a broken device may hand in: no shape of it may be worth handing in to slow a server down.
func BenchmarkHostile(b *testing.B) {
	at := time.Date(2027, 3, 3, 20, 0, 0, 0, time.UTC)
	for name, entries := range hostileHouseholds() {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				practice.NewRecord(entries).Fold(practice.LearnerID{}, nil, nil, at)
			}
		})
	}
}
