package practice

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"
)

// View is what happened, for one learner, as seen from an instant.
type View struct {
	Learner    LearnerID
	At         time.Time
	Programmes []Programme // one for each enrolment with nights of its own, by first night
	// Earlier holds the nights outside every enrolment, such as the teaching session's: shown, not counted.
	Earlier []NightView
	Hold    []OpenIncident // incidents that no clinician has cleared, by id; any of them holds the learner
	Choices []Chosen       // the positions in which clinicians wanted the learner to be judged: the last one stands
	// Quarantined counts the quarantined entries about the learner, or about nobody who could be told, that their author has
	// not replaced by another entry since and no review has dealt with; those that were parked or set aside too, where
	// something turned out to be wrong with them.
	Quarantined int
	// SetAside counts the entries about the learner that were set aside and that no review has dealt with.
	SetAside int
	// ConsentWithdrawn reports that nobody's consent stands any more: each caregiver with a device has withdrawn it. The
	// family is not reminded of anything.
	ConsentWithdrawn bool
	// Idle says why an entry of the household is without effect.
	Idle map[EntryID]Why
	// Until is the first instant after At at which the same entries would give another view; zero where there is none.
	Until time.Time
	// Awaits is the first instant after At at which something begins that was left out of this view; zero where nothing was.
	Awaits  time.Time
	current int
}

// Programme is one enrolment and its nights.
type Programme struct {
	Enrolment *Enrolment
	LastNight Night       // the last planned night, or the one on which the enrolment ended earlier
	Nights    []NightView // every planned night, and those after with something recorded, in order
	Counts    Counts
	Streak    Streak
}

// Current returns the programme of the enrolment begun last, else of the first to come; nil where there is none.
func (v *View) Current() *Programme {
	if v.current < 0 {
		return nil
	}
	return &v.Programmes[v.current]
}

// countKeptBack counts what of the entries that were kept back somebody has still to deal with.
func (f *fold) countKeptBack(v *View) {
	if !f.record.keptBack {
		return
	}
	replaced := map[EntryID]bool{}
	for _, e := range f.record.entries {
		for _, id := range e.Replaces {
			if older := f.record.entry(id); older != nil && older != e && older.Author == e.Author {
				replaced[id] = true
			}
		}
	}
	for _, e := range f.record.entries {
		about := e.Learner == f.learner || e.Learner == LearnerID{}
		if !about || replaced[e.ID] {
			continue
		}
		switch why := f.record.idle[e.ID]; {
		case why == WhySetAside:
			v.SetAside++
		case why.toMend():
			v.Quarantined++
		}
	}
}

// FromCurrent returns the current programme and those that begin after it, by first night.
func (v *View) FromCurrent() []Programme {
	if v.current < 0 {
		return nil
	}
	return v.Programmes[v.current:]
}

// Programme returns the programme of an enrolment, nil where it has none.
func (v *View) Programme(id EnrolmentID) *Programme {
	for i := range v.Programmes {
		if v.Programmes[i].Enrolment.ID == id {
			return &v.Programmes[i]
		}
	}
	return nil
}

// Chosen is a clinician's choice of the position to be judged.
type Chosen struct {
	Position Position
	From     time.Time // when the choice was received
}

// SittingView is one sitting: sessions that were one time at the table, and their tries.
type SittingView struct {
	Number   int         // within the night, from 1
	Start    Moment      // of the earliest session
	Zone     string      // of the earliest session
	Sessions []Session   // by start
	Subjects []SubjectID // what the sessions are of, each once
	Authors  []Author    // who has an account of it, each once
	Tries    []TryView
	Marks    []Mark
	Known    time.Time // when anything of it was first received
	marks    marks
	written  []written
}

// written is when a person first wrote of a night.
type written struct {
	by   Author
	when Moment
}

// fold is the work of one Fold.
type fold struct {
	record   *Record
	learner  LearnerID
	at       time.Time
	spans    []span
	current  *span
	contacts []Contact

	idle           map[EntryID]Why
	sessions       []*session // by subject and author
	settlements    map[SubjectID][]*settlement
	allSettlements []*settlement
	sittings       []sitting
	notes          map[Night]*notes
	switches       []switching
	changesAt      time.Time
	awaits         time.Time
}

// sitting is a sitting on its way into a night.
type sitting struct {
	SittingView
	night Night
	first *session // the earliest that stands
	// recalledFrom is the instant from which whatever is written of the sitting counts as recalled, in Unix milliseconds.
	recalledFrom int64
}

// Fold works out what happened for one learner from the household's record, the learner's enrolments, the contacts of the
// household's devices and an instant. Sessions that start after the instant are left out; all else that is in the record
// is taken in.
func (r *Record) Fold(learner LearnerID, enrolments []Enrolment, contacts []Contact, at time.Time) View {
	f := &fold{
		record: r, learner: learner, at: at, contacts: contacts,
		spans: spansOf(enrolments), idle: maps.Clone(r.idle),
	}
	f.current = currentSpan(f.spans, at)
	f.collectSessions()
	f.collectSittings()
	f.collectSettlements()
	f.collectTries()
	f.collectSwitches()
	f.collectNotes()
	f.numberSittings()
	return f.view()
}

// await notes an instant at which something begins that is left out until then.
func (f *fold) await(at time.Time) {
	f.until(at)
	f.awaits = earlier(f.awaits, at)
}

// until notes an instant after which the view would be another.
func (f *fold) until(at time.Time) {
	if at.After(f.at) && (f.changesAt.IsZero() || at.Before(f.changesAt)) {
		f.changesAt = at
	}
}

// planFor returns the plan that governs a moment: that of the enrolment whose span holds its night, else of the current
// one, else the one built in.
func (f *fold) planFor(m Moment) (Plan, *span) {
	for i := range f.spans {
		if s := &f.spans[i]; s.holds(NightOf(m, s.enrolment.Plan.TurnsAt)) {
			return s.enrolment.Plan, s
		}
	}
	if f.current != nil {
		return f.current.enrolment.Plan, nil
	}
	return DefaultPlan(), nil
}

func (f *fold) collectSittings() {
	var links []*Link
	f.record.heads(KindLink, f.learner, func(_ *account, e *Stamped) {
		links = append(links, e.Body.(*Link)) //nolint:forcetypeassert // heads are of the kind asked for
	})
	groups := groupSessions(f.sessions, links)
	f.sittings = make([]sitting, 0, len(groups))
	room := roomFor(len(f.sessions))
	for _, group := range groups {
		for _, s := range group {
			s.sitting = len(f.sittings)
		}
		f.sittings = append(f.sittings, f.sittingFrom(group, &room))
	}
}

// room has space for what all sittings say of their sessions. It lies side by side in a few arrays: a fold then asks for memory a
// few times, not a few times for each sitting.
type room struct {
	sessions []Session
	subjects []SubjectID
	authors  []Author
	written  []written
}

func roomFor(sessions int) room {
	return room{
		sessions: make([]Session, sessions), subjects: make([]SubjectID, sessions),
		authors: make([]Author, sessions), written: make([]written, sessions),
	}
}

// take cuts an empty slice with space for n elements off a larger one.
func take[T any](from *[]T, n int) []T {
	cut := (*from)[:0:n]
	*from = (*from)[n:]
	return cut
}

// sittingFrom makes a sitting of the sessions that were one.
func (f *fold) sittingFrom(group []*session, room *room) sitting {
	first := earliest(group)
	plan, span := f.planFor(first.start)
	s := sitting{night: NightOf(first.start, plan.TurnsAt), first: first}
	s.recalledFrom = recalledFrom(s.night, span)
	s.Start, s.Zone = first.start, first.body.Zone
	s.Sessions, s.Subjects = take(&room.sessions, len(group)), take(&room.subjects, len(group))
	s.Authors, s.written = take(&room.authors, len(group)), take(&room.written, len(group))
	for _, session := range group {
		if session.ghost {
			continue
		}
		s.Sessions = append(s.Sessions, *session.body)
		s.addSubject(session.account.subject())
		s.addAuthor(session.account.speaker)
		s.Known = earlier(s.Known, session.account.first.Received)
		s.written = append(s.written, written{by: session.account.speaker, when: session.account.first.recorded()})
		s.marks.addIf(session.entry.Suspect(), MarkClockSuspect)
		s.marks.addIf(session.twice, MarkTwice)
		s.marks.addIf(session.entry.Author != session.account.speaker, MarkCopied)
		s.marks.addIf(len(session.account.heads) > 1, MarkSeveralHeads)
		s.marks.addIf(session.account.unseenRetraction, MarkRetractionUnseen)
		s.marks.addIf(!offsetKnown(session.start, session.body.Zone), MarkOffsetUnknown)
		s.marks.addIf(session.entry.recorded().unixMilli > s.recalledFrom, MarkRecalled)
	}
	return s
}

// recalledFrom returns the instant from which what is written about a night of an enrolment was written from memory: long
// after the night had closed at home. Outside every enrolment nothing is recalled.
func recalledFrom(n Night, s *span) int64 {
	if s == nil {
		return math.MaxInt64
	}
	return s.enrolment.Closes(n).Add(s.enrolment.Plan.RecalledAfter).UnixMilli()
}

// earlier returns the earlier of two instants, of which a zero one is none.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || (!b.IsZero() && b.Before(a)) {
		return b
	}
	return a
}

// addSubject adds a session to those that the sitting is made of. Several people may have an account of it.
func (s *sitting) addSubject(subject SubjectID) {
	if !slices.Contains(s.Subjects, subject) {
		s.Subjects = append(s.Subjects, subject)
	}
}

func (s *sitting) addAuthor(a Author) {
	if !slices.Contains(s.Authors, a) {
		s.Authors = append(s.Authors, a)
	}
}

func (s *sitting) addReadings(readings []Reading) {
	for i := range readings {
		r := &readings[i]
		s.addAuthor(r.By)
		s.marks |= r.marks
		s.marks.addIf(r.Recorded.unixMilli > s.recalledFrom, MarkRecalled)
	}
}

// numberSittings drops what no standing account is left of, and numbers the sittings of each night by start, then id.
func (f *fold) numberSittings() {
	f.sittings = slices.DeleteFunc(f.sittings, func(s sitting) bool { return len(s.Authors) == 0 })
	slices.SortFunc(f.sittings, func(a, b sitting) int {
		return cmp.Or(cmp.Compare(a.night, b.night), a.first.compare(b.first))
	})
	for i := range f.sittings {
		s := &f.sittings[i]
		s.Number = 1
		if i > 0 && f.sittings[i-1].night == s.night {
			s.Number = f.sittings[i-1].Number + 1
		}
	}
}

func (f *fold) view() View {
	v := View{Learner: f.learner, At: f.at, Hold: f.openIncidents(), Choices: f.choices(), Idle: f.idle, current: -1}
	f.countKeptBack(&v)
	standing := func(c Contact) bool { return !c.Withdrawn }
	v.ConsentWithdrawn = len(f.contacts) > 0 && !slices.ContainsFunc(f.contacts, standing)
	nights := f.recordedNights()
	for i := range f.spans {
		s := &f.spans[i]
		if s.empty() {
			continue
		}
		v.Programmes = append(v.Programmes, f.programme(s, nights))
	}
	slices.SortFunc(v.Programmes, func(a, b Programme) int {
		return cmp.Compare(a.Enrolment.FirstNight, b.Enrolment.FirstNight)
	})
	for i := range v.Programmes {
		if f.current != nil && v.Programmes[i].Enrolment == f.current.enrolment {
			v.current = i
		}
	}
	for _, n := range nights {
		if spanOf(f.spans, n.Night) == nil {
			v.Earlier = append(v.Earlier, n)
		}
	}
	v.Until, v.Awaits = f.changesAt, f.awaits
	return v
}

// PositionsAt returns the positions in use on the night that runs at an instant, or on the nearest night of the programme.
func (p *Programme) PositionsAt(at time.Time) []Position {
	i := int(p.Enrolment.Tonight(at) - p.Enrolment.FirstNight)
	return p.Nights[min(max(i, 0), len(p.Nights)-1)].Positions
}
