// Package packing keeps what the door read of entries in few octets, for memory: a try takes some fifty, where the objects that it is made of
// take five times as much, and a collector of garbage has nothing to look at in it. Nothing packed is ever stored.
package packing

import (
	"fmt"
	"slices"

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

// Unpack returns an unpacker of what was packed in several pieces. about is how many readings there are, for which it makes room.
func Unpack(pieces []Packed, about int) Unpacker {
	return Unpacker{c: coder{room: make([]practice.Try, 0, about)}, rest: pieces}
}

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

// kinds are those of bodies, the most frequent first. The first stands for none.
var kinds = []practice.Kind{
	"", practice.KindTry, practice.KindSession, practice.KindExcuse, practice.KindIncident, practice.KindRetract, practice.KindLink,
	practice.KindSettle, practice.KindClear, practice.KindChoose, practice.KindPositions, practice.KindReview,
}

func (c *coder) body(b *practice.Body) {
	var kind byte
	if c.writes && *b != nil {
		at := slices.Index(kinds, (*b).Kind())
		if at < 0 {
			panic(fmt.Sprintf("packing: no kind %q", (*b).Kind()))
		}
		kind = byte(at) //nolint:gosec // there are a dozen
	}
	c.octet(&kind)
	if kind == 0 {
		return
	}
	if !c.writes {
		*b = c.newBody(kinds[kind])
	}
	c.members(*b)
}

// newBody returns an empty body of a kind.
func (c *coder) newBody(kind practice.Kind) practice.Body {
	switch kind {
	case practice.KindTry:
		return c.newTry()
	case practice.KindSession:
		return &practice.Session{}
	case practice.KindExcuse:
		return &practice.Excuse{}
	case practice.KindIncident:
		return &practice.Incident{}
	case practice.KindRetract:
		return &practice.Retract{}
	case practice.KindLink:
		return &practice.Link{}
	case practice.KindSettle:
		return &practice.Settle{}
	case practice.KindClear:
		return &practice.Clear{}
	case practice.KindChoose:
		return &practice.Choose{}
	case practice.KindPositions:
		return &practice.SwitchPositions{}
	}
	return &practice.Review{}
}

// newTry returns an empty try. Those of a household lie side by side: memory is then asked for once.
func (c *coder) newTry() *practice.Try {
	if len(c.room) == cap(c.room) {
		return &practice.Try{}
	}
	c.room = c.room[:len(c.room)+1]
	return &c.room[len(c.room)-1]
}
