package main

import (
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// demoLook looks at the demo as its clinician, at one learner at a time.
type demoLook struct {
	t         *testing.T
	demo      *demonstration
	text      string
	clinician client.API
	lines     map[string]client.RosterLine // by nickname
	line      client.RosterLine            // of the learner looked at
}

func newDemoLook(t *testing.T, d *demonstration, s *serving) *demoLook {
	t.Helper()
	told := d.script.clinic.Clinician
	pair, err := caller(s.base).SignIn(t.Context(), told.Email, told.Password, "")
	require.NoError(t, err)
	look := &demoLook{
		t: t, demo: d, text: s.out.String(), clinician: as(caller(s.base), pair.Access), lines: map[string]client.RosterLine{},
	}
	roster, err := look.clinician.Roster(t.Context(), client.RosterQuery{})
	require.NoError(t, err)
	for _, line := range roster.Learners {
		look.lines[line.Learner.Nickname] = line
	}
	return look
}

func (l *demoLook) nights() client.Nights {
	l.t.Helper()
	nights, err := l.clinician.Nights(l.t.Context(), l.line.Learner.ID, client.As{})
	require.NoError(l.t, err)
	return nights
}

func (l *demoLook) summary() client.Summary {
	l.t.Helper()
	summary, err := l.clinician.Summary(l.t.Context(), l.line.Learner.ID, client.As{})
	require.NoError(l.t, err)
	return summary
}

// statuses returns the statuses of the nights up to tonight, one letter each.
func (l *demoLook) statuses() string {
	l.t.Helper()
	letters := map[string]byte{
		"complete": 'c', "partial": 'p', "attempted": 'a', "excused": 'e', "unheard": 'u', "missed": 'm', "open": 'o',
	}
	var text []byte
	for _, night := range l.nights().Nights {
		if letter, ok := letters[night.Status]; ok {
			text = append(text, letter)
		}
	}
	return string(text)
}

// rosterIsAsTold holds the whole roster to what was written out by hand.
func (l *demoLook) rosterIsAsTold() {
	l.t.Helper()
	type line struct {
		Age, Verdict            string
		Hold                    bool
		Disagreements           int
		Elapsed, Current, Heard int // Heard: 1 where the phone is in touch at the moment of starting
		Flags                   []string
	}
	want := map[string]line{
		"Otter":    {Age: "6-7", Verdict: "practising", Elapsed: 13, Current: 13},
		"Wren":     {Age: "6-7", Verdict: "practising", Elapsed: 8, Current: 8, Disagreements: 1, Flags: []string{"open_disagreement"}},
		"Badger":   {Age: "8-11", Verdict: "practising", Elapsed: 9, Heard: 1, Flags: []string{"follow_up"}},
		"Heron":    {Age: "8-11", Verdict: "practising", Elapsed: 8, Flags: []string{"follow_up", "unheard"}},
		"Swift":    {Age: "8-11", Verdict: "practising", Elapsed: 9, Current: 8},
		"Hare":     {Age: "6-7", Elapsed: 6, Current: 6, Hold: true, Verdict: "hold", Flags: []string{"on_hold"}},
		"Fox":      {Age: "4-5", Verdict: "practising", Elapsed: 4, Current: 4},
		"Mole":     {Age: "8-11", Verdict: "practising", Elapsed: 7, Current: 6},
		"Stork":    {Age: "18+", Verdict: "practising", Elapsed: 11, Current: 7},
		"Lynx":     {Age: "8-11", Verdict: "practising", Elapsed: 13, Current: 13},
		"Teal":     {Age: "8-11", Verdict: "cannot_tell_yet", Elapsed: 13, Current: 13},
		"Finch":    {Age: "6-7", Verdict: "practising", Elapsed: 7, Current: 7, Flags: []string{"recalled", "written_together", "copied"}},
		"Dormouse": {Age: "8-11", Verdict: "practising", Elapsed: 9, Current: 6},
		"Robin":    {Age: "6-7", Heard: 1, Verdict: "not_started"},
	}
	got := map[string]line{}
	for name, r := range l.lines {
		assert.Equal(l.t, "running", r.EnrolmentStatus, name)
		seen := line{
			Age: r.Learner.AgeBand, Verdict: r.Verdict, Hold: r.Hold, Disagreements: r.OpenDisagreements,
			Elapsed: r.Nights.Elapsed, Current: r.Streak.Current, Flags: slices.Clip(r.Flags),
		}
		if r.LastHeardAt != nil && r.LastHeardAt.Equal(l.demo.now) {
			seen.Heard = 1
		}
		if len(seen.Flags) == 0 {
			seen.Flags = nil
		}
		got[name] = seen
	}
	assert.Equal(l.t, want, got)
}

// remindersAreDue asks whom to remind as the guide says.
func (l *demoLook) remindersAreDue() {
	l.t.Helper()
	asOf := regexp.MustCompile(`as_of=(\S+)"`).FindStringSubmatch(l.text)
	token := regexp.MustCompile(`\nSCHEDULER=(\S+)`).FindStringSubmatch(l.text)
	require.Len(l.t, asOf, 2)
	require.Len(l.t, token, 2)
	at, err := time.Parse(time.RFC3339, asOf[1])
	require.NoError(l.t, err)
	due, err := as(l.clinician, token[1]).Overdue(l.t.Context(), at, client.Page{})
	require.NoError(l.t, err)
	kinds := map[string][]string{}
	for _, reminder := range due.Overdue {
		kinds[reminder.LearnerID] = append(kinds[reminder.LearnerID], reminder.Kind)
	}
	for _, name := range []string{"Otter", "Wren", "Lynx", "Finch", "Robin"} {
		assert.Equal(l.t, []string{"tonight"}, kinds[l.lines[name].Learner.ID], name)
	}
	assert.ElementsMatch(l.t, []string{"tonight", "follow_up"}, kinds[l.lines["Badger"].Learner.ID])
	assert.Empty(l.t, kinds[l.lines["Hare"].Learner.ID], "a hold stops all reminders")
}

// readmeSays requires a served sentence in the README, wherever its lines break.
func (l *demoLook) readmeSays(sentence string) {
	l.t.Helper()
	text, err := os.ReadFile("../../README.md")
	require.NoError(l.t, err)
	assert.Contains(l.t, strings.Join(strings.Fields(string(text)), " "), sentence)
}

// demoFamilies are the checks that hold each family to its sentence.
func demoFamilies() map[string]func(*demoLook) {
	return map[string]func(*demoLook){
		"Otter": func(l *demoLook) {
			assert.Equal(l.t, "ccccccccccccco", l.statuses())
			summary := l.summary()
			assert.Equal(l.t, "left", summary.Preference.Leader)
			assert.Equal(l.t, "centre", summary.Preference.FirstWeek)
			assert.Equal(l.t, "left", summary.Preference.SecondWeek)
			l.readmeSays(summary.Preference.Says)
			nights := l.nights()
			require.Len(l.t, nights.Earlier, 1, "the evening at the clinic")
			assert.Greater(l.t, l.ease(nights.Nights[:3], "centre"), l.ease(nights.Nights[:3], "left"))
			assert.Less(l.t, l.ease(nights.Nights[10:13], "centre"), l.ease(nights.Nights[10:13], "left"))
			assert.Less(l.t, l.ease(nights.Nights[:3], "up")+1, l.ease(nights.Nights[10:13], "up"))
		},
		"Wren": func(l *demoLook) {
			assert.Equal(l.t, "cccccccco", l.statuses())
			agreements, zones := map[string]int{}, map[string]int{}
			for _, night := range l.nights().Nights {
				for _, sitting := range night.Sittings {
					zones[sitting.Timezone]++
					for _, try := range sitting.Tries {
						agreements[try.Agreement]++
					}
				}
			}
			assert.Equal(l.t, map[string]int{"America/Halifax": 6, "America/St_Johns": 2}, zones)
			assert.Equal(l.t, map[string]int{"single": 25, "agreed": 13, "settled": 1, "disagreed": 1}, agreements)
		},
		"Badger": func(l *demoLook) { assert.Equal(l.t, "cccccpmmmo", l.statuses()) },
		"Heron":  func(l *demoLook) { assert.Equal(l.t, "ccccuuuuo", l.statuses()) },
		"Swift": func(l *demoLook) {
			assert.Equal(l.t, "ccccecccco", l.statuses())
			nights := l.nights().Nights
			assert.Equal(l.t, "travel", nights[4].Excuses[0].Reason)
			assert.Equal(l.t, "Europe/Lisbon", nights[3].Sittings[0].Timezone)
			assert.Equal(l.t, "America/Halifax", nights[5].Sittings[0].Timezone)
		},
		"Hare": func(l *demoLook) {
			assert.Equal(l.t, "cccccpo", l.statuses())
			hold := l.summary().Hold
			require.NotNil(l.t, hold)
			require.Len(l.t, hold.Incidents, 1)
			assert.Equal(l.t, "coughing_fit", hold.Incidents[0].What)
			assert.NotEmpty(l.t, l.nights().Nights[5].Incidents, "it is of last evening")
		},
		"Fox": func(l *demoLook) {
			assert.Equal(l.t, "cccco", l.statuses())
			enrolments := l.asFamily().Enrolments
			require.Len(l.t, enrolments, 2)
			assert.Equal(l.t, "ended", enrolments[0].Status)
			assert.Equal(l.t, "running", enrolments[1].Status)
			first, err := l.clinician.Summary(l.t.Context(), l.line.Learner.ID, client.As{Enrolment: enrolments[0].ID})
			require.NoError(l.t, err)
			assert.Equal(l.t, client.NightCounts{
				Planned: 7, Elapsed: 7, Practised: 3, Complete: 1, Partial: 2, Missed: 4,
			}, first.Nights)
		},
		"Mole": func(l *demoLook) {
			assert.Equal(l.t, "cccaccco", l.statuses())
			assert.Equal(l.t, []string{"centre", "right", "left", "down"}, l.nights().Nights[0].Positions)
			assert.NotContains(l.t, l.summary().Preference.Positions, "up")
		},
		"Stork": func(l *demoLook) {
			assert.Equal(l.t, "cccmccccccco", l.statuses())
			late := map[string]bool{}
			for _, entry := range everyEntry(l.t, l.clinician, l.line.Learner.ID) {
				recorded, received := l.instant(entry.RecordedAt), l.instant(entry.Stamp.ReceivedAt)
				if received.Sub(recorded) > 20*time.Hour {
					late[entry.RecordedAt[:len(time.DateOnly)]] = true
				}
			}
			assert.Len(l.t, late, 4, "four evenings were handed in later")
			assert.Zero(l.t, l.line.Nights.Recalled, "but written down at the time")
		},
		"Lynx": func(l *demoLook) {
			assert.Equal(l.t, "ccccccccccccco", l.statuses())
			summary, nights := l.summary(), l.nights().Nights
			assert.Equal(l.t, "left", summary.Preference.JudgedPosition)
			assert.Equal(l.t, nights[4].Night, summary.Preference.JudgedFrom, "from the fifth evening on")
			require.NotEmpty(l.t, summary.Readiness.Criteria)
			for _, c := range summary.Readiness.Criteria {
				require.NotNil(l.t, c.Met, c.ID)
				assert.Equal(l.t, c.ID != "recent_success", *c.Met, c.ID) // nine of the ten tries that the first look takes in
			}
			assert.Regexp(l.t, `"verdict":"practising"`, string(summary.Raw))
			assert.Regexp(l.t, `"says":"Left goes best so far`, string(summary.Raw))
			require.Len(l.t, summary.Advice, 2)
			assert.Equal(l.t, "posture", summary.Advice[0].Snag)
			assert.Equal(l.t, "water", summary.Advice[1].Snag)
			assert.Regexp(l.t, `"target":\{"capsule_size":"1"\}`, string(summary.Raw))
			assert.Less(l.t, l.ease(nights[:4], "left")+1, l.ease(nights[9:13], "left"))
		},
		"Teal": func(l *demoLook) {
			assert.Equal(l.t, "ccccccccccccco", l.statuses())
			summary, tries, swallowed := l.summary(), 0, 0
			for _, f := range summary.Preference.Positions {
				tries, swallowed = tries+f.Tries, swallowed+f.Swallowed
			}
			assert.Equal(l.t, []int{65, 55}, []int{tries, swallowed}, "as it is told")
			for _, c := range summary.Readiness.Criteria {
				require.NotNil(l.t, c.Met, c.ID)
				assert.Equal(l.t, c.ID != "recent_success", *c.Met, c.ID)
				if c.ID == "recent_success" {
					l.readmeSays(c.Why)
				}
			}
		},
		"Finch": func(l *demoLook) {
			assert.Equal(l.t, "ccpcccco", l.statuses())
			assert.Equal(l.t, 5, l.line.Nights.Recalled)
			for i, night := range l.nights().Nights[:7] {
				assert.Equal(l.t, i < 6, slices.Contains(night.Marks, "copied"), night.Night)
				assert.Equal(l.t, i < 6, night.Sittings[0].Tries[0].Readings[0].Copied, night.Night)
			}
		},
		"Dormouse": func(l *demoLook) {
			assert.Equal(l.t, "ccceeeccco", l.statuses())
			assert.Equal(l.t, "ill", l.nights().Nights[3].Excuses[0].Reason)
		},
		"Robin": func(l *demoLook) {
			assert.Equal(l.t, "o", l.statuses())
			nights := l.nights()
			require.Len(l.t, nights.Earlier, 1, "the evening at the clinic")
			assert.Equal(l.t, "water", nights.Earlier[0].Sittings[0].Tries[0].Medium)
		},
	}
}

// ease returns the mean ease of a position's scores.
func (l *demoLook) ease(nights []client.Night, position string) float64 {
	l.t.Helper()
	sum := 0
	for _, night := range nights {
		require.Positive(l.t, night.Score[position].Ease)
		sum += night.Score[position].Ease
	}
	return float64(sum) / float64(len(nights))
}

func (l *demoLook) instant(text string) time.Time {
	l.t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	require.NoError(l.t, err)
	return at
}

// asFamily returns the learner as a phone of the household is shown them.
func (l *demoLook) asFamily() client.OwnLearner {
	l.t.Helper()
	device := enrolPhone(l.t, l.clinician, l.line.HouseholdID, "", "Neighbour", "A phone to look with")
	api := as(l.clinician, device.Access)
	// Until it is heard from, nights that it might tell of would be unheard.
	first := client.Request{Schema: client.Schema, SentAt: l.demo.clock.Now().Format(time.RFC3339), Limit: 1, Entries: []client.Entry{}}
	require.NoError(l.t, api.Call(l.t.Context(), http.MethodPost, "/v1/sync", first, nil))
	own, err := api.OwnHousehold(l.t.Context())
	require.NoError(l.t, err)
	require.Len(l.t, own.Learners, 1)
	return own.Learners[0]
}
