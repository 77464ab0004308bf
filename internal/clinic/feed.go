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
	// Members are those of the entry as sent. A member that can't be read is absent; so is the body of another caregiver's
	// quarantined entry. They are not to be changed.
	door.Members
	// Sent is a quarantined entry as it came, for its author and the clinic: the JSON itself where it is well-formed, else
	// a JSON string of its text.
	Sent jsontext.Value
}

// feedEntry returns the nth stored entry of a whole family, of which it is known what was sent, as a reader gets it; a nil reader is the
// clinic, who reads everything.
//
// Of an entry that is sealed, since its author had withdrawn consent, nobody gets more than that it is there.
func (s *Service) feedEntry(f *family, n int, reader *practice.Author) FeedEntry {
	e, read, stamp, problem := &f.stored[n], &f.stamped[n], f.stored[n].Stamp(), f.problemOf(&f.stored[n])
	told := FeedEntry{
		ID: e.ID, Rev: e.Rev, Status: e.Status(), Author: e.Author, Device: e.Device, Stamp: stamp,
		Seal:  s.seal(f.household.ID, e.Author, e.ID, e.Content, stamp),
		Flaws: flawsOf(problem),
	}
	if read.Sealed {
		told.Flaws = nil
		return told
	}
	others := reader != nil && *reader != e.Author
	if len(problem) > 0 {
		told.Members = readable(e, f.text(n), &read.Entry)
		if !others {
			told.Sent = asJSON(f.text(n))
		}
		return told
	}
	if told.Members = f.membersOf(n); read.Body == nil {
		told.Members = known(membersOf(f.text(n)))
	}
	if others {
		told.Body = withoutPrivateWords(told.Body, string(told.Kind))
	}
	return told
}

// known returns the members that every entry has.
func known(m map[string]jsontext.Value) door.Members {
	return door.Members{
		Kind: m["kind"], Subject: m["subject"], Replaces: m["replaces"], Learner: m["learner_id"], Recorded: m["recorded_at"], Body: m["body"],
	}
}

// membersOf returns the members of a JSON object, none where it is none.
func membersOf(sent []byte) map[string]jsontext.Value {
	members, err := readMembers(sent)
	if err != nil {
		return map[string]jsontext.Value{}
	}
	return members
}

// readMembers reads one JSON object, member by member, which is quicker than to have the library make a map.
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
func readable(e *Held, sent []byte, entry *practice.Entry) (m door.Members) {
	put := func(into *jsontext.Value, text string) { *into, _ = jsontext.AppendQuote(nil, text) }
	if entry.Subject.UUID != uuid.Nil {
		put(&m.Subject, entry.Subject.String())
	}
	if e.Learner != uuid.Nil {
		put(&m.Learner, e.Learner.String())
	}
	if !entry.Recorded.IsZero() {
		put(&m.Recorded, entry.Recorded.String())
	}
	if kind := membersOf(sent)["kind"]; kind.Kind() == '"' {
		m.Kind = kind
	}
	return m
}

// asJSON returns what was sent as it is where it is one well-formed JSON value that readers can be expected to take, else as a
// JSON string.
func asJSON(sent []byte) jsontext.Value {
	if _, beyond := door.Beyond(sent); !beyond && jsontext.Value(sent).IsValid() {
		return sent
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
	private := "note"
	if kind == `"retract"` {
		private = "reason"
	}
	if !mayHold(body, private) {
		return body
	}
	members := membersOf(body)
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

// mayHold reports whether a name may stand somewhere in JSON: as it is, or written with escapes.
func mayHold(raw jsontext.Value, name string) bool {
	return bytes.Contains(raw, []byte(name)) || bytes.IndexByte(raw, '\\') >= 0
}
