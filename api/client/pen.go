package client

import (
	"encoding/json"
	"fmt"
	"time"
)

// instantForm is RFC 3339 with up to milliseconds, which is what the server keeps.
const instantForm = "2006-01-02T15:04:05.999Z07:00"

// Pen writes entries: a device's, and those a clinician adds with API.AddEntries.
type Pen struct {
	Now   func() time.Time // the writer's clock, in local time
	NewID func() string    // makes UUIDs
}

func (p Pen) now() string {
	return p.Now().Format(instantForm)
}

// New writes an entry about a new thing: its subject is its own id.
func (p Pen) New(learner string, body Body) (Entry, error) {
	text, err := json.Marshal(body)
	if err != nil {
		return Entry{}, fmt.Errorf("write a %s: %w", body.Kind(), err)
	}
	return p.Raw(learner, body.Kind(), text), nil
}

// Raw writes an entry about a new thing from a body that is JSON already.
func (p Pen) Raw(learner, kind string, body json.RawMessage) Entry {
	id := p.NewID()
	return Entry{
		ID: id, Kind: kind, Subject: id, Replaces: []string{}, LearnerID: learner, RecordedAt: p.now(), Body: body,
	}
}

// Later writes an entry about a subject that exists, replacing the given entries of the same writer.
func (p Pen) Later(learner, subject string, replaces []string, body Body) (Entry, error) {
	e, err := p.New(learner, body)
	if err != nil {
		return Entry{}, err
	}
	e.Subject = subject
	e.Replaces = append(e.Replaces, replaces...)
	return e, nil
}

// Evening is one sitting as a caregiver would tell it.
type Evening struct {
	Learner     string
	PractisedAt time.Time // local time at the place of practice
	Timezone    string    // IANA name
	Setting     string    // home or clinic; empty is home
	Note        string
	NoteShared  bool
	Witness     string // for a clinician's copy of a paper sheet: the caregiver who filled it in
	Tries       []Try
}

// Try is one attempt of an Evening; its number follows from the order.
type Try struct {
	Position string
	Medium   string // empty is sweet
	SizeMM   float64
	Outcome  string
	Ease     int // 1 to 5; 0 on a refusal
	Snags    []string
	Note     string
}

// Written is what an evening came to. All of it is new, so each entry's id is its subject as well.
type Written struct {
	Session string   // the id and subject of the session
	Tries   []string // those of the tries, in their order
	Entries []Entry  // the session, then the tries
}

// Evening writes one session and its tries.
func (p Pen) Evening(e Evening) (Written, error) {
	setting := e.Setting
	if setting == "" {
		setting = "home"
	}
	session, err := p.New(e.Learner, SessionBody{
		PractisedAt: e.PractisedAt, Timezone: e.Timezone, Setting: setting,
		Note: e.Note, NoteShared: e.NoteShared, Witness: e.Witness,
	})
	if err != nil {
		return Written{}, err
	}
	tries, err := p.tries(e.Learner, session.Subject, e.Tries, map[string]int{})
	if err != nil {
		return Written{}, err
	}
	written := Written{Session: session.ID, Entries: append([]Entry{session}, tries...)}
	for _, t := range tries {
		written.Tries = append(written.Tries, t.ID)
	}
	return written, nil
}

// tries numbers the tries of a session, going on from the highest number that each position has.
func (p Pen) tries(learner, session string, tries []Try, numbers map[string]int) ([]Entry, error) {
	entries := make([]Entry, 0, len(tries))
	for _, t := range tries {
		numbers[t.Position]++
		entry, err := p.New(learner, t.body(session, numbers[t.Position]))
		if err != nil {
			return nil, err
		}
		entries = append(entries, entry)
	}
	return entries, nil
}

func (t Try) body(session string, number int) TryBody {
	medium := t.Medium
	if medium == "" {
		medium = "sweet"
	}
	return TryBody{
		Session: session, Position: t.Position, Number: number, Medium: medium, SizeMM: t.SizeMM,
		Outcome: t.Outcome, Ease: t.Ease, Snags: t.Snags, Note: t.Note,
	}
}
