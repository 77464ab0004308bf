package reminder_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

func (s *story) view(at time.Time) *practice.View {
	v := practice.NewRecord(s.entries).Fold(learner, s.enrolments, nil, at)
	return &v
}

// concerns says why the family is to be followed up, and checks that each reason has an id of its own.
func (s *story) concerns(at time.Time, past ...reminder.Delivery) []string {
	s.t.Helper()
	all := []string{}
	ids := map[uuid.UUID]bool{}
	for _, c := range reminder.Concerns(s.view(at), past, time.Time{}) {
		assert.False(s.t, ids[c.ID])
		ids[c.ID] = true
		all = append(all, fmt.Sprintf("%s of %s since %s, run %d", c.Reason, c.Night, c.Since.In(s.enrolments[0].Zone).Format("01-02 15:04"), c.Run))
	}
	return all
}

func TestARunIsAConcern(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	when := func(text string) time.Time { return at(t, halifax, text) }
	assert.Empty(t, s.concerns(when("2027-03-04 03:59:59")), "two evenings have passed")
	run := "run of 2027-03-03 since 03-04 04:00, run 3"
	assert.Equal(t, []string{run}, s.concerns(when("2027-03-04 04:00:00")), "as soon as the third has, before anybody is reminded")
	longer := reminder.Concerns(s.view(when("2027-03-08 12:00:00")), nil, time.Time{})
	require.Len(t, longer, 1)
	assert.Equal(t, 7, longer[0].Run)
	assert.Equal(t, reminder.Concerns(s.view(when("2027-03-04 12:00:00")), nil, time.Time{})[0].ID, longer[0].ID, "the same run, the same concern")
	assert.Equal(t, s.next(when("2027-03-04 12:00:00")).Reminders[0].Night, longer[0].Night)
	assert.NotEmpty(t, s.concerns(when("2027-06-01 12:00:00")), "however long nobody called")

	s.practise(when("2027-03-09 18:00:00"))
	assert.Empty(t, s.concerns(when("2027-03-09 18:30:00")), "they are back")
	assert.Empty(t, s.concerns(when("2027-03-12 12:00:00")))
	assert.Equal(t, []string{"run of 2027-03-12 since 03-13 04:00, run 3"}, s.concerns(when("2027-03-13 12:00:00")), "another run")
	s.practise(when("2027-03-20 18:00:00"))
	assert.Empty(t, s.concerns(when("2027-03-20 18:30:00")), "after the last planned evening, too")
}

// TestWhatStopsConcerns stops reminders too.
func TestWhatStopsConcerns(t *testing.T) {
	t.Parallel()
	noon := at(t, halifax, "2027-03-06 12:00:00")
	for name, stop := range map[string]func(s *story){
		"nothing":  nil,
		"hold":     func(s *story) { s.write(noon.Add(-time.Hour), &practice.Incident{What: "choking"}) },
		"pause":    func(s *story) { s.enrolments[0].Paused = true },
		"end":      func(s *story) { s.enrolments[0].Ended, s.enrolments[0].EndedOn = true, night(t, "2027-03-06") },
		"backdate": func(s *story) { s.enrolments[0].Written = noon.Add(-48 * time.Hour) },
		"excuse": func(s *story) {
			s.write(noon.Add(-time.Hour), &practice.Excuse{Night: night(t, "2027-03-06"), Reason: "ill"})
		},
		"late news": func(s *story) { s.practise(at(t, halifax, "2027-03-04 19:00:00")) },
	} {
		s := newStory(t, "2027-03-01", halifax, "19:30")
		if stop != nil {
			stop(s)
		}
		assert.Equal(t, stop == nil, len(s.concerns(noon)) > 0, name)
		assert.Equal(t, name == "hold" || name == "pause" || name == "end", len(reminder.Evenings(s.view(noon))) == 0, name)
	}
}

// TestWhoIsNotReached is a concern until a reminder comes through.
func TestWhoIsNotReached(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	failed := func(day string, state reminder.State) reminder.Delivery {
		due := at(t, halifax, day+" 19:30:00")
		return reminder.Delivery{
			ID: uuid.NewSHA1(uuid.Nil, []byte(day)), Kind: reminder.Tonight, Night: night(t, day), State: state, Due: due, Until: due.Add(time.Hour),
			Lapses: due.Add(90 * time.Minute), Changed: due.Add(2 * time.Minute),
		}
	}
	noon := at(t, halifax, "2027-03-03 12:00:00")
	one, two := failed("2027-03-01", reminder.GivenUp), failed("2027-03-02", reminder.GivenUp)
	assert.Equal(t, []string{"not_reached of 2027-03-01 since 03-01 19:32, run 2"}, s.concerns(noon, two, one), "since the first of them")
	assert.Equal(t, []string{"not_reached of 2027-03-02 since 03-02 19:32, run 2"}, s.concerns(noon, failed("2027-03-01", reminder.Sent), two))
	assert.Empty(t, s.concerns(noon, one, failed("2027-03-02", reminder.Sent)))
	assert.Empty(t, s.concerns(noon, failed("2027-03-02", reminder.Lapsed), failed("2027-03-01", reminder.Skipped)), "nobody tried")
	assert.Equal(t, []string{"not_reached of 2027-03-02 since 03-02 21:00, run 2"}, s.concerns(noon, failed("2027-03-02", reminder.Waiting)),
		"nobody came to try again until it lapsed")
	assert.Empty(t, s.concerns(at(t, halifax, "2027-03-02 20:00:00"), failed("2027-03-02", reminder.Waiting)), "it may still come through")
	unclear := failed("2027-03-01", reminder.Unclear)
	assert.Empty(t, s.concerns(noon, unclear), "it may have come through")
	assert.Equal(t, []string{"not_reached of 2027-03-01 since 03-01 19:32, run 2"}, s.concerns(noon, unclear, failed("2027-03-02", reminder.Unclear)))
	assert.Empty(t, s.concerns(noon, unclear, failed("2027-03-02", reminder.Sent)))

	// Once somebody has recorded what came of it, only what fails later is a reason again.
	since := func(seenTo time.Time) []reminder.Concern {
		return reminder.Concerns(s.view(noon), []reminder.Delivery{one, two}, seenTo)
	}
	again := since(one.Changed.Add(time.Hour))
	require.Len(t, again, 1)
	assert.NotEqual(t, since(time.Time{})[0].ID, again[0].ID)
	assert.Empty(t, since(noon))
}

// TestOneADay: a family that has been told something is told nothing else that evening, wherever the reminder time has moved.
func TestOneADay(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	tonight := s.next(at(t, halifax, "2027-03-02 19:30:00")).Reminders[0]
	told := reminder.Delivery{
		ID: tonight.ID, Kind: tonight.Kind, Night: tonight.Night, Due: tonight.Due, Lapses: tonight.Due.Add(90 * time.Minute),
		State: reminder.Sent, Changed: tonight.Due.Add(time.Minute),
	}
	s.enrolments[0].ReminderAt, s.enrolments[0].ReminderSet = 20*60+30, at(t, halifax, "2027-03-02 19:45:00")
	s.practise(at(t, halifax, "2027-03-02 20:00:00"))
	when := at(t, halifax, "2027-03-02 20:30:00")
	assert.Equal(t, "[missed 2027-03-01 after 1] from 03-02 20:30 to 03-02 21:00", s.told(when), "moved after the reminder had gone out")
	next := reminder.Next(s.view(when), []reminder.Delivery{told})
	require.Len(t, next.Reminders, 1)
	assert.Equal(t, reminder.Tonight, next.Reminders[0].Kind)
	assert.Equal(t, night(t, "2027-03-03"), next.Reminders[0].Night, "so they hear nothing until tomorrow")
}

// TestWhatHasBeenSeenTo is not due again, whatever else the evening is.
func TestWhatHasBeenSeenTo(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	when := at(t, halifax, "2027-03-01 19:40:00")
	tonight := s.next(when).Reminders[0]
	d := reminder.Delivery{ID: tonight.ID, Kind: tonight.Kind, Night: tonight.Night, Due: tonight.Due, Lapses: at(t, halifax, "2027-03-01 21:00:00")}
	for state, gone := range map[reminder.State]bool{
		reminder.Unclaimed: false, reminder.Claimed: false, reminder.Sending: false, reminder.Waiting: false,
		reminder.Sent: true, reminder.Skipped: true, reminder.GivenUp: true, reminder.Unclear: true,
	} {
		d.State, d.Until, d.Changed = state, when.Add(time.Minute), when
		next := reminder.Next(s.view(when), []reminder.Delivery{d}).Reminders[0].Night
		assert.Equal(t, gone, next == night(t, "2027-03-02"), state)
	}
	// It lapsed, and then the reminder time was moved to later that evening.
	d.State, d.Lapses = reminder.Lapsed, at(t, halifax, "2027-03-01 20:00:00")
	s.enrolments[0].ReminderAt = 20*60 + 30
	assert.Equal(t, tonight.ID, reminder.Next(s.view(when), []reminder.Delivery{d}).Reminders[0].ID)
}

// TestEvenings are those of a calendar: every planned night that is not excused, whatever became of it.
func TestEvenings(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-08", halifax, "19:30")
	s.practise(at(t, halifax, "2027-03-08 18:00:00"))
	s.write(at(t, halifax, "2027-03-08 18:30:00"), &practice.Excuse{Night: night(t, "2027-03-11"), Reason: "travel"})
	all := reminder.Evenings(s.view(at(t, halifax, "2027-03-10 12:00:00")))
	require.Len(t, all, 13)
	assert.Equal(t, "2027-03-08T23:30:00Z", all[0].At.UTC().Format(time.RFC3339))
	assert.Equal(t, "2027-03-14T22:30:00Z", all[5].At.UTC().Format(time.RFC3339), "clocks have gone forward")
	assert.Equal(t, s.enrolments[0].Written, all[0].Set)
	assert.Zero(t, all[0].Moves)

	s.enrolments[0].ReminderAt, s.enrolments[0].ReminderSet = 18*60, at(t, halifax, "2027-03-10 12:00:00")
	moved := reminder.Evenings(s.view(at(t, halifax, "2027-03-10 12:00:01")))
	assert.Equal(t, all[0].ID, moved[0].ID, "the same evening")
	assert.Equal(t, "2027-03-08T22:00:00Z", moved[0].At.UTC().Format(time.RFC3339))
	assert.Positive(t, moved[0].Moves)
	assert.Equal(t, s.enrolments[0].ReminderSet, moved[0].Set)
}

// TestWhatIsSaid holds no word that a locked phone must not show, and never says that anybody missed anything.
func TestWhatIsSaid(t *testing.T) {
	t.Parallel()
	var all []reminder.Message
	for run := range 3 {
		all = append(all, reminder.MessageOf(reminder.Tonight, run), reminder.MessageOf(reminder.Missed, run))
	}
	for _, m := range all {
		assert.Equal(t, "Practice time", m.Subject)
		assert.Regexp(t, `grown-up stays`, m.Text)
	}
	all = append(all, reminder.CodeMessage("7ZK3-9QXM"))
	for _, m := range all {
		assert.NotRegexp(t, `(?i)pill|tablet|capsule|swallow|medic|clinic|doctor|health|therap|patient|chok|missed|forgot|failed`, m.Subject+m.Text)
	}
	assert.Regexp(t, `haven't heard`, reminder.MessageOf(reminder.Missed, 1).Text)
	assert.Regexp(t, `7ZK3-9QXM`, all[len(all)-1].Text)
}
