// Package packing keeps what the door read of entries in few octets, for memory: a try takes some fifty, where the objects that it is made of
// take five times as much, and a collector of garbage has nothing to look at in it. Nothing packed is ever stored.
package packing

import (
	"fmt"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// Reading is what the door made of an entry.
type Reading struct {
	practice.Entry
	// MayBeIncident and Flawed are as in [practice.Stamped].
	MayBeIncident, Flawed bool
}

// Packed holds readings, one behind the other, but not the entries' ids, which are known to whoever holds it. The empty one holds none.
type Packed string

// Pack packs readings. Their bodies must be of the kinds that [practice.Kind] names.
func Pack(readings []Reading) Packed {
	const usual = 64 // octets of a reading
	c := coder{writes: true, out: make([]byte, 0, len(readings)*usual)}
	for i := range readings {
		c.reading(&readings[i])
	}
	return Packed(c.out)
}

// Unpacker reads what was packed. Its texts are parts of it, which stays in memory as long as one of them.
type Unpacker struct {
	c    coder
	rest []Packed
}

// Unpack returns an unpacker of what was packed in several pieces.
func Unpack(pieces []Packed) Unpacker { return Unpacker{rest: pieces} }

// Next reads the next reading, which is of the entry of an id, into r. There must be one.
func (u *Unpacker) Next(id uuid.UUID, r *Reading) {
	for u.c.in == "" {
		u.c.in, u.c.last, u.rest = string(u.rest[0]), last{}, u.rest[1:]
	}
	*r = Reading{Entry: practice.Entry{ID: practice.EntryID{UUID: id}}}
	u.c.reading(r)
}

// coder writes values or reads them, so that there is one description of each for both.
type coder struct {
	writes bool
	out    []byte
	in     string
	last   last
	room   []practice.Try // for those that are read
}

// last is what was named last in a piece, and mostly is again.
type last struct{ learner, session uuid.UUID }

// What a reading has beside what every one has.
const (
	mayBeIncident byte = 1 << iota
	flawed
	aboutAnother // than itself
	replacing
)

func (c *coder) reading(r *Reading) {
	has := flag(mayBeIncident, r.MayBeIncident) | flag(flawed, r.Flawed) | flag(aboutAnother, r.Subject.UUID != r.ID.UUID) |
		flag(replacing, r.Replaces != nil)
	c.octet(&has)
	r.MayBeIncident, r.Flawed = has&mayBeIncident != 0, has&flawed != 0
	if has&aboutAnother != 0 {
		c.id(&r.Subject.UUID)
	} else {
		r.Subject.UUID = r.ID.UUID
	}
	if has&replacing != 0 {
		list(c, &r.Replaces, func(c *coder, id *practice.EntryID) { c.id(&id.UUID) })
	}
	c.again(&r.Learner.UUID, &c.last.learner)
	c.moment(&r.Recorded)
	c.body(&r.Body)
}

func flag(bit byte, is bool) byte {
	if is {
		return bit
	}
	return 0
}

// kinds are those of bodies, the most frequent first, and what makes an empty one. In a packed one a kind is its place here, from 1.
var kinds = []struct {
	kind  practice.Kind
	empty func(*coder) practice.Body
}{
	{practice.KindTry, func(c *coder) practice.Body { return c.newTry() }},
	{practice.KindSession, func(*coder) practice.Body { return &practice.Session{} }},
	{practice.KindExcuse, func(*coder) practice.Body { return &practice.Excuse{} }},
	{practice.KindIncident, func(*coder) practice.Body { return &practice.Incident{} }},
	{practice.KindRetract, func(*coder) practice.Body { return &practice.Retract{} }},
	{practice.KindLink, func(*coder) practice.Body { return &practice.Link{} }},
	{practice.KindSettle, func(*coder) practice.Body { return &practice.Settle{} }},
	{practice.KindClear, func(*coder) practice.Body { return &practice.Clear{} }},
	{practice.KindChoose, func(*coder) practice.Body { return &practice.Choose{} }},
	{practice.KindPositions, func(*coder) practice.Body { return &practice.SwitchPositions{} }},
	{practice.KindReview, func(*coder) practice.Body { return &practice.Review{} }},
}

// noBody is in the place of the kind where there is no body.
const noBody = 0

func (c *coder) body(b *practice.Body) {
	at := byte(noBody)
	if c.writes && *b != nil {
		at = placeOf(*b)
	}
	c.octet(&at)
	if at == noBody {
		return
	}
	if !c.writes {
		*b = kinds[at-1].empty(c)
	}
	c.members(*b)
}

func placeOf(b practice.Body) byte {
	for i := range kinds {
		if kinds[i].kind == b.Kind() {
			return byte(i + 1)
		}
	}
	panic(fmt.Sprintf("packing: no kind %q", b.Kind()))
}

// newTry returns an empty try. Some lie side by side, so that memory is asked for less often.
func (c *coder) newTry() *practice.Try {
	const sideBySide = 16
	if len(c.room) == cap(c.room) {
		c.room = make([]practice.Try, 0, sideBySide)
	}
	c.room = c.room[:len(c.room)+1]
	return &c.room[len(c.room)-1]
}
