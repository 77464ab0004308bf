package clinic

import (
	"bytes"
	"cmp"
	"errors"
	"io"
	"unicode/utf8"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/internal/door"
	"swallowtail/internal/practice"
)

// FeedEntry is a stored entry as a reader gets it.
type FeedEntry struct {
	ID     uuid.UUID
	Rev    int64
	Status practice.Status
	Author practice.Author
	Device uuid.UUID // zero for a clinician's
	Stamp  practice.Stamp
	Seal   []byte
	Flaws  []door.Flaw
	// Members are those of the entry as sent: kind, subject, replaces, learner_id, recorded_at and body. A member that
	// can't be read is absent; so is the body of another caregiver's quarantined entry.
	Members map[string]jsontext.Value
	// Sent is a quarantined entry as it came, for its author and the clinic: the JSON itself where it is well-formed, else
	// a JSON string of its text.
	Sent jsontext.Value
}

// feedEntry returns an entry as a reader gets it; a nil reader is the clinic, who reads everything.
func (s *Service) feedEntry(household uuid.UUID, e *StoredEntry, reader *practice.Author) FeedEntry {
	stamp := practice.Stamp{Received: e.Received, ClockOffset: e.ClockOffset}
	f := FeedEntry{
		ID: e.ID, Rev: e.Rev, Status: e.Status, Author: e.Author, Device: e.Device, Stamp: stamp,
		Seal:  s.seal(household, e.Author, e.ID, e.Content, stamp),
		Flaws: flawsOf(e.Problem), Members: membersOf(e.Sent),
	}
	others := reader != nil && *reader != e.Author
	if len(e.Problem) > 0 {
		f.Members = readable(e)
		if !others {
			f.Sent = asJSON(e.Sent)
		}
		return f
	}
	if others {
		f.Members["body"] = withoutPrivateWords(f.Members["body"], string(f.Members["kind"]))
	}
	return f
}

// membersOf returns the members of a JSON object, none where it is none.
func membersOf(sent []byte) map[string]jsontext.Value {
	members, err := readMembers(sent)
	if err != nil {
		return map[string]jsontext.Value{}
	}
	return members
}

// readMembers reads one JSON object, member by member: every page of the feed holds hundreds.
func readMembers(sent []byte) (map[string]jsontext.Value, error) {
	members := make(map[string]jsontext.Value, 8)
	d := jsontext.NewDecoder(bytes.NewBuffer(sent))
	if open, err := d.ReadToken(); err != nil || open.Kind() != jsontext.KindBeginObject {
		return nil, cmp.Or(err, errNoObject)
	}
	for d.PeekKind() == jsontext.KindString {
		token, err := d.ReadToken()
		if err != nil {
			return nil, err
		}
		name := token.String() // the next reading ends the token
		value, err := d.ReadValue()
		if err != nil {
			return nil, err
		}
		members[name] = value.Clone()
	}
	if _, err := d.ReadToken(); err != nil {
		return nil, err
	}
	if _, err := d.ReadToken(); !errors.Is(err, io.EOF) {
		return nil, cmp.Or(err, errNoObject)
	}
	return members, nil
}

var errNoObject = errors.New("not one JSON object")

// readable returns the members of a quarantined entry that could be read, never its body.
func readable(e *StoredEntry) map[string]jsontext.Value {
	entry := door.Reread(e.Sent, e.Schema, e.Author.Role).Entry
	members := map[string]jsontext.Value{}
	put := func(name, text string) { members[name], _ = jsontext.AppendQuote(nil, text) }
	if entry.Subject.UUID != uuid.Nil {
		put("subject", entry.Subject.String())
	}
	if e.Learner != uuid.Nil {
		put("learner_id", e.Learner.String())
	}
	if !entry.Recorded.IsZero() {
		put("recorded_at", entry.Recorded.String())
	}
	if kind, ok := membersOf(e.Sent)["kind"]; ok && kind.Kind() == '"' {
		members["kind"] = kind
	}
	return members
}

// asJSON returns what was sent as it is where it is one well-formed JSON value, else as a JSON string.
func asJSON(sent []byte) jsontext.Value {
	if v := jsontext.Value(sent); v.IsValid() {
		return v
	}
	text := string(sent)
	if !utf8.ValidString(text) {
		text = string([]rune(text)) // bytes that are no UTF-8 become the replacement character
	}
	quoted, err := jsontext.AppendQuote(nil, text)
	if err != nil {
		return jsontext.Value(`""`)
	}
	return quoted
}

// withoutPrivateWords returns a body without its note, unless it was written to be shared, and without the reason of a
// retraction: these are for their author and the clinic. The reason of a settlement is for everybody.
func withoutPrivateWords(body jsontext.Value, kind string) jsontext.Value {
	members := membersOf(body)
	private := "note"
	if kind == `"retract"` {
		private = "reason"
	}
	if _, has := members[private]; !has || string(members["note_shared"]) == "true" {
		return body
	}
	delete(members, private)
	stripped, err := json.Marshal(members, json.Deterministic(true))
	if err != nil {
		return jsontext.Value("null")
	}
	return stripped
}
