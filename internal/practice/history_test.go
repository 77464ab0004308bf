package practice

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
)

// history is a household made up from a source of choices, for properties that must hold of any.
type history struct {
	entries    []Stamped
	enrolments []Enrolment
	contacts   []Contact
	at         time.Time
}

func (h history) view() View { return h.viewAt(h.at) }

func (h history) viewAt(at time.Time) View {
	return NewRecord(h.entries).Fold(drawnLearner(0), h.enrolments, h.contacts, at)
}

// with returns the history with another entry.
func (h history) with(e Stamped) history {
	h.entries = append(slices.Clone(h.entries), e)
	return h
}

// GoString tells the history entry by entry, for the report of a property that failed.
func (h history) GoString() string {
	var b strings.Builder
	fmt.Fprintf(&b, "as of %s\n", h.at)
	for _, e := range h.entries {
		fmt.Fprintf(&b, "%s on %s by %s %s, %s, clock off %s, replaces", e.ID, e.Subject, e.Author.Role, e.Author.ID, e.Status, e.ClockOffset)
		for _, id := range e.Replaces {
			fmt.Fprintf(&b, " %s", id)
		}
		fmt.Fprintf(&b, ": %T %+v\n", e.Body, e.Body)
	}
	return b.String()
}

// drawer makes up a history. Wild ones break every rule that a door would keep: rings, foreign and zero ids, entries of
// another learner, words that mean nothing.
type drawer struct {
	pick func(n int) int // one of 0 to n-1
	wild bool
	said []Stamped
}

const drawnCaregivers = 3

func drawnLearner(i int) LearnerID { return LearnerID{drawnID(1, i)} }

func drawnAuthor(i int) Author {
	if i < drawnCaregivers {
		return Author{Role: Caregiver, ID: PersonID{drawnID(2, i)}}
	}
	return Author{Role: Clinician, ID: PersonID{drawnID(2, i)}}
}

// drawnID scatters ids, so that their order is not that of drawing.
func drawnID(kind, i int) uuid.UUID {
	var id uuid.UUID
	binary.BigEndian.PutUint32(id[:], uint32(i)*2654435761)
	id[8], id[15] = byte(kind), byte(i)
	return id
}

func drawHistory(entries int, pick func(n int) int, wild bool) history {
	d := drawer{pick: pick, wild: wild}
	zone, _ := LoadZone([]string{"America/Halifax", "Australia/Lord_Howe", "Asia/Kolkata"}[pick(3)])
	first := NightOn(2027, time.March, 10)
	h := history{at: first.Begins(4*60, zone).Add(time.Duration(pick(20*24)) * hour)}
	if pick(4) > 0 {
		h.at = h.at.AddDate(0, 0, 8)
	}
	for i := range 1 + pick(2) {
		h.enrolments = append(h.enrolments, Enrolment{
			ID: EnrolmentID{drawnID(3, i)}, Learner: drawnLearner(0), Plan: DefaultPlan(), FirstNight: first + Night(i*pick(9)),
			Zone: zone, Positions: Positions(), Written: h.at.Add(time.Duration(i) * hour),
		})
	}
	for i := range drawnCaregivers {
		c := Contact{Device: DeviceID{drawnID(4, i)}, Owner: drawnAuthor(i).ID, Enrolled: first.Begins(0, zone), Revoked: pick(8) == 0}
		if pick(3) > 0 {
			c.Heard = c.Enrolled.Add(time.Duration(pick(20*24)) * hour)
		}
		h.contacts = append(h.contacts, c)
	}
	for i := range min(entries, drawnCaregivers) {
		e := d.entry(i)
		e.Body, e.Status, e.Flawed = d.body(0, e.Author), Accepted, false
		d.said = append(d.said, e)
	}
	for len(d.said) < entries {
		d.said = append(d.said, d.entry(d.author()))
	}
	h.entries = d.said
	return h
}

// author draws who writes: a caregiver three times out of four.
func (d *drawer) author() int {
	if d.pick(4) > 0 {
		return d.pick(drawnCaregivers)
	}
	return drawnCaregivers + d.pick(2)
}

// entry draws an entry by an author.
func (d *drawer) entry(author int) Stamped {
	id := EntryID{drawnID(5, len(d.said))}
	e := Stamped{
		Entry:  Entry{ID: id, Subject: SubjectID(id), Learner: drawnLearner(0), Recorded: d.moment()},
		Author: drawnAuthor(author), Status: Accepted,
	}
	e.Received = e.Recorded.Time().Add(time.Duration(d.pick(100)) * hour)
	if d.pick(8) == 0 {
		e.ClockOffset = time.Duration(d.pick(7)-3) * 2 * time.Hour
	}
	if len(d.said) > 0 && d.pick(3) == 0 {
		d.again(&e)
	} else {
		e.Body = d.body(d.pick(18), e.Author)
	}
	switch d.pick(32) {
	case 0:
		e.Status, e.MayBeIncident, e.Flawed = Quarantined, d.pick(2) == 0, d.pick(2) == 0
	case 1:
		e.Status = SetAside
	case 2:
		e.Status, e.Body = Parked, nil
	}
	if d.wild {
		d.breakRules(&e)
	}
	return e
}

// again makes an entry speak again of what was spoken of before, by the same author more often than not.
func (d *drawer) again(e *Stamped) {
	of := &d.said[d.pick(len(d.said))]
	e.Subject = of.Subject
	if d.pick(4) > 0 {
		e.Author = of.Author
	}
	for i := range d.said {
		if d.said[i].Subject == of.Subject && d.pick(3) > 0 {
			e.Replaces = append(e.Replaces, d.said[i].ID)
		}
	}
	if of.Body == nil || d.pick(3) == 0 {
		e.Body = &Retract{}
		return
	}
	switch of.Body.(type) {
	case *Session:
		e.Body = d.body(0, e.Author)
	case *Try:
		e.Body = d.body(2, e.Author)
	default:
		e.Body = of.Body
	}
}

func (d *drawer) body(kind int, author Author) Body {
	switch kind {
	case 0, 1:
		s := &Session{Practised: d.moment(), Zone: "America/Halifax", Setting: AtHome}
		if author.Role == Clinician {
			s.Witness = drawnAuthor(d.pick(drawnCaregivers)).ID
		}
		return s
	case 2, 3, 4, 5, 6, 7, 8, 9, 10:
		return d.try()
	case 14:
		return &Excuse{Night: NightOn(2027, time.March, 8+d.pick(20)), Reason: "ill"}
	case 15:
		return &Incident{Session: d.subject(), What: "pain"}
	case 11, 12, 13:
		return d.settle()
	case 16:
		return &Link{Sessions: []SubjectID{d.subject(), d.subject(), d.subject()}, Same: d.pick(2) == 0}
	}
	return d.clinical(author)
}

// clinical draws what only a clinician may write; a caregiver withdraws something at random instead.
func (d *drawer) clinical(author Author) Body {
	if author.Role != Clinician && !d.wild {
		return &Retract{}
	}
	switch d.pick(4) {
	case 0:
		return &Clear{Incidents: d.ids()}
	case 1:
		return &Choose{Position: Positions()[d.pick(5)]}
	case 2:
		return &SwitchPositions{Off: Positions()[:d.pick(3)], From: NightOn(2027, time.March, 8+d.pick(20))}
	}
	return &Review{Entry: EntryID(d.subject()), Take: d.pick(3) > 0}
}

func (d *drawer) try() *Try {
	t := &Try{
		Session: d.session(), Position: Positions()[d.pick(2)], Number: 1 + d.pick(2), Medium: []Medium{Sweet, Sweet, Water}[d.pick(3)],
		SizeMM: float64(d.pick(3)), Outcome: Outcomes()[d.pick(3)], Snags: Snags()[:d.pick(3)],
	}
	if t.Outcome != Refused {
		t.Ease = Ease(1 + d.pick(5))
	}
	return t
}

// session draws the subject of a session already told, or of anything.
func (d *drawer) session() SubjectID {
	var sessions []SubjectID
	for _, e := range d.said {
		if e.Body != nil && e.Body.Kind() == KindSession {
			sessions = append(sessions, e.Subject)
		}
	}
	if len(sessions) == 0 || d.pick(8) == 0 {
		return d.subject()
	}
	return sessions[d.pick(len(sessions))]
}

// subject draws something told already or to be told later.
func (d *drawer) subject() SubjectID { return SubjectID{drawnID(5, d.pick(len(d.said)+3))} }

// ids draws some entries.
func (d *drawer) ids() []EntryID {
	var ids []EntryID
	for range d.pick(4) {
		ids = append(ids, EntryID(d.subject()))
	}
	return ids
}

// settle draws a settlement of a try, more often than not of just those heads that the writer would have seen.
func (d *drawer) settle() *Settle {
	s := &Settle{Judged: d.ids(), Outcome: Outcomes()[d.pick(3)], Ease: Ease(d.pick(6))}
	seen := history{entries: d.said}.viewAt(time.Date(2028, time.January, 1, 0, 0, 0, 0, time.UTC))
	tries := slices.DeleteFunc(everyTry(&seen), func(t TryView) bool { return len(t.Readings) == 1 })
	if len(tries) == 0 || d.pick(5) == 0 {
		return s
	}
	s.Judged = nil
	for _, r := range tries[d.pick(len(tries))].Readings {
		s.Judged = append(s.Judged, r.Entry)
		s.Outcome, s.Ease = r.Outcome, r.Ease
	}
	return s
}

// moment draws a time in a few busy evenings, so that much happens close together.
func (d *drawer) moment() Moment {
	start := time.Date(2027, time.March, 11, 21, 0, 0, 0, time.UTC)
	offset := []int{-4 * 3600, -3 * 3600, 10*3600 + 1800}[d.pick(3)]
	m := MomentOf(start.AddDate(0, 0, d.pick(3)).Add(time.Duration(d.pick(16)) * 15 * time.Minute))
	m.offset = int32(offset)
	return m
}

// breakRules does to an entry what no door lets pass.
func (d *drawer) breakRules(e *Stamped) {
	switch d.pick(12) {
	case 0:
		e.Replaces = append(e.Replaces, e.ID)
	case 1:
		e.Replaces = append(e.Replaces, EntryID{}, EntryID{uuid.Max}, EntryID(d.subject()), EntryID(d.subject()))
	case 2:
		e.Subject = SubjectID{}
	case 3:
		e.Subject = d.subject()
	case 4:
		e.Learner = drawnLearner(d.pick(2))
	case 5:
		e.Learner = LearnerID{}
	case 6:
		e.Body = nil
	case 7:
		e.Body = &Try{Session: d.subject(), Position: "sideways", Number: -d.pick(3), Medium: "jelly", Outcome: "flown", Ease: Ease(d.pick(200) - 100)}
	case 8:
		e.Author.Role = Role(d.pick(4))
	case 9:
		e.ID = EntryID{}
	}
}
