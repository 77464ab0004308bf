package judgement_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

func TestWithoutAProgramme(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	v := s.view(s.evening(1))
	assert.Equal(t, judgement.Judgement{Verdict: judgement.NotStarted}, judgement.Judge(&v, nil, time.Time{}))
	s.write(mama, s.evening(1), &practice.Incident{What: "pain"})
	v = s.view(s.evening(1))
	j := judgement.Judge(&v, nil, time.Time{})
	assert.Equal(t, judgement.Hold, j.Verdict)
	assert.Equal(t, []judgement.Flag{judgement.FlagOnHold}, j.Flags)
	assert.Equal(t, []string{"On hold: 1 incident that no clinician has cleared."}, judgement.CallOf(&v, nil, &j, j.Verdict).Reasons)
}

// TestFigures counts the first try on a sweet of each night, and nothing else.
func TestFigures(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrolments[0].Positions = []practice.Position{practice.Left, practice.Down}
	water := practice.Try{Position: practice.Down, Medium: practice.Water, Outcome: practice.Swallowed, Ease: 5}
	refused := practice.Try{Position: practice.Left, Outcome: practice.Refused}
	second := practice.Try{Position: practice.Left, Number: 2, Outcome: practice.Swallowed, Ease: 5}
	s.practise(mama, 1, swallowed(practice.Left, 4), second, water)
	s.practise(mama, 2, practice.Try{Position: practice.Left, Outcome: practice.NotSwallowed, Ease: 1}, swallowed(practice.Up, 3))
	s.practise(mama, 3, refused, second) // after a refusal the second is the first
	j := s.judge(4)
	assert.Equal(t, []judgement.Figures{
		{Position: practice.Left, Tries: 3, Swallowed: 2, EaseSum: 10, EaseCount: 3},
		{Position: practice.Up, Tries: 1, Swallowed: 1, EaseSum: 3, EaseCount: 1}, // not in use, but tried
		{Position: practice.Down},
	}, j.Positions)
	share, ok := j.Positions[0].Share()
	assert.True(t, ok)
	assert.InDelta(t, 2.0/3, share, 1e-12)
	ease, ok := j.Positions[0].Ease()
	assert.True(t, ok)
	assert.InDelta(t, 10.0/3, ease, 1e-12)
	_, ok = j.Positions[2].Share()
	assert.False(t, ok)
	_, ok = j.Positions[2].Ease()
	assert.False(t, ok)
}

func TestDisagreements(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.practise(mama, 1, swallowed(practice.Left, 5), swallowed(practice.Up, 3))
	s.practise(papa, 1, swallowed(practice.Left, 3), swallowed(practice.Up, 2))
	j := s.judge(2)
	require.Len(t, j.Disagreements, 1)
	assert.Equal(t, march(1), j.Disagreements[0].Night)
	assert.Equal(t, 1, j.Disagreements[0].Sitting)
	assert.Equal(t, practice.Left, j.Disagreements[0].Try.Position)
	assert.Contains(t, j.Flags, judgement.FlagOpenDisagreement)
	criterion := s.criterion(s.weigh(2), "no_open_disagreement")
	assert.False(t, criterion.Met)
	assert.Equal(t, []practice.Night{march(1)}, criterion.Nights)
	assert.Equal(t, "1 open disagreement", criterion.Seen)
}

// TestAdvice: a snag that recurs on another night is given its piece of coaching, where it has one.
func TestAdvice(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.practise(mama, 1, swallowed(practice.Left, 4, practice.SnagWater, practice.SnagFear), swallowed(practice.Up, 4, practice.SnagWater))
	j := s.judge(2)
	assert.Empty(t, j.Advice, "twice on one evening is once")
	assert.Equal(t, []judgement.SnagCount{{Snag: practice.SnagWater, Tries: 2}, {Snag: practice.SnagFear, Tries: 1}}, j.Snags)
	s.practise(mama, 3, swallowed(practice.Left, 4, practice.SnagWater, practice.SnagFear))
	j = s.judge(4)
	require.Len(t, j.Advice, 1, "fear has no coaching")
	assert.Equal(t, practice.SnagWater, j.Advice[0].Snag)
	assert.Equal(t, []practice.Night{march(1), march(3)}, j.Advice[0].Nights)
	assert.NotEmpty(t, j.Advice[0].Text)
	for _, snag := range []practice.Snag{practice.SnagPosture, practice.SnagPlacement} {
		s.practise(mama, 5, swallowed(practice.Down, 4, snag))
		s.practise(mama, 6, swallowed(practice.Down, 4, snag))
	}
	assert.Len(t, s.judge(7).Advice, 3)
}

func TestReadinessCriteria(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	assert.Equal(t, judgement.NotStarted, s.judge(1).Verdict)
	for day := 1; day <= 11; day++ {
		s.practise(mama, day, swallowed(practice.Left, 4))
	}
	j := s.judge(13)
	assert.Empty(t, j.Verdict, "what needs statistics is absent")
	w := s.weigh(13)
	ids := []string{}
	for _, c := range w.Criteria {
		ids = append(ids, c.ID)
	}
	assert.Equal(t, []string{
		"recent_success", "practised_nights", "size_practised", "no_open_incident", "no_open_disagreement", "no_recalled_night",
	}, ids)
	met := func(w judgement.Weighing) []bool {
		return []bool{
			s.criterion(w, "practised_nights").Met, s.criterion(w, "no_open_incident").Met, s.criterion(w, "no_open_disagreement").Met,
		}
	}
	assert.Equal(t, []bool{false, true, true}, met(w))
	assert.Equal(t, "11 practised nights", s.criterion(w, "practised_nights").Seen)
	s.practise(mama, 12, swallowed(practice.Left, 4))
	assert.Equal(t, []bool{true, true, true}, met(s.weigh(13)))

	// A thirteenth, written days later, is no practised night to rest on, and is flagged.
	late := s.evening(13)
	session := s.write(mama, late.Add(60*time.Hour), &practice.Session{Practised: practice.MomentOf(late), Zone: "America/Halifax"})
	s.write(mama, late.Add(60*time.Hour), &practice.Try{Session: session.Subject, Position: practice.Up, Number: 1, Medium: practice.Sweet, Outcome: practice.Swallowed, Ease: 3})
	j, w = s.judge(17), s.weigh(17)
	assert.Equal(t, []bool{true, true, true}, met(w))
	assert.Len(t, s.criterion(w, "practised_nights").Nights, 12)
	assert.NotContains(t, s.criterion(w, "practised_nights").Nights, march(13))
	assert.Contains(t, j.Flags, judgement.Flag(practice.MarkRecalled))

	s.write(papa, s.evening(14), &practice.Incident{What: "vomited"})
	j, w = s.judge(17), s.weigh(17)
	assert.Equal(t, judgement.Hold, j.Verdict)
	assert.Equal(t, []bool{true, false, true}, met(w))
	assert.Equal(t, "1 open incident", s.criterion(w, "no_open_incident").Seen)
}

// TestAttemptedIsStarted: an evening of refusals has begun the programme.
func TestAttemptedIsStarted(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.practise(mama, 1, practice.Try{Position: practice.Left, Outcome: practice.Refused})
	assert.Empty(t, s.judge(2).Verdict)
}

func TestRunWithoutPractice(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		tell   func(s *story)
		day    int
		wanted int
	}{
		"before it begins":                  {func(*story) {}, 1, 0},
		"two nights":                        {func(*story) {}, 3, 2},
		"practice ends it":                  {func(s *story) { s.practise(mama, 2, swallowed(practice.Left, 4)) }, 4, 1},
		"refusals end it":                   {func(s *story) { s.practise(mama, 3, practice.Try{Position: practice.Left, Outcome: practice.Refused}) }, 4, 0},
		"an excuse ends it":                 {func(s *story) { s.write(mama, s.evening(1), &practice.Excuse{Night: march(3), Reason: "ill"}) }, 4, 0},
		"an excuse to come does not":        {func(s *story) { s.write(mama, s.evening(1), &practice.Excuse{Night: march(9), Reason: "ill"}) }, 4, 3},
		"what comes after the end does not": {func(*story) {}, 28, 14},
	} {
		s := newStory(t)
		test.tell(s)
		v := s.view(time.Date(2027, time.March, test.day, 12, 0, 0, 0, s.enrolments[0].Zone))
		assert.Equal(t, test.wanted, judgement.RunWithoutPractice(v.Current()), name)
	}
}

func TestFlags(t *testing.T) {
	t.Parallel()
	unread := func(s *story) {
		e := s.write(mama, s.evening(2), nil)
		e.Status = practice.Quarantined
	}
	setAside := func(s *story) { s.write(mama, s.evening(2), nil).Status = practice.SetAside }
	for name, test := range map[string]struct {
		tell   func(s *story)
		day    int
		wanted []judgement.Flag
	}{
		"nothing":     {func(*story) {}, 1, nil},
		"set aside":   {setAside, 1, []judgement.Flag{judgement.FlagSetAside}},
		"a run":       {func(*story) {}, 4, []judgement.Flag{judgement.FlagFollowUp, judgement.FlagUnheard}},
		"quarantined": {unread, 1, []judgement.Flag{judgement.FlagQuarantined}},
		"medicine": {func(s *story) {
			s.practise(mama, 1, practice.Try{Position: practice.Left, Medium: practice.Medicine, Outcome: practice.Swallowed, Ease: 3})
		}, 2, []judgement.Flag{judgement.FlagMedicineTried}},
		"a wrong offset": {func(s *story) {
			at := s.evening(1).In(time.FixedZone("", 3600))
			s.write(mama, s.evening(1), &practice.Session{Practised: practice.MomentOf(at), Zone: "America/Halifax"})
		}, 2, []judgement.Flag{judgement.Flag(practice.MarkOffsetUnknown)}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			s.contacts = []practice.Contact{{
				Device: practice.DeviceID{UUID: uuid.New()}, Owner: mama.ID, Enrolled: s.enrolments[0].Written,
			}}
			test.tell(s)
			assert.Equal(t, test.wanted, s.judge(test.day).Flags)
		})
	}
}

func TestLastHeard(t *testing.T) {
	t.Parallel()
	assert.True(t, judgement.LastHeard(nil).IsZero())
	early, late := time.Unix(1, 0), time.Unix(2, 0)
	assert.Equal(t, late, judgement.LastHeard([]practice.Contact{{Heard: early}, {Heard: late}, {}, {Enrolled: late.Add(time.Hour)}}))
}
