package packing

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// members writes or reads all that a body says.
func (c *coder) members(body practice.Body) {
	switch b := body.(type) {
	case *practice.Try:
		c.try(b)
	case *practice.Session:
		c.session(b)
	case *practice.Excuse:
		c.night(&b.Night)
		word(c, &b.Reason)
	case *practice.Incident:
		c.id(&b.Session.UUID)
		word(c, &b.What)
		c.text(&b.Note)
	case *practice.Retract:
		c.text(&b.Reason)
	case *practice.Link:
		list(c, &b.Sessions, func(c *coder, id *practice.SubjectID) { c.id(&id.UUID) })
		c.truth(&b.Same)
	case *practice.Settle:
		list(c, &b.Judged, func(c *coder, id *practice.EntryID) { c.id(&id.UUID) })
		word(c, &b.Outcome)
		c.ease(&b.Ease)
		c.text(&b.Reason)
	case *practice.Clear:
		list(c, &b.Incidents, func(c *coder, id *practice.EntryID) { c.id(&id.UUID) })
		c.text(&b.Note)
	case *practice.Choose:
		word(c, &b.Position)
	case *practice.SwitchPositions:
		list(c, &b.Off, word[practice.Position])
		c.night(&b.From)
	case *practice.Review:
		c.id(&b.Entry.UUID)
		c.truth(&b.Take)
	default:
		panic(fmt.Sprintf("packing: no members of kind %q", b.Kind()))
	}
}

func (c *coder) try(t *practice.Try) {
	c.again(&t.Session.UUID, &c.last.session)
	word(c, &t.Position)
	number := int64(t.Number)
	c.number(&number)
	t.Number = int(number)
	word(c, &t.Medium)
	size := math.Float64bits(t.SizeMM)
	c.bits(&size)
	t.SizeMM = math.Float64frombits(size)
	word(c, &t.Outcome)
	c.ease(&t.Ease)
	list(c, &t.Snags, word[practice.Snag])
	c.text(&t.Note)
}

func (c *coder) session(s *practice.Session) {
	c.moment(&s.Practised)
	c.text(&s.Zone)
	word(c, &s.Setting)
	c.text(&s.Note)
	c.truth(&s.NoteShared)
	c.id(&s.Witness.UUID)
}

// words are those of which an entry may say one. In a packed one a word is its place here.
var words = slices.Concat(
	[]string{""}, texts(practice.Positions()), texts(practice.Outcomes()), texts(practice.Media()), texts(practice.Snags()),
	texts([]practice.Setting{practice.AtHome, practice.AtClinic}), texts(practice.ExcuseReasons()), texts(practice.IncidentKinds()),
)

func texts[W ~string](words []W) []string {
	all := make([]string, len(words))
	for i, w := range words {
		all[i] = string(w)
	}
	return all
}

// places are those of the words.
var places = func() map[string]byte {
	at := make(map[string]byte, len(words))
	for i, w := range words {
		at[w] = byte(i)
	}
	return at
}()

// otherWord is the place of any that is not among them, which follows as a text.
const otherWord = 0xff

func word[W ~string](c *coder, w *W) {
	if !c.writes {
		var at byte
		c.octet(&at)
		if at != otherWord {
			*w = W(words[at])
			return
		}
		text := ""
		c.text(&text)
		*w = W(text)
		return
	}
	at, known := places[string(*w)]
	if known {
		c.octet(&at)
		return
	}
	at, text := otherWord, string(*w)
	c.octet(&at)
	c.text(&text)
}

// list writes or reads a list, of which none is another than an empty one.
func list[T any](c *coder, items *[]T, each func(*coder, *T)) {
	n := int64(-1)
	if *items != nil {
		n = int64(len(*items))
	}
	c.number(&n)
	if !c.writes && n >= 0 {
		*items = make([]T, n)
	}
	for i := range *items {
		each(c, &(*items)[i])
	}
}

func (c *coder) octet(b *byte) {
	if c.writes {
		c.out = append(c.out, *b)
		return
	}
	*b, c.in = c.in[0], c.in[1:]
}

func (c *coder) id(id *uuid.UUID) {
	if c.writes {
		c.out = append(c.out, id[:]...)
		return
	}
	c.in = c.in[copy(id[:], c.in):]
}

// again writes or reads an id that mostly is the same as the last one.
func (c *coder) again(id, last *uuid.UUID) {
	same := *id == *last
	c.truth(&same)
	if same {
		*id = *last
		return
	}
	c.id(id)
	*last = *id
}

// bits writes or reads eight octets.
func (c *coder) bits(n *uint64) {
	if c.writes {
		c.out = binary.LittleEndian.AppendUint64(c.out, *n)
		return
	}
	var octets [8]byte
	c.in = c.in[copy(octets[:], c.in):]
	*n = binary.LittleEndian.Uint64(octets[:])
}

// number writes or reads a number: the nearer to zero, the shorter.
func (c *coder) number(n *int64) {
	if c.writes {
		c.out = binary.AppendVarint(c.out, *n)
		return
	}
	var octets [binary.MaxVarintLen64]byte
	copy(octets[:], c.in)
	value, long := binary.Varint(octets[:])
	*n, c.in = value, c.in[long:]
}

func (c *coder) text(s *string) {
	n := int64(len(*s))
	c.number(&n)
	if c.writes {
		c.out = append(c.out, *s...)
		return
	}
	*s, c.in = c.in[:n], c.in[n:]
}

func (c *coder) truth(is *bool) {
	b := flag(1, *is)
	c.octet(&b)
	*is = b != 0
}

func (c *coder) ease(e *practice.Ease) {
	n := int64(*e)
	c.number(&n)
	*e = practice.Ease(n) //nolint:gosec // it was one
}

func (c *coder) night(n *practice.Night) {
	days := int64(*n)
	c.number(&days)
	*n = practice.Night(days) //nolint:gosec // it was one
}

func (c *coder) moment(m *practice.Moment) {
	at, offset := m.UnixMilli(), int64(m.Offset())
	c.number(&at)
	c.number(&offset)
	*m = practice.MomentAt(at, int(offset))
}
