package served

import (
	"crypto/sha256"
	"encoding/binary"
	"math"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// nightForm is to be raised whenever a night is served in another form than before, so that what phones hold is told anew.
const nightForm = 1

// Print is a fingerprint of a night as it is served. It tells whether the night has changed, at a fraction of what it takes to
// encode it. The zero print is of no night.
type Print [16]byte

// Printer makes prints. It is for one after the other; the zero value is ready.
type Printer struct{ written printer }

// Print returns the print of a night: two nights have the same one where [NightOf] gives the same document of both. It is the
// first half of a SHA-256, since whoever writes entries chooses what is in them.
func (of *Printer) Print(learner practice.LearnerID, p *practice.Programme, n *practice.NightView) Print {
	of.written = of.written[:0]
	b := &of.written
	b.number(nightForm)
	b.id(learner.UUID)
	b.number(int64(n.Night))
	b.text(string(n.State))
	b.truth(p != nil)
	if p != nil {
		b.id(p.Enrolment.ID.UUID)
	}
	textsIn(b, n.Marks)
	textsIn(b, n.Positions)
	b.number(int64(len(n.Sittings)))
	for i := range n.Sittings {
		b.sitting(&n.Sittings[i])
	}
	b.number(int64(len(n.Scores)))
	for _, s := range n.Scores {
		b.text(string(s.Position))
		b.text(string(s.Outcome))
		b.number(int64(s.Ease))
	}
	b.number(int64(len(n.Excuses)))
	for _, e := range n.Excuses {
		b.text(string(e.Reason))
		b.author(e.By)
	}
	b.number(int64(len(n.Incidents)))
	for _, i := range n.Incidents {
		b.id(i.Entry.UUID)
		b.text(string(i.What))
	}
	sum := sha256.Sum256(*b)
	return Print(sum[:16])
}

// printer writes what a night says so that no two nights that say something else are written alike.
type printer []byte

func (b *printer) number(n int64) { *b = binary.AppendVarint(*b, n) }

func (b *printer) id(id uuid.UUID) { *b = append(*b, id[:]...) }

func (b *printer) text(text string) {
	b.number(int64(len(text)))
	*b = append(*b, text...)
}

func (b *printer) truth(is bool) {
	if is {
		*b = append(*b, 1)
	} else {
		*b = append(*b, 0)
	}
}

func (b *printer) author(a practice.Author) {
	b.number(int64(a.Role))
	b.id(a.ID.UUID)
}

func textsIn[T ~string](b *printer, texts []T) {
	b.number(int64(len(texts)))
	for _, text := range texts {
		b.text(string(text))
	}
}

// moment writes a moment down to the millisecond, as it is served, and its offset.
func (b *printer) moment(m practice.Moment) {
	t := m.Time()
	_, offset := t.Zone()
	b.number(t.Truncate(time.Millisecond).UnixMilli())
	b.number(int64(offset))
}

func (b *printer) sitting(s *practice.SittingView) {
	b.number(int64(s.Number))
	b.moment(s.Start)
	b.text(s.Zone)
	b.number(int64(len(s.Authors)))
	for _, a := range s.Authors {
		b.id(a.ID.UUID)
	}
	textsIn(b, s.Marks)
	b.number(int64(len(s.Subjects)))
	for _, subject := range s.Subjects {
		b.id(subject.UUID)
	}
	b.number(int64(len(s.Tries)))
	for i := range s.Tries {
		b.try(&s.Tries[i])
	}
}

// try writes a try. Its snags and the range of its ease follow from its readings.
func (b *printer) try(t *practice.TryView) {
	b.text(string(t.Position))
	b.number(int64(t.Number))
	b.text(string(t.Medium))
	*b = binary.BigEndian.AppendUint64(*b, math.Float64bits(t.SizeMM))
	b.text(string(t.Outcome))
	b.number(int64(t.Ease))
	b.text(string(t.Agreement))
	b.number(int64(len(t.Readings)))
	for i := range t.Readings {
		r := &t.Readings[i]
		b.id(r.Entry.UUID)
		b.id(r.By.ID.UUID)
		b.text(string(r.Outcome))
		b.number(int64(r.Ease))
		b.text(string(r.Medium))
		textsIn(b, r.Snags)
		b.truth(r.Copied)
	}
	b.truth(t.Settled != nil)
	if t.Settled != nil {
		b.settlement(t.Settled)
	}
	b.number(int64(len(t.Past)))
	for i := range t.Past {
		b.settlement(&t.Past[i])
	}
}

func (b *printer) settlement(s *practice.Settlement) {
	b.id(s.Entry.UUID)
	b.text(string(s.Outcome))
	b.number(int64(s.Ease))
	b.text(s.Reason)
	b.author(s.By)
}
