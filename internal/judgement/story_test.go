package judgement_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

var (
	learner = practice.LearnerID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000020")}
	mama    = practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000040")}}
	papa    = practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000041")}}
	doctor  = practice.Author{Role: practice.Clinician, ID: practice.PersonID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000042")}}
)

// story is a learner's programme, from 1 March 2027 in Halifax, and what was written of it.
type story struct {
	t          testing.TB
	enrolments []practice.Enrolment
	contacts   []practice.Contact
	entries    []practice.Stamped
	born       time.Time
}

func newStory(t testing.TB) *story {
	t.Helper()
	zone, err := practice.LoadZone("America/Halifax")
	require.NoError(t, err)
	return &story{t: t, enrolments: []practice.Enrolment{{
		ID: practice.EnrolmentID{UUID: uuid.NewSHA1(uuid.Nil, []byte("enrolment"))}, Learner: learner, Plan: practice.DefaultPlan(),
		FirstNight: practice.NightOn(2027, time.March, 1), Zone: zone, Positions: practice.Positions(), ReminderAt: 19*60 + 30,
		Written: time.Date(2027, time.February, 28, 12, 0, 0, 0, time.UTC),
	}}}
}

// evening is 19:00 on a day of March.
func (s *story) evening(day int) time.Time {
	return time.Date(2027, time.March, day, 19, 0, 0, 0, s.enrolments[0].Zone)
}

func (s *story) write(by practice.Author, at time.Time, body practice.Body) *practice.Stamped {
	id := practice.EntryID{UUID: uuid.NewSHA1(uuid.Nil, fmt.Append(nil, len(s.entries)))}
	s.entries = append(s.entries, practice.Stamped{
		Entry:  practice.Entry{ID: id, Subject: practice.SubjectID(id), Learner: learner, Recorded: practice.MomentOf(at), Body: body},
		Stamp:  practice.Stamp{Received: at.UTC()},
		Author: by, Status: practice.Accepted,
	})
	return &s.entries[len(s.entries)-1]
}

// practise writes of an evening, with the tries given, each in its session.
func (s *story) practise(by practice.Author, day int, tries ...practice.Try) {
	at := s.evening(day)
	session := s.write(by, at, &practice.Session{Practised: practice.MomentOf(at), Zone: "America/Halifax", Setting: practice.AtHome})
	subject := session.Subject
	for _, try := range tries {
		try.Session = subject
		if try.Number == 0 {
			try.Number = 1
		}
		if try.Medium == "" {
			try.Medium = practice.Sweet
		}
		s.write(by, at, &try)
	}
}

func swallowed(p practice.Position, ease practice.Ease, snags ...practice.Snag) practice.Try {
	return practice.Try{Position: p, Outcome: practice.Swallowed, Ease: ease, Snags: snags}
}

func (s *story) view(at time.Time) practice.View {
	return practice.NewRecord(s.entries).Fold(learner, s.enrolments, s.contacts, at)
}

// judge judges the current programme at noon of a day of March.
func (s *story) judge(day int) judgement.Judgement {
	v := s.view(time.Date(2027, time.March, day, 12, 0, 0, 0, s.enrolments[0].Zone))
	return judgement.Judge(&v, v.Current(), s.born)
}

func march(day int) practice.Night { return practice.NightOn(2027, time.March, day) }
