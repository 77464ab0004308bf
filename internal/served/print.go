package served

import (
	"crypto/sha256"
	"encoding/binary"
	"math"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// nightForm is to be raised whenever a night is served in another form than before, so that what phones hold is told anew.
const nightForm = 1

// Print is a fingerprint of a night as it is served. It tells whether the night has changed, at a fraction of what it takes to
// encode it. The zero print is of no night.
type Print [16]byte

// mostOfNight is about how many octets are printed of an evening of two caregivers.
const mostOfNight = 2 << 10

// Printer makes prints. It is for one after the other; the zero value is ready.
type Printer struct{ written ink }

// Print returns the print of a night: two nights have the same one where [NightOf] gives the same document of both. It is the
// first half of a SHA-256, since whoever writes entries chooses what is in them.
func (of *Printer) Print(learner practice.LearnerID, p *practice.Programme, n *practice.NightView) Print {
	if of.written == nil {
		of.written = make(ink, 0, mostOfNight)
	}
	b := of.written[:0].number(nightForm).id(learner.UUID).number(int64(n.Night)).text(string(n.State)).truth(p != nil)
	if p != nil {
		b = b.id(p.Enrolment.ID.UUID)
	}
	b = textsIn(b, n.Marks)
	b = textsIn(b, n.Positions)
	b = b.number(int64(len(n.Sittings)))
	for i := range n.Sittings {
		b = b.sitting(&n.Sittings[i])
	}
	b = b.number(int64(len(n.Scores)))
	for i := range n.Scores {
		s := &n.Scores[i]
		b = b.text(string(s.Position)).text(string(s.Outcome)).number(int64(s.Ease))
	}
	b = b.number(int64(len(n.Excuses)))
	for _, e := range n.Excuses {
		b = b.text(string(e.Reason)).author(e.By)
	}
	b = b.number(int64(len(n.Incidents)))
	for _, i := range n.Incidents {
		b = b.id(i.Entry.UUID).text(string(i.What))
	}
	of.written = b
	sum := sha256.Sum256(b)
	return Print(sum[:16])
}

// ink is what a night says, written so that no two nights that say something else are written alike. Whatever writes appends to
// it and returns it.
type ink []byte

func (b ink) number(n int64) ink { return binary.AppendVarint(b, n) }

func (b ink) id(id uuid.UUID) ink { return append(b, id[:]...) }

func (b ink) text(text string) ink { return append(b.number(int64(len(text))), text...) }

func (b ink) truth(is bool) ink {
	if is {
		return append(b, 1)
	}
	return append(b, 0)
}

func (b ink) author(a practice.Author) ink { return b.number(int64(a.Role)).id(a.ID.UUID) }

func textsIn[T ~string](b ink, texts []T) ink {
	b = b.number(int64(len(texts)))
	for _, text := range texts {
		b = b.text(string(text))
	}
	return b
}

// moment writes a moment down to the millisecond, as it is served, and its offset.
func (b ink) moment(m practice.Moment) ink { return b.number(m.UnixMilli()).number(int64(m.Offset())) }

func (b ink) sitting(s *practice.SittingView) ink {
	b = b.number(int64(s.Number)).moment(s.Start).text(s.Zone)
	b = b.number(int64(len(s.Authors)))
	for i := range s.Authors {
		b = b.id(s.Authors[i].ID.UUID)
	}
	b = textsIn(b, s.Marks)
	b = b.number(int64(len(s.Subjects)))
	for i := range s.Subjects {
		b = b.id(s.Subjects[i].UUID)
	}
	b = b.number(int64(len(s.Tries)))
	for i := range s.Tries {
		b = b.try(&s.Tries[i])
	}
	return b
}

// try writes a try. Its snags and the range of its ease follow from its readings.
func (b ink) try(t *practice.TryView) ink {
	b = b.text(string(t.Position)).number(int64(t.Number)).text(string(t.Medium))
	b = binary.BigEndian.AppendUint64(b, math.Float64bits(t.SizeMM))
	b = b.text(string(t.Outcome)).number(int64(t.Ease)).text(string(t.Agreement))
	b = b.number(int64(len(t.Readings)))
	for i := range t.Readings {
		r := &t.Readings[i]
		b = b.id(r.Entry.UUID).id(r.By.ID.UUID).text(string(r.Outcome)).number(int64(r.Ease)).text(string(r.Medium))
		b = textsIn(b, r.Snags).truth(r.Copied)
	}
	b = b.truth(t.Settled != nil)
	if t.Settled != nil {
		b = b.settlement(t.Settled)
	}
	b = b.number(int64(len(t.Past)))
	for i := range t.Past {
		b = b.settlement(&t.Past[i])
	}
	return b
}

func (b ink) settlement(s *practice.Settlement) ink {
	return b.id(s.Entry.UUID).text(string(s.Outcome)).number(int64(s.Ease)).text(s.Reason).author(s.By)
}
