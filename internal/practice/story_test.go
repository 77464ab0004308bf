package practice

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// The names from which the tests make ids: the same name gives the same id in every run.
var storyNames = uuid.MustParse("6f1d7c3a-5d0e-4a53-9a55-0f4f3d3b9c11")

func named(name string) uuid.UUID { return uuid.NewSHA1(storyNames, []byte(name)) }

// story is a household's history, told one entry at a time. Sam lives in Halifax and practises for fourteen evenings from
// 1 March 2027, unless a test says otherwise.
type story struct {
	t          *testing.T
	salt       string // changes the ids of all entries, and with them their order
	learner    LearnerID
	entries    []Stamped
	enrolments []Enrolment
	contacts   []Contact
}

func newStory(t *testing.T) *story {
	t.Helper()
	s := &story{t: t, learner: LearnerID{named("sam")}}
	s.enrol("2027-03-01", "America/Halifax")
	return s
}

// whateverTheIDs tells a story several times, each time with other ids.
func whateverTheIDs(t *testing.T, tell func(t *testing.T, s *story)) {
	t.Helper()
	for _, salt := range []string{"a", "b", "c", "d", "e", "f", "g", "h"} {
		t.Run("ids "+salt, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			s.salt = salt
			tell(t, s)
		})
	}
}

// enrol adds an enrolment with the built-in plan, written at noon on the eve of its first night.
func (s *story) enrol(first, zone string) *Enrolment {
	s.t.Helper()
	location, err := LoadZone(zone)
	require.NoError(s.t, err)
	night := nightOn(s.t, first)
	s.enrolments = append(s.enrolments, Enrolment{
		ID: EnrolmentID{named("enrolment from " + first)}, Learner: s.learner, Plan: DefaultPlan(), FirstNight: night,
		Zone: location, Positions: Positions(), ReminderAt: 19*60 + 30, Written: InstantAt(night-1, 12*60, location),
	})
	return &s.enrolments[len(s.enrolments)-1]
}

// caregiver adds a caregiver with one device, enrolled but not yet heard from.
func (s *story) caregiver(name string) teller {
	id := PersonID{named(name)}
	s.contacts = append(s.contacts, Contact{
		Device: DeviceID{named(name + "'s phone")}, Owner: id, Enrolled: instant(s.t, "2027-02-28T12:00:00-04:00"),
	})
	return teller{story: s, author: Author{Role: Caregiver, ID: id}, learner: s.learner}
}

func (s *story) clinician(name string) teller {
	return teller{story: s, author: Author{Role: Clinician, ID: PersonID{named(name)}}, learner: s.learner}
}

// device returns the contact of a caregiver's first device.
func (s *story) device(of teller) *Contact {
	s.t.Helper()
	for i := range s.contacts {
		if s.contacts[i].Owner == of.author.ID {
			return &s.contacts[i]
		}
	}
	require.Fail(s.t, "no such device")
	return nil
}

func (s *story) heard(of teller, at string) { s.device(of).Heard = instant(s.t, at) }

// teller is a person who writes entries, on the device and with the clock that they have at the time.
type teller struct {
	story   *story
	author  Author
	learner LearnerID
	writes  string        // when what follows is written; empty: two minutes after what it speaks of
	uploads string        // when what follows is received; empty: when it is written
	clock   time.Duration // the server's time less the device's
	status  Status
	sound   bool // though kept back, nothing is wrong by now with what follows
}

// writing returns the same person at a later time.
func (p teller) writing(at string) teller { p.writes = at; return p }

// uploading returns the same person, whose device next meets the server at a time.
func (p teller) uploading(at string) teller { p.uploads = at; return p }

// withClockOff returns the same person on a device whose clock the server finds to be wrong.
func (p teller) withClockOff(serverLessDevice time.Duration) teller {
	p.clock = serverLessDevice
	return p
}

// about returns the same person, speaking of another learner.
func (p teller) about(learner LearnerID) teller { p.learner = learner; return p }

// asStatus returns the same person, whose entries the door gives a status.
func (p teller) asStatus(status Status) teller { p.status = status; return p }

// soundByNow returns the same person, with whose entries, whatever their status, nothing is wrong as they are read now.
func (p teller) soundByNow() teller { p.sound = true; return p }

// told is an entry in a story.
type told struct {
	by      teller
	id      EntryID
	subject SubjectID
	body    Body
	written Moment
}

// entry adds an entry. The subject is the entry itself unless one is given.
func (p teller) entry(body Body, subject SubjectID, when Moment, replaces ...told) told {
	p.story.t.Helper()
	if p.writes != "" {
		when = moment(p.story.t, p.writes)
	}
	id := EntryID{named(p.story.salt + p.author.ID.String() + string(rune('A'+len(p.story.entries))))}
	if subject == (SubjectID{}) {
		subject = SubjectID(id)
	}
	stamp := Stamp{Received: when.Time().UTC().Add(p.clock), ClockOffset: p.clock}
	if p.uploads != "" {
		stamp.Received = instant(p.story.t, p.uploads)
	}
	status := p.status
	if status == "" {
		status = Accepted
	}
	e := Entry{ID: id, Subject: subject, Learner: p.learner, Recorded: when, Body: body}
	for _, r := range replaces {
		e.Replaces = append(e.Replaces, r.id)
	}
	p.story.entries = append(p.story.entries, Stamped{
		Entry: e, Stamp: stamp, Author: p.author, Status: status, Flawed: status == Quarantined && !p.sound,
	})
	return told{by: p, id: id, subject: subject, body: body, written: when}
}

// session begins an evening at home.
func (p teller) session(practised string) told {
	p.story.t.Helper()
	return p.sessionIn(practised, "America/Halifax")
}

func (p teller) sessionIn(practised, zone string) told {
	p.story.t.Helper()
	m := moment(p.story.t, practised)
	return p.entry(&Session{Practised: m, Zone: zone, Setting: AtHome}, SubjectID{}, m.shifted(2*time.Minute))
}

// copies adds a session off a paper sheet that a caregiver filled in.
func (p teller) copies(sheetOf teller, practised string) told {
	p.story.t.Helper()
	m := moment(p.story.t, practised)
	body := &Session{Practised: m, Zone: "America/Halifax", Setting: AtHome, Witness: sheetOf.author.ID}
	return p.entry(body, SubjectID{}, m.shifted(2*time.Minute))
}

// account gives another person's own account of a session.
func (p teller) account(of told, practised string) told {
	p.story.t.Helper()
	m := moment(p.story.t, practised)
	return p.entry(&Session{Practised: m, Zone: "America/Halifax", Setting: AtHome}, of.subject, m.shifted(2*time.Minute))
}

// tryIn adds a try on a sweet of 6 mm to anybody's session.
func (p teller) tryIn(session told, position Position, number int, outcome Outcome, ease Ease) told {
	p.story.t.Helper()
	return p.tryOn(Sweet, 6, session, position, number, outcome, ease)
}

func (p teller) tryOn(medium Medium, size float64, session told, position Position, number int, outcome Outcome, ease Ease) told {
	p.story.t.Helper()
	return p.entry(&Try{
		Session: session.subject, Position: position, Number: number, Medium: medium, SizeMM: size, Outcome: outcome, Ease: ease,
	}, SubjectID{}, session.written)
}

// try adds a try by the person who began the session.
func (x told) try(position Position, number int, outcome Outcome, ease Ease) told {
	x.by.story.t.Helper()
	return x.by.tryIn(x, position, number, outcome, ease)
}

// everyPosition adds a first try in each of the five positions.
func (x told) everyPosition(outcome Outcome, ease Ease) told {
	x.by.story.t.Helper()
	for _, p := range Positions() {
		x.try(p, 1, outcome, ease)
	}
	return x
}

// rated is an edit of a try by its author, who saw just that.
func (x told) rated(outcome Outcome, ease Ease) told {
	x.by.story.t.Helper()
	return x.by.rates(x, outcome, ease, x)
}

// rates writes anew of a try, replacing what the writer saw.
func (p teller) rates(of told, outcome Outcome, ease Ease, saw ...told) told {
	p.story.t.Helper()
	body := *of.body.(*Try)
	body.Outcome, body.Ease = outcome, ease
	return p.entry(&body, of.subject, of.written.shifted(time.Minute), saw...)
}

// movedTo is an edit of when a session began by its author, who saw just that.
func (x told) movedTo(practised string) told {
	x.by.story.t.Helper()
	body := *x.body.(*Session)
	body.Practised = moment(x.by.story.t, practised)
	return x.by.entry(&body, x.subject, x.written.shifted(time.Minute), x)
}

// retracted withdraws an entry of one's own.
func (x told) retracted() told {
	x.by.story.t.Helper()
	return x.by.retracts(x, x)
}

// retracts withdraws what the writer saw of a thing.
func (p teller) retracts(of told, saw ...told) told {
	p.story.t.Helper()
	return p.entry(&Retract{}, of.subject, of.written.shifted(time.Minute), saw...)
}

func (p teller) excuses(night string, reason ExcuseReason) told {
	p.story.t.Helper()
	return p.entry(&Excuse{Night: nightOn(p.story.t, night), Reason: reason}, SubjectID{}, moment(p.story.t, night+"T18:00:00-04:00"))
}

func (p teller) incident(what IncidentKind, at string) told {
	p.story.t.Helper()
	return p.entry(&Incident{What: what}, SubjectID{}, moment(p.story.t, at))
}

// says links sessions: the same sitting, or distinct ones.
func (p teller) says(same bool, sessions ...told) told {
	p.story.t.Helper()
	body := &Link{Same: same}
	for _, s := range sessions {
		body.Sessions = append(body.Sessions, s.subject)
	}
	return p.entry(body, SubjectID{}, sessions[0].written)
}

// settles says what stands of a try, having judged some heads.
func (p teller) settles(outcome Outcome, ease Ease, judged ...told) told {
	p.story.t.Helper()
	body := &Settle{Outcome: outcome, Ease: ease, Reason: "we talked it over"}
	for _, j := range judged {
		body.Judged = append(body.Judged, j.id)
	}
	return p.entry(body, SubjectID{}, judged[0].written)
}

func (p teller) clears(incidents ...told) told {
	p.story.t.Helper()
	body := &Clear{Note: "examined"}
	for _, i := range incidents {
		body.Incidents = append(body.Incidents, i.id)
	}
	return p.entry(body, SubjectID{}, incidents[0].written)
}

func (p teller) chooses(position Position, at string) told {
	p.story.t.Helper()
	return p.entry(&Choose{Position: position}, SubjectID{}, moment(p.story.t, at))
}

func (p teller) switchesOff(from string, off ...Position) told {
	p.story.t.Helper()
	return p.entry(&SwitchPositions{Off: off, From: nightOn(p.story.t, from)}, SubjectID{}, moment(p.story.t, from+"T12:00:00-04:00"))
}

func (p teller) reviews(x told, take bool) told {
	p.story.t.Helper()
	return p.entry(&Review{Entry: x.id, Take: take}, SubjectID{}, x.written)
}
