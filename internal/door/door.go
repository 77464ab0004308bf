package door

import (
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// KnownSchema is the newest form of entries that this door can read.
const KnownSchema = 1

// Flaw is one thing to mend in an entry.
type Flaw struct {
	// Pointer is a JSON Pointer (RFC 6901) within the entry, such as "/body/ease"; empty for the whole of it. A member
	// that is missing is pointed at where it should be.
	Pointer string
	// Detail says what would be right, in a sentence for the developer of a client. It repeats nothing that was sent.
	Detail string
}

// Offered is what the door made of one entry.
type Offered struct {
	// Entry is the entry as far as it could be read. Its Body is nil unless it is accepted; its ID is never zero: where it
	// could not be read, one is derived from Content, so that offering the same again is a duplicate.
	Entry practice.Entry
	// Kind is the kind as sent, empty where it could not be read.
	Kind string
	// Status is practice.Accepted, practice.Quarantined or practice.Parked.
	Status practice.Status
	// Flaws is what to mend. There is something in it exactly when the entry is quarantined. After the fiftieth the rest is
	// only counted.
	Flaws []Flaw
	// MayBeIncident tells that the entry is not accepted, and calls itself an incident or has a kind that can't be read.
	MayBeIncident bool
	// Sent is the entry without its stamp and without white space between tokens, byte for byte otherwise. What is not one
	// JSON object is as it came.
	Sent []byte
	// Content is the SHA-256 of the canonical form (RFC 8785) of Sent, or of Sent itself where it has none.
	Content [32]byte
	// Stamp is the stamp that the entry carried; nil without one. One that can't be read is none, and no flaw.
	Stamp *Stamp
	// Reading is what [Reread] makes of Sent, its members slices of what came; nil where that is to be seen, since Sent is not what came
	// to the letter.
	Reading *Reading
}

// Stamp is what a device hands back with an entry that it has seen stamped before. Whether it is to be believed, the seal
// tells.
type Stamp struct {
	Received    time.Time // in UTC, to the millisecond
	ClockOffset time.Duration
	Seal        []byte
}

// Examine looks at one entry. Raw is any bytes, meant to be one JSON value, and is not to be changed any more, since what is returned may
// be slices of it; schema is the form of entries that the upload
// names, from 1; role is its author's, where anything but practice.Clinician has the rights of a caregiver.
func Examine(raw []byte, schema int, role practice.Role) Offered {
	r := takeReader()
	defer r.release()

	o := r.examine(raw, schema, role)
	o.Stamp = r.stamp()
	o.Sent = r.sentOf(raw)
	o.Content = r.contentOf(o.Sent)
	if o.Entry.ID.UUID == uuid.Nil {
		o.Entry.ID = derivedID(o.Content)
	}
	if len(o.Sent) == len(raw) { // of what came nothing but white space and the stamp is ever taken away
		read := r.readingOf(&o)
		o.Reading = &read
	}
	return o
}

// Reading is a stored entry as the door reads it now, which after an upgrade may be otherwise than at receipt.
type Reading struct {
	// Entry and MayBeIncident are as in [Offered].
	Entry         practice.Entry
	MayBeIncident bool
	// Flawed tells that the entry would be quarantined now. Where it is neither flawed nor has a body, its kind or schema is
	// not known yet.
	Flawed bool
	// Members are those of the entry as they stand in it, slices of it. There are none unless it would be accepted now.
	Members Members
}

// Members are some of an entry's members, as JSON.
type Members struct{ Kind, Subject, Replaces, Learner, Recorded, Body jsontext.Value }

// Reread reads a stored entry, Offered.Sent, again, as [Examine] does. It is quicker, since it works out the content only
// where the id depends on it.
func Reread(sent []byte, schema int, role practice.Role) Reading {
	r := takeReader()
	defer r.release()

	o := r.examine(sent, schema, role)
	if o.Entry.ID.UUID == uuid.Nil {
		o.Entry.ID = derivedID(r.contentOf(sent))
	}
	return r.readingOf(&o)
}

// readingOf returns what the reader has made of the entry that it has before it.
func (r *reader) readingOf(o *Offered) Reading {
	read := Reading{Entry: o.Entry, MayBeIncident: o.MayBeIncident, Flawed: o.Status == practice.Quarantined}
	if o.Status == practice.Accepted {
		read.Members = r.members()
	}
	return read
}

// idSpace is the name space of derived ids (RFC 9562, section 6.5), made once at random.
var idSpace = uuid.UUID{0x6b, 0x1f, 0xd0, 0x3a, 0x92, 0x57, 0x4e, 0x0c, 0xa3, 0x44, 0x5d, 0x8e, 0x71, 0xc6, 0x29, 0xbf}

// derivedID names an entry whose own id can't be read by its content.
func derivedID(content [32]byte) practice.EntryID {
	return practice.EntryID{UUID: uuid.NewSHA1(idSpace, content[:])}
}
