package reminder_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

var (
	learner = practice.LearnerID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000020")}
	papa    = practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000040")}}
)

// story is a learner's programme and what was written of it.
type story struct {
	t          *testing.T
	enrolments []practice.Enrolment
	entries    []practice.Stamped
}

// newStory begins a programme on a date in a zone, written at noon of that day, with a reminder at a time.
func newStory(t *testing.T, first, zone, remindAt string) *story {
	t.Helper()
	s := &story{t: t}
	s.enrol(first, zone, remindAt)
	return s
}

func (s *story) enrol(first, zone, remindAt string) *practice.Enrolment {
	s.t.Helper()
	night, err := practice.ParseNight(first)
	require.NoError(s.t, err)
	place, err := practice.LoadZone(zone)
	require.NoError(s.t, err)
	at, err := practice.ParseTimeOfDay(remindAt)
	require.NoError(s.t, err)
	s.enrolments = append(s.enrolments, practice.Enrolment{
		ID: practice.EnrolmentID{UUID: uuid.NewSHA1(uuid.Nil, []byte(first))}, Learner: learner, Plan: practice.DefaultPlan(), FirstNight: night,
		Zone: place, Positions: practice.Positions(), ReminderAt: at, Written: practice.InstantAt(night, 12*60, place),
	})
	return &s.enrolments[len(s.enrolments)-1]
}

func (s *story) write(at time.Time, body practice.Body) practice.EntryID {
	id := practice.EntryID{UUID: uuid.NewSHA1(uuid.Nil, fmt.Append(nil, len(s.entries)))}
	s.entries = append(s.entries, practice.Stamped{
		Entry:  practice.Entry{ID: id, Subject: practice.SubjectID(id), Learner: learner, Recorded: practice.MomentOf(at), Body: body},
		Stamp:  practice.Stamp{Received: at},
		Author: papa, Status: practice.Accepted,
	})
	return id
}

// practise writes of an evening with one sweet.
func (s *story) practise(at time.Time) {
	session := s.write(at, &practice.Session{Practised: practice.MomentOf(at), Zone: at.Location().String(), Setting: practice.AtHome})
	s.write(at, &practice.Try{
		Session: practice.SubjectID(session), Position: practice.Left, Number: 1, Medium: practice.Sweet, Outcome: practice.Swallowed, Ease: 4,
	})
}

func (s *story) next(at time.Time) reminder.Upcoming {
	v := practice.NewRecord(s.entries).Fold(learner, s.enrolments, nil, at)
	return reminder.Next(&v, nil)
}

// told says what is due, when, and until when, by the wall clock of the first enrolment's home.
func (s *story) told(at time.Time) string {
	u := s.next(at)
	if len(u.Reminders) == 0 {
		assert.True(s.t, u.Lapses.IsZero())
		return "nothing"
	}
	home := s.enrolments[0].Zone
	var what []string
	for _, r := range u.Reminders {
		what = append(what, fmt.Sprintf("%s %s after %d", r.Kind, r.Night, r.Run))
		assert.True(s.t, r.Due.Equal(u.Reminders[0].Due))
	}
	slices.Sort(what)
	const clock = "01-02 15:04"
	return fmt.Sprintf("%v from %s to %s", what, u.Reminders[0].Due.In(home).Format(clock), u.Lapses.In(home).Format(clock))
}

func at(t *testing.T, zone, text string) time.Time {
	t.Helper()
	place, err := time.LoadLocation(zone)
	require.NoError(t, err)
	when, err := time.ParseInLocation("2006-01-02 15:04:05", text, place)
	require.NoError(t, err)
	return when
}

const halifax = "America/Halifax"

func TestNextOfAnEmptyFortnight(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	for _, test := range [][2]string{
		{"2027-02-20 12:00:00", "[tonight 2027-03-01 after 0] from 03-01 19:30 to 03-01 21:00"},
		{"2027-03-01 12:00:00", "[tonight 2027-03-01 after 0] from 03-01 19:30 to 03-01 21:00"},
		{"2027-03-01 20:59:59", "[tonight 2027-03-01 after 0] from 03-01 19:30 to 03-01 21:00"},
		{"2027-03-01 21:00:00", "[tonight 2027-03-02 after 1] from 03-02 19:30 to 03-02 21:00"},
		{"2027-03-02 03:59:59", "[tonight 2027-03-02 after 1] from 03-02 19:30 to 03-02 21:00"},
		{"2027-03-04 19:30:00", "[follow_up 2027-03-03 after 3 tonight 2027-03-04 after 3] from 03-04 19:30 to 03-04 21:00"},
		// From then on ever more rarely.
		{"2027-03-05 19:30:00", "[tonight 2027-03-06 after 5] from 03-06 19:30 to 03-06 21:00"},
		{"2027-03-06 21:00:00", "[tonight 2027-03-10 after 9] from 03-10 19:30 to 03-10 21:00"},
		{"2027-03-10 21:00:00", "nothing"},
		{"2027-06-01 12:00:00", "nothing"},
	} {
		assert.Equal(t, test[1], s.told(at(t, halifax, test[0])), test[0])
	}
}

// TestNextOfABackdatedEnrolment: nights that had closed when the enrolment was written count in the run that is told, but
// the clinic hears of a run only once as many have closed since.
func TestNextOfABackdatedEnrolment(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	s.enrolments[0].Written = at(t, halifax, "2027-03-06 12:00:00")
	for _, test := range [][2]string{
		{"2027-03-06 20:00:00", "[tonight 2027-03-06 after 5] from 03-06 19:30 to 03-06 21:00"},
		{"2027-03-08 20:00:00", "[tonight 2027-03-08 after 7] from 03-08 19:30 to 03-08 21:00"},
		{"2027-03-09 20:00:00", "[follow_up 2027-03-08 after 8 tonight 2027-03-09 after 8] from 03-09 19:30 to 03-09 21:00"},
		{"2027-03-10 20:00:00", "[tonight 2027-03-11 after 10] from 03-11 19:30 to 03-11 21:00"}, // after 5 that it was told of
	} {
		assert.Equal(t, test[1], s.told(at(t, halifax, test[0])), test[0])
	}
}

// TestNextAfterPractice: tonight is done, early, late or excused.
func TestNextAfterPractice(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		tell   func(s *story)
		at     string
		wanted string
	}{
		"done before the reminder": {func(s *story) {
			s.practise(at(t, halifax, "2027-03-02 18:00:00"))
		}, "2027-03-02 19:00:00", "[missed 2027-03-01 after 1] from 03-02 19:30 to 03-02 21:00"},
		"done after the reminder": {func(s *story) { // tonight's was due, so not yesterday's too
			s.practise(at(t, halifax, "2027-03-02 20:00:00"))
		}, "2027-03-02 20:30:00", "[tonight 2027-03-03 after 0] from 03-03 19:30 to 03-03 21:00"},
		"excused": {func(s *story) {
			s.write(at(t, halifax, "2027-03-01 09:00:00"), &practice.Excuse{Night: night(t, "2027-03-01"), Reason: "ill"})
		}, "2027-03-01 12:00:00", "[tonight 2027-03-02 after 0] from 03-02 19:30 to 03-02 21:00"},
		"excused after a miss": {func(s *story) {
			s.write(at(t, halifax, "2027-03-02 09:00:00"), &practice.Excuse{Night: night(t, "2027-03-02"), Reason: "ill"})
		}, "2027-03-02 12:00:00", "[missed 2027-03-01 after 1] from 03-02 19:30 to 03-02 21:00"},
		"a third in a row, then practice": {func(s *story) {
			s.practise(at(t, halifax, "2027-03-04 18:00:00"))
		}, "2027-03-04 19:30:00", "[follow_up 2027-03-03 after 3 missed 2027-03-03 after 3] from 03-04 19:30 to 03-04 21:00"},
		"on hold": {func(s *story) {
			s.write(at(t, halifax, "2027-03-01 09:00:00"), &practice.Incident{What: "choking"})
		}, "2027-03-01 12:00:00", "nothing"},
		"paused": {func(s *story) { s.enrolments[0].Paused = true }, "2027-03-01 12:00:00", "nothing"},
		"ended": {func(s *story) {
			s.enrolments[0].Ended, s.enrolments[0].EndedOn = true, night(t, "2027-03-01")
		}, "2027-03-01 12:00:00", "nothing"},
		"written late": {func(s *story) {
			s.enrolments[0].Written = at(t, halifax, "2027-03-05 12:00:00")
			s.practise(at(t, halifax, "2027-03-05 18:00:00"))
		}, "2027-03-05 19:00:00", "[tonight 2027-03-06 after 0] from 03-06 19:30 to 03-06 21:00"},
		"written within a night": {func(s *story) { // it closed afterwards
			s.enrolments[0].Written = at(t, halifax, "2027-03-05 02:00:00")
			s.practise(at(t, halifax, "2027-03-05 18:00:00"))
		}, "2027-03-05 19:00:00", "[missed 2027-03-04 after 4] from 03-05 19:30 to 03-05 21:00"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t, "2027-03-01", halifax, "19:30")
			test.tell(s)
			assert.Equal(t, test.wanted, s.told(at(t, halifax, test.at)))
		})
	}
}

func night(t *testing.T, text string) practice.Night {
	t.Helper()
	n, err := practice.ParseNight(text)
	require.NoError(t, err)
	return n
}

// TestNextOnDaysOfOtherLengths: the wall clock at home decides, however long the day is.
func TestNextOnDaysOfOtherLengths(t *testing.T) {
	t.Parallel()
	never := func(e *practice.Enrolment) { e.Plan.QuietFrom, e.Plan.QuietUntil = 0, 0 }
	for name, test := range map[string]struct {
		zone, remindAt, date string
		change               func(*practice.Enrolment)
		due, lapses          string // UTC
	}{
		"an hour short":                       {halifax, "19:30", "2027-03-14", nil, "2027-03-14T22:30:00Z", "2027-03-15T00:00:00Z"},
		"the day before":                      {halifax, "19:30", "2027-03-13", nil, "2027-03-13T23:30:00Z", "2027-03-14T01:00:00Z"},
		"an hour long":                        {halifax, "19:30", "2027-11-07", nil, "2027-11-07T23:30:00Z", "2027-11-08T01:00:00Z"},
		"no quiet hours, an hour short":       {halifax, "19:30", "2027-03-13", never, "2027-03-13T23:30:00Z", "2027-03-14T07:00:00Z"},
		"no quiet hours, an hour long":        {halifax, "19:30", "2027-11-06", never, "2027-11-06T22:30:00Z", "2027-11-07T08:00:00Z"},
		"a time that does not come":           {halifax, "02:30", "2027-03-13", never, "2027-03-14T06:00:00Z", "2027-03-14T07:00:00Z"},
		"a time that comes twice":             {halifax, "01:30", "2027-11-06", never, "2027-11-07T04:30:00Z", "2027-11-07T08:00:00Z"},
		"half an hour short":                  {"Australia/Lord_Howe", "19:30", "2027-10-03", nil, "2027-10-03T08:30:00Z", "2027-10-03T10:00:00Z"},
		"half an hour long":                   {"Australia/Lord_Howe", "19:30", "2027-04-04", nil, "2027-04-04T09:00:00Z", "2027-04-04T10:30:00Z"},
		"three quarters off":                  {"Asia/Kathmandu", "19:30", "2027-03-01", nil, "2027-03-01T13:45:00Z", "2027-03-01T15:15:00Z"},
		"quiet from midnight":                 {"UTC", "19:30", "2027-03-01", func(e *practice.Enrolment) { e.Plan.QuietFrom, e.Plan.QuietUntil = 0, 8*60 }, "2027-03-01T19:30:00Z", "2027-03-02T00:00:00Z"},
		"after midnight, with quiet at three": {"UTC", "01:00", "2027-03-01", func(e *practice.Enrolment) { e.Plan.QuietFrom, e.Plan.QuietUntil = 3*60, 8*60 }, "2027-03-02T01:00:00Z", "2027-03-02T03:00:00Z"},
		"as quiet hours end":                  {"UTC", "08:00", "2027-03-01", nil, "2027-03-01T08:00:00Z", "2027-03-01T21:00:00Z"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t, test.date, test.zone, test.remindAt)
			if test.change != nil {
				test.change(&s.enrolments[0])
			}
			// From the eve on, and until it lapses, it is the same. Without quiet hours it lapses as the night closes.
			due, err := time.Parse(time.RFC3339, test.due)
			require.NoError(t, err)
			lapses, err := time.Parse(time.RFC3339, test.lapses)
			require.NoError(t, err)
			for _, when := range []time.Time{due.Add(-24 * time.Hour), due.Add(-time.Millisecond), due, lapses.Add(-time.Millisecond)} {
				u := s.next(when)
				require.NotEmpty(t, u.Reminders, when)
				assert.Equal(t, test.due, u.Reminders[0].Due.UTC().Format(time.RFC3339), when)
				assert.Equal(t, test.lapses, u.Lapses.UTC().Format(time.RFC3339), when)
				assert.Equal(t, reminder.Tonight, u.Reminders[0].Kind)
				assert.Equal(t, night(t, test.date), u.Reminders[0].Night)
			}
			later := s.next(lapses)
			require.NotEmpty(t, later.Reminders)
			assert.True(t, later.Reminders[0].Due.After(due))
		})
	}
}

// TestIDs: one learner, night and kind has one id, whenever and from whatever it is worked out, and no other has it.
func TestIDs(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	ids := map[uuid.UUID]string{}
	for when := at(t, halifax, "2027-02-27 00:00:00"); when.Before(at(t, halifax, "2027-03-20 00:00:00")); when = when.Add(97 * time.Minute) {
		for _, r := range s.next(when).Reminders {
			what := fmt.Sprintf("%s %s", r.Kind, r.Night)
			if known, ok := ids[r.ID]; ok {
				assert.Equal(t, known, what)
			}
			ids[r.ID] = what
		}
	}
	assert.Len(t, ids, 6+1, "six of fourteen silent evenings, and one follow-up")
	whats := map[string]bool{}
	for _, what := range ids {
		whats[what] = true
	}
	assert.Len(t, whats, len(ids))
	assert.Equal(t, "tonight 2027-03-01", ids[s.next(at(t, halifax, "2027-03-01 12:00:00")).Reminders[0].ID])

	other := newStory(t, "2027-03-01", halifax, "19:30")
	other.enrolments[0].Learner.UUID = uuid.New()
	v := practice.NewRecord(nil).Fold(other.enrolments[0].Learner, other.enrolments, nil, at(t, halifax, "2027-03-01 12:00:00"))
	assert.NotContains(t, ids, reminder.Next(&v, nil).Reminders[0].ID, "another learner's")
}

// TestASecondProgramme takes over on its first night.
func TestASecondProgramme(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	s.enrol("2027-03-05", halifax, "18:00").Written = at(t, halifax, "2027-03-03 12:00:00")
	assert.Equal(t, "[follow_up 2027-03-03 after 3 tonight 2027-03-04 after 3] from 03-04 19:30 to 03-04 21:00", s.told(at(t, halifax, "2027-03-04 12:00:00")))
	assert.Equal(t, "[tonight 2027-03-05 after 0] from 03-05 18:00 to 03-05 21:00", s.told(at(t, halifax, "2027-03-05 04:00:00")))
	assert.Equal(t, "nothing", (&story{t: t}).told(started()), "no programme at all")
}

func started() time.Time { return time.Date(2027, time.March, 1, 22, 0, 0, 0, time.UTC) }
