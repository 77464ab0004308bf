package reminder_test

import (
	"fmt"
	"os"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
	"swallowtail/internal/practice/zonetest"
	"swallowtail/internal/reminder"
)

// next says what is due of one enrolment of which nothing is ever heard.
func next(e practice.Enrolment, at time.Time) reminder.Upcoming {
	v := practice.NewRecord(nil).Fold(learner, []practice.Enrolment{e}, nil, at)
	return reminder.Next(&v, nil)
}

// restless is a fortnight on a plan without quiet hours, of which the clinic hears nothing.
func restless(first practice.Night, zone *time.Location, remindAt, turnsAt practice.TimeOfDay) practice.Enrolment {
	plan := practice.DefaultPlan()
	plan.QuietFrom, plan.QuietUntil = 0, 0
	plan.TurnsAt = turnsAt
	plan.FollowUpRun = 2 * plan.Nights // no run is that long
	return practice.Enrolment{
		ID: practice.EnrolmentID{UUID: uuid.NewSHA1(uuid.Nil, []byte(first.String()))}, Learner: learner, Plan: plan, FirstNight: first,
		Zone: zone, Positions: practice.Positions(), ReminderAt: remindAt, Written: practice.InstantAt(first-1, turnsAt, zone),
	}
}

func zoneAnswers(t *testing.T) *zonetest.Answers {
	t.Helper()
	text, err := os.ReadFile("../../testdata/zones/answers.txt")
	require.NoError(t, err)
	answers, err := zonetest.Parse(string(text))
	require.NoError(t, err)
	return answers
}

// TestTonightIsDueWhenPythonSays: through a fortnight around each jump of the clock in every zone, tonight's reminder is due once a
// night, at the first instant of its time of day, and until the night closes or the next one's time comes, as Python's
// zoneinfo has them.
func TestTonightIsDueWhenPythonSays(t *testing.T) {
	t.Parallel()
	answers := zoneAnswers(t)
	require.GreaterOrEqual(t, len(answers.Zones), 30)
	var fortnights, nights, without atomic.Int64
	t.Run("zones", func(t *testing.T) {
		for i := range answers.Zones {
			zone := &answers.Zones[i]
			t.Run(zone.Name, func(t *testing.T) {
				t.Parallel()
				firsts := fortnightsOf(zone)
				require.NotEmpty(t, firsts)
				for j, first := range firsts {
					// A step that shares no factor with their numbers takes all pairs of a time and a turning hour in turn.
					pair := (i + 7*j) % (len(answers.Times) * len(answers.Turns))
					w := walk{zone: zone, time: pair % len(answers.Times), turns: pair / len(answers.Times)}
					w.e = restless(first, zone.Location, answers.Times[w.time], answers.Turns[w.turns])
					w.run(t)
					nights.Add(w.nights)
					without.Add(w.without)
				}
				fortnights.Add(int64(len(firsts)))
			})
		}
	})
	t.Logf("%s %d fortnights of %d nights, %d of them left out", answers.Source, fortnights.Load(), nights.Load(), without.Load())
	assert.Greater(t, fortnights.Load(), int64(600))
	assert.Greater(t, nights.Load(), int64(8000))
	assert.Less(t, without.Load(), int64(30))
}

// fortnightsOf returns the first nights of the fortnights that have a jump of the clock in their middle; where the clock never
// jumps, one a year.
func fortnightsOf(zone *zonetest.Zone) []practice.Night {
	var all []practice.Night
	within := func(first practice.Night) bool { return first > zone.First()+1 && first+16 < zone.Last() }
	for _, run := range zone.Runs[1:] {
		first := run.First - 7
		if sameJump := len(all) > 0 && first < all[len(all)-1]+5; !sameJump && within(first) {
			all = append(all, first)
		}
	}
	for first := zone.First() + 2; len(zone.Runs) == 1 && within(first); first += 365 {
		all = append(all, first)
	}
	return all
}

// walk goes from reminder to reminder through one enrolment.
type walk struct {
	zone            *zonetest.Zone
	time, turns     int // which of the answers
	e               practice.Enrolment
	nights, without int64
}

func (w *walk) run(t *testing.T) {
	t.Helper()
	at := w.e.Written
	for night := w.e.FirstNight; night < w.e.FirstNight+14; night++ {
		date := night
		if w.e.ReminderAt < w.e.Plan.TurnsAt {
			date++
		}
		due, lapses := w.zone.On(date).Shown(date, w.time), w.zone.On(night).Closes(night, w.turns).At
		if again := w.zone.On(date+1).Shown(date+1, w.time); again.Before(lapses) {
			lapses = again
		}
		w.nights++
		if !due.Before(lapses) {
			w.without++
			continue
		}
		looks := []time.Time{at}
		if day := night - w.e.FirstNight; 6 <= day && day <= 8 {
			looks = append(looks, lapses.Add(-time.Millisecond))
		}
		want := fmt.Sprintf("%s %s from %s to %s", reminder.Tonight, night, due, lapses)
		for _, at := range looks {
			require.Equal(t, want, w.tonight(at), "at %s, turning at %s, seen at %s", w.e.ReminderAt, w.e.Plan.TurnsAt, at)
		}
		at = lapses
	}
	require.Empty(t, w.tonight(at), "after the last night")
}

func (w *walk) tonight(at time.Time) string {
	u := next(w.e, at)
	for _, r := range u.Reminders {
		if r.Kind == reminder.Tonight {
			return fmt.Sprintf("%s %s from %s to %s", r.Kind, r.Night, r.Due.UTC(), u.Lapses.UTC())
		}
	}
	return ""
}

// TestEachNightHasOneReminderWhateverTheClockDoes looks every five minutes for two days, and at what was due by then.
func TestEachNightHasOneReminderWhateverTheClockDoes(t *testing.T) {
	t.Parallel()
	answers := zoneAnswers(t)
	quiet := func(from, until practice.TimeOfDay) func(*practice.Plan) {
		return func(p *practice.Plan) { p.QuietFrom, p.QuietUntil = from, until }
	}
	for name, test := range map[string]struct {
		zone, remindAt, date string // the date on whose midnight in UTC the two days begin
		change               func(*practice.Plan)
		wanted               []string // UTC
	}{
		"02:30 does not come": {"Europe/Paris", "02:30", "2027-03-27", nil, []string{
			"2027-03-26 from 03-27 01:30 to 03-27 03:00", "2027-03-27 from 03-28 01:00 to 03-28 02:00", // three hours, and one
		}},
		"02:30 comes twice": {"Europe/Paris", "02:30", "2027-10-30", nil, []string{
			"2027-10-29 from 10-30 00:30 to 10-30 02:00", "2027-10-30 from 10-31 00:30 to 10-31 03:00",
		}},
		"01:30 comes twice": {"America/Halifax", "01:30", "2027-11-06", nil, []string{
			"2027-11-05 from 11-06 04:30 to 11-06 07:00", "2027-11-06 from 11-07 04:30 to 11-07 08:00",
		}},
		"half an hour does not come": {"Australia/Lord_Howe", "02:15", "2027-10-01", nil, []string{
			"2027-10-01 from 10-01 15:45 to 10-01 17:30", "2027-10-02 from 10-02 15:30 to 10-02 17:00",
		}},
		"half an hour comes twice": {"Australia/Lord_Howe", "01:45", "2027-04-02", nil, []string{
			"2027-04-02 from 04-02 14:45 to 04-02 17:00", "2027-04-03 from 04-03 14:45 to 04-03 17:30",
		}},
		"two hours do not come": {"Antarctica/Troll", "02:30", "2027-03-27", nil, []string{
			"2027-03-26 from 03-27 02:30 to 03-27 04:00", "2027-03-27 from 03-28 01:00 to 03-28 02:00",
		}},
		"a date does not come": {"Pacific/Apia", "19:30", "2011-12-30", nil, []string{
			"2011-12-29 from 12-30 05:30 to 12-30 10:00", "2011-12-30 from 12-30 10:00 to 12-30 14:00", "2011-12-31 from 12-31 05:30 to 12-31 14:00",
		}},
		"the small hours of a date do not come": {"Pacific/Apia", "02:00", "2011-12-30", nil, []string{
			"2011-12-30 from 12-30 12:00 to 12-30 14:00", "2011-12-31 from 12-31 12:00 to 12-31 14:00",
		}},
		"a date does not come, as ever with quiet evenings": {"Pacific/Apia", "19:30", "2011-12-30", quiet(21*60, 8*60), []string{
			"2011-12-29 from 12-30 05:30 to 12-30 07:00", "2011-12-31 from 12-31 05:30 to 12-31 07:00",
		}},
		"skips into quiet hours": {"America/Halifax", "02:30", "2027-03-13", quiet(3*60, 8*60), []string{
			"2027-03-12 from 03-13 06:30 to 03-13 07:00",
		}},
		"skips into the midst of quiet hours": {"America/Halifax", "02:30", "2027-03-13", quiet(2*60+45, 8*60), []string{
			"2027-03-12 from 03-13 06:30 to 03-13 06:45",
		}},
		"skips to where the night closes": {"America/Halifax", "02:30", "2027-03-13", func(p *practice.Plan) { p.TurnsAt = 3 * 60 }, []string{
			"2027-03-12 from 03-13 06:30 to 03-13 07:00",
		}},
		"skips to before quiet hours": {"America/Halifax", "02:30", "2027-03-13", quiet(3*60+15, 8*60), []string{
			"2027-03-12 from 03-13 06:30 to 03-13 07:15", "2027-03-13 from 03-14 06:00 to 03-14 06:15",
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			i := slices.IndexFunc(answers.Zones, func(z zonetest.Zone) bool { return z.Name == test.zone })
			require.NotEqual(t, -1, i)
			remindAt, err := practice.ParseTimeOfDay(test.remindAt)
			require.NoError(t, err)
			e := restless(night(t, test.date)-3, answers.Zones[i].Location, remindAt, 4*60)
			if test.change != nil {
				test.change(&e.Plan)
			}
			start, err := time.Parse(time.DateOnly, test.date)
			require.NoError(t, err)
			assert.Equal(t, test.wanted, dueWithin(t, e, start, 48*time.Hour))
		})
	}
}

// dueWithin says what is due of an enrolment at a time, looking every five minutes.
func dueWithin(t *testing.T, e practice.Enrolment, start time.Time, span time.Duration) []string {
	t.Helper()
	var all []string
	seen := map[uuid.UUID]bool{}
	for at := start; at.Before(start.Add(span)); at = at.Add(5 * time.Minute) {
		u := next(e, at)
		for _, r := range u.Reminders {
			require.True(t, r.Due.Before(u.Lapses), "%v, seen at %s", u, at)
			if at.Before(r.Due) || seen[r.ID] {
				continue
			}
			require.Equal(t, reminder.Tonight, r.Kind)
			seen[r.ID] = true
			const clock = "01-02 15:04"
			all = append(all, fmt.Sprintf("%s from %s to %s", r.Night, r.Due.UTC().Format(clock), u.Lapses.UTC().Format(clock)))
		}
	}
	return all
}

// TestARunIsToldOnTheDayAfterOneLeftOut: the clinic hears of a run that reaches its length where the clock skips the reminder time.
func TestARunIsToldOnTheDayAfterOneLeftOut(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-11", halifax, "02:30")
	plan := &s.enrolments[0].Plan
	plan.QuietFrom, plan.QuietUntil, plan.FollowUpRun = 3*60, 8*60, 2
	for _, test := range [][2]string{
		{"2027-03-13 12:00:00", "[follow_up 2027-03-12 after 3] from 03-15 02:30 to 03-15 03:00"},
		{"2027-03-14 03:00:00", "[follow_up 2027-03-12 after 3] from 03-15 02:30 to 03-15 03:00"},
		{"2027-03-15 02:59:59", "[follow_up 2027-03-12 after 3] from 03-15 02:30 to 03-15 03:00"},
		{"2027-03-15 03:00:00", "[tonight 2027-03-15 after 4] from 03-16 02:30 to 03-16 03:00"},
	} {
		assert.Equal(t, test[1], s.told(at(t, halifax, test[0])), test[0])
	}
}
