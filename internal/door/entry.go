package door

import (
	"bytes"
	"encoding/base64"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// memberStamp is the one member of an entry that is not its writer's, and no part of its content.
const memberStamp = "stamp"

var (
	entryMembers = []string{"id", "kind", "subject", "replaces", "learner_id", "recorded_at", "body", memberStamp}
	stampMembers = []string{"received_at", "clock_offset_ms", "seal"}
)

const (
	wantKind      = `Give the kind of entry, such as "try".`
	wantBody      = "Give an object with what the entry says."
	wantReplaces  = "Give an array of at most 100 UUIDs, empty for a new thing."
	wantWithdrawn = "Give an array of 1 to 100 UUIDs, the entries that are withdrawn."
	wantSeal      = "Give the seal as it came."
	wantOffset    = "Give a whole number of milliseconds."

	maxReplaces = 100
)

// examine reads the entry and judges it. Its id is left nil where it can't be read.
func (r *reader) examine(raw []byte, schema int, role practice.Role) Offered {
	r.role = role
	r.open(raw)
	kind, known := r.kind()
	o := Offered{Kind: kind, Entry: r.head(known)}
	body := r.body(known)

	unheardOf := r.sound && kind != "" && known == nil && o.Entry.ID.UUID != uuid.Nil
	switch {
	case (schema > KnownSchema || unheardOf) && !r.beyond:
		o.Status = practice.Parked
	case r.count > 0:
		o.Status, o.Flaws = practice.Quarantined, r.told()
	default:
		o.Status, o.Entry.Body = practice.Accepted, body
		return o
	}
	o.MayBeIncident = kind == "" || known != nil && known.kind == practice.KindIncident
	return o
}

// kind returns the kind as sent, empty where it can't be read, and what is known of it. A kind in other letters than its
// own is told as a flaw and read as what it means; one that is not known is none.
func (r *reader) kind() (sent string, known *spec) {
	text, ok := r.entry.text("kind", wantKind)
	if !ok {
		return "", nil
	}
	if known = specOf(text); known != nil {
		return string(known.kind), known
	}
	meant := bytes.TrimFunc(text, func(c rune) bool { return unicode.IsSpace(c) || !unicode.IsGraphic(c) })
	if len(meant) == 0 {
		r.entry.tell("kind", wantKind)
		return "", nil
	}
	sent = string(text)
	if known = specLike(meant); known != nil {
		r.entry.tell("kind", `Spell it "`+string(known.kind)+`", exactly.`)
	}
	return sent, known
}

// head reads what every entry has beside its kind and body.
func (r *reader) head(known *spec) practice.Entry {
	f := &r.entry
	e := practice.Entry{
		ID:       practice.EntryID{UUID: f.id("id")},
		Subject:  practice.SubjectID{UUID: f.id("subject")},
		Learner:  practice.LearnerID{UUID: f.id("learner_id")},
		Recorded: f.moment("recorded_at"),
	}
	least, want := 0, wantReplaces
	if known != nil && known.kind == practice.KindRetract {
		least, want = 1, wantWithdrawn
	}
	e.Replaces = listOfIDs[practice.EntryID](f, "replaces", least, maxReplaces, want)
	if i := slices.Index(e.Replaces, e.ID); i >= 0 && e.ID.UUID != uuid.Nil {
		f.tellItem("replaces", i, "Leave it out. An entry cannot replace itself.")
	}
	e.Replaces = slices.DeleteFunc(e.Replaces, func(id practice.EntryID) bool { return id.UUID == uuid.Nil || id == e.ID })
	return e
}

// body reads the body of an entry of a known kind.
func (r *reader) body(known *spec) practice.Body {
	f := &r.entry
	if known != nil && known.clinical && r.role != practice.Clinician {
		f.tell("kind", "Only a clinician may write this.")
	}
	value, has := f.required("body", wantBody)
	if !has {
		return nil
	}
	if jsontext.Value(value).Kind() != jsontext.KindBeginObject {
		f.tell("body", otherKind(value, jsontext.KindBeginObject, wantBody))
		return nil
	}
	if known == nil {
		return nil
	}
	return known.read(r.openInner(value, "/body", known.members))
}

// members returns what stands in the entry.
func (r *reader) members() Members {
	f := &r.entry
	return Members{
		Kind: f.value("kind"), Subject: f.value("subject"), Replaces: f.value("replaces"), Learner: f.value("learner_id"),
		Recorded: f.value("recorded_at"), Body: f.value("body"),
	}
}

// stamp returns the stamp that the entry carries, nil where there is none that can be read. It comes last, since what is
// wrong with a stamp is no flaw of the entry.
func (r *reader) stamp() *Stamp {
	value := r.entry.value(memberStamp)
	if jsontext.Value(value).Kind() != jsontext.KindBeginObject {
		return nil
	}
	before := r.count
	f := r.openInner(value, "/stamp", stampMembers)
	const longest = math.MaxInt64 / int64(time.Millisecond)
	s := Stamp{
		Received:    f.moment("received_at").Time().UTC(),
		ClockOffset: time.Duration(f.whole("clock_offset_ms", -longest, longest, wantOffset)) * time.Millisecond,
		Seal:        f.seal("seal"),
	}
	if r.count > before {
		return nil
	}
	return &s
}

// seal returns bytes written as base64url (RFC 4648, section 5) without padding.
func (f *form) seal(name string) []byte {
	text, ok := f.text(name, wantSeal)
	if !ok {
		return nil
	}
	seal, err := base64.RawURLEncoding.Strict().DecodeString(string(text))
	// Decoding passes over line breaks, which no seal has.
	if err != nil || len(seal) == 0 || strings.ContainsAny(string(text), "\r\n") {
		f.tell(name, wantSeal)
	}
	return seal
}
