package practice

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestStateOfANightIsTheFirstThatApplies(t *testing.T) {
	t.Parallel()
	const night, evening = "2027-03-03", "2027-03-03T19:40:00-04:00"
	for name, c := range map[string]struct {
		happened func(s *story, mum teller)
		at       string
		state    State
	}{
		"every position on a sweet": {func(_ *story, mum teller) { mum.session(evening).everyPosition(NotSwallowed, 2) }, "", Complete},
		"four of five":              {func(_ *story, mum teller) { fourOfFive(mum.session(evening)) }, "", Partial},
		"the fifth on water": {func(_ *story, mum teller) {
			evening := fourOfFive(mum.session(evening))
			mum.tryOn(Water, 0, evening, Down, 1, Swallowed, 5)
		}, "", Partial},
		"the fifth refused": {func(_ *story, mum teller) { fourOfFive(mum.session(evening)).try(Down, 1, Refused, NoEase) }, "", Partial},
		"the fifth refused, then tried": {func(_ *story, mum teller) {
			evening := fourOfFive(mum.session(evening))
			evening.try(Down, 1, Refused, NoEase)
			evening.try(Down, 2, NotSwallowed, 1)
		}, "", Complete},
		"the fifth later that evening": {func(_ *story, mum teller) {
			fourOfFive(mum.session(evening))
			mum.session("2027-03-03T22:30:00-04:00").try(Down, 1, Swallowed, 4)
		}, "", Complete},
		"refusals only": {func(_ *story, mum teller) { mum.session(evening).everyPosition(Refused, NoEase) }, "", Attempted},
		"water only": {func(_ *story, mum teller) {
			mum.tryOn(Water, 0, mum.session(evening), Left, 1, Swallowed, 5)
		}, "", Attempted},
		"a placebo is no sweet": {func(_ *story, mum teller) {
			mum.tryOn(Placebo, 8, mum.session(evening), Left, 1, Swallowed, 5)
		}, "", Attempted},
		"a session without a try": {func(_ *story, mum teller) { mum.session(evening) }, "", Attempted},
		"an incident only":        {func(_ *story, mum teller) { mum.incident("pain", evening) }, "", Attempted},
		"an attempt though excused": {func(_ *story, mum teller) {
			mum.excuses(night, "ill")
			mum.session(evening).try(Left, 1, Refused, NoEase)
		}, "", Attempted},
		"excused":                  {func(_ *story, mum teller) { mum.excuses(night, "ill") }, "", Excused},
		"excused before it begins": {func(_ *story, mum teller) { mum.excuses(night, "travel") }, "2027-03-01T12:00:00-04:00", Excused},
		"excused, practised after all": {func(_ *story, mum teller) {
			mum.excuses(night, "ill")
			mum.session(evening).try(Left, 1, Swallowed, 4)
		}, "", Partial},
		"an excuse withdrawn": {func(_ *story, mum teller) { mum.excuses(night, "ill").retracted() }, "", Unheard},
		"to come":             {func(*story, teller) {}, "2027-03-03T03:59:00-04:00", Upcoming},
		"begun":               {func(*story, teller) {}, "2027-03-03T04:00:00-04:00", Open},
		"still running":       {func(*story, teller) {}, "2027-03-04T03:59:00-04:00", Open},
		"closed":              {func(*story, teller) {}, "2027-03-04T04:00:00-04:00", Unheard},
		"closed and heard":    {func(s *story, mum teller) { s.heard(mum, "2027-03-04T04:00:00-04:00") }, "2027-03-04T04:00:00-04:00", Missed},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			c.happened(s, s.caregiver("mum"))
			if c.at == "" {
				c.at = "2027-03-04T12:00:00-04:00"
			}
			assert.Equal(t, c.state, look(t, s.asOf(c.at), night).State)
		})
	}
}

func fourOfFive(session told) told {
	for _, p := range []Position{Centre, Right, Left, Up} {
		session.try(p, 1, Swallowed, 4)
	}
	return session
}

func TestPracticeKeepsTheExcuseBesideIt(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	mum.excuses("2027-03-03", "ill")
	dad.excuses("2027-03-03", "travel")
	dad.session("2027-03-03T19:40:00-04:00").everyPosition(Swallowed, 3)
	night := look(t, s.told(), "2027-03-03")
	assert.Equal(t, Complete, night.State)
	assert.ElementsMatch(t, []NightExcuse{{"ill", mum.author}, {"travel", dad.author}}, night.Excuses)
}

func TestANightIsMissedOnlyWhenEveryoneWasHeardFrom(t *testing.T) {
	t.Parallel()
	const closes, later = "2027-03-04T04:00:00-04:00", "2027-03-06T12:00:00-04:00"
	for name, c := range map[string]struct {
		happened func(s *story, mum, dad teller)
		at       string
		state    State
	}{
		"nobody heard from": {func(*story, teller, teller) {}, later, Unheard},
		"one of two":        {func(s *story, mum, _ teller) { s.heard(mum, closes) }, later, Unheard},
		"both":              {func(s *story, mum, dad teller) { s.heard(mum, closes); s.heard(dad, closes) }, later, Missed},
		"one just before it closed": {func(s *story, mum, dad teller) {
			s.heard(mum, closes)
			s.heard(dad, "2027-03-04T03:59:59-04:00")
		}, later, Unheard},
		"the other's device revoked": {func(s *story, mum, dad teller) {
			s.heard(mum, closes)
			s.device(dad).Revoked = true
		}, later, Missed},
		"heard from on a device since revoked": {func(s *story, mum, dad teller) {
			s.heard(mum, closes)
			s.heard(dad, closes)
			s.device(mum).Revoked, s.device(dad).Revoked = true, true
		}, later, Unheard},
		"enrolling is not hearing": {func(s *story, mum, dad teller) {
			s.heard(mum, closes)
			s.device(dad).Enrolled = instant(s.t, "2027-03-05T12:00:00-04:00")
		}, later, Unheard},
		"one of a caregiver's two devices is enough": {func(s *story, mum, dad teller) {
			s.heard(mum, closes)
			s.heard(dad, "2027-03-03T12:00:00-04:00")
			second := *s.device(dad)
			second.Device, second.Heard = DeviceID{named("dad's tablet")}, instant(s.t, closes)
			s.contacts = append(s.contacts, second)
		}, later, Missed},
		"silent for a minute less than seven days": {func(s *story, mum, dad teller) {
			s.heard(mum, "2027-03-10T12:00:00-04:00")
			s.heard(dad, "2027-03-03T12:00:00-04:00")
		}, "2027-03-10T11:59:00-04:00", Unheard},
		"silent for seven days, no longer waited for": {func(s *story, mum, dad teller) {
			s.heard(mum, "2027-03-10T12:00:00-04:00")
			s.heard(dad, "2027-03-03T12:00:00-04:00")
		}, "2027-03-10T12:00:00-04:00", Missed},
		"never heard from, seven days after enrolling": {func(s *story, mum, _ teller) {
			s.heard(mum, "2027-03-07T12:00:00-04:00")
		}, "2027-03-07T12:00:00-04:00", Missed},
		"all silent for seven days, and none is left": {func(s *story, mum, dad teller) {
			s.heard(mum, "2027-03-03T12:00:00-04:00")
			s.heard(dad, "2027-03-03T12:00:00-04:00")
		}, "2027-03-20T12:00:00-04:00", Unheard},
		"all silent, but heard from since it closed": {func(s *story, mum, dad teller) {
			s.heard(mum, closes)
			s.heard(dad, closes)
		}, "2027-03-20T12:00:00-04:00", Missed},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			c.happened(s, s.caregiver("mum"), s.caregiver("dad"))
			assert.Equal(t, c.state, look(t, s.asOf(c.at), "2027-03-03").State)
		})
	}
}

func TestAHouseholdWithoutADeviceIsUnheard(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	assert.Equal(t, "??o-----------", line(s.asOf("2027-03-03T12:00:00-04:00").Current()))
}

func TestADeviceThatNeverCameBackLeavesNightsUnheard(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	mum.session("2027-03-01T19:40:00-04:00").everyPosition(Swallowed, 4)
	s.heard(mum, "2027-03-02T08:00:00-04:00")
	assert.Equal(t, "C?????????????", line(s.told().Current()))
}

func TestAnEveningUploadedFourDaysLateRepairsTheStreak(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	for _, evening := range []string{"2027-03-01", "2027-03-02", "2027-03-04", "2027-03-05", "2027-03-06"} {
		mum.session(evening+"T19:40:00-04:00").everyPosition(Swallowed, 4)
	}
	s.heard(mum, "2027-03-07T08:00:00-04:00")
	s.heard(dad, "2027-03-04T08:00:00-04:00")
	before := s.asOf("2027-03-07T08:00:00-04:00").Current()
	assert.Equal(t, "CCMCCCo-------", line(before))
	assert.Equal(t, Streak{Current: 3, Longest: 3}, before.Streak)

	dad.uploading("2027-03-07T19:00:00-04:00").session("2027-03-03T19:40:00-04:00").try(Left, 1, Swallowed, 4)
	after := s.asOf("2027-03-07T19:00:00-04:00").Current()
	assert.Equal(t, "CCPCCCo-------", line(after))
	assert.Equal(t, Streak{Current: 6, Longest: 6}, after.Streak)
	assert.Zero(t, after.Counts.Recalled, "it was written on the evening; only its upload was late")
}

func TestStreakIsARunOfPractisedNights(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		nights string // as line writes them
		streak Streak
	}{
		"nothing yet":                          {"o-", Streak{}},
		"complete and partial lengthen":        {"CPC", Streak{3, 3}},
		"excused neither breaks nor lengthens": {"CEC", Streak{2, 2}},
		"nor does attempted":                   {"CACA", Streak{2, 2}},
		"tonight while open does not break":    {"CCo", Streak{2, 2}},
		"missed breaks":                        {"CCCMC", Streak{1, 3}},
		"unheard breaks":                       {"CC?", Streak{0, 2}},
		"nights to come don't break":           {"CC--", Streak{2, 2}},
		"a second run may be the longest":      {"CM?PPo", Streak{2, 2}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.Equal(t, c.streak, streakOf(nightsFrom(t, c.nights)))
		})
	}
}

func nightsFrom(t *testing.T, letters string) []NightView {
	t.Helper()
	states := map[rune]State{
		'C': Complete, 'P': Partial, 'A': Attempted, 'E': Excused, '-': Upcoming, 'o': Open, '?': Unheard, 'M': Missed,
	}
	var nights []NightView
	for _, letter := range letters {
		state, ok := states[letter]
		require.True(t, ok)
		nights = append(nights, NightView{State: state})
	}
	return nights
}

func TestCountsAreByState(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	mum.session("2027-03-01T19:40:00-04:00").everyPosition(Swallowed, 4)
	mum.session("2027-03-02T19:40:00-04:00").try(Left, 1, Swallowed, 4)
	mum.session("2027-03-03T19:40:00-04:00").try(Left, 1, Refused, NoEase)
	mum.excuses("2027-03-04", "ill")
	mum.excuses("2027-03-10", "travel")
	s.heard(mum, "2027-03-06T04:00:00-04:00")
	p := s.asOf("2027-03-07T12:00:00-04:00").Current()
	assert.Equal(t, "CPAEM?o--E----", line(p))
	assert.Equal(t, Counts{
		Planned: 14, Elapsed: 6, Practised: 2, Complete: 1, Partial: 1, Excused: 2, Attempted: 1, Missed: 1, Unheard: 1,
	}, p.Counts, "an excused night to come has not elapsed")

	mum.session("2027-03-07T11:00:00-04:00")
	assert.Equal(t, 7, s.asOf("2027-03-07T12:00:00-04:00").Current().Counts.Elapsed, "tonight, once something is recorded")
	mum.excuses("2027-03-08", "ill")
	p = s.asOf("2027-03-08T04:00:00-04:00").Current()
	assert.Equal(t, "CPAEM?AE-E----", line(p))
	assert.Equal(t, 8, p.Counts.Elapsed, "tonight, once it is excused")
}

func TestScoreIsTheFirstTryOnASweet(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	late := mum.session("2027-03-03T21:30:00-04:00")
	late.try(Left, 1, Swallowed, 5)
	late.try(Right, 1, Swallowed, 5)
	evening := mum.session("2027-03-03T19:40:00-04:00")
	evening.try(Left, 3, Swallowed, 4)
	evening.try(Left, 2, NotSwallowed, 2)
	mum.tryOn(Water, 0, evening, Left, 1, Swallowed, 5)
	evening.try(Centre, 1, Refused, NoEase)
	evening.try(Centre, 2, Swallowed, 3)
	mum.tryOn(Sweet, 9.5, evening, Up, 1, Swallowed, 1)
	night := look(t, s.told(), "2027-03-03")
	assert.Equal(t, []Score{
		{Centre, Swallowed, 3, 6}, {Right, Swallowed, 5, 6}, {Left, NotSwallowed, 2, 6}, {Up, Swallowed, 1, 9.5},
	}, night.Scores)
	assert.Len(t, everyTry(s.told()), 8, "the others are extra practice: shown")
}

func TestPositionsAreSwitchedOffAndOnFromANight(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dr := s.caregiver("mum"), s.clinician("dr")
	for _, evening := range []string{"2027-03-03", "2027-03-05", "2027-03-08"} {
		fourWithoutUp(mum.session(evening + "T19:40:00-04:00"))
	}
	dr.switchesOff("2027-03-08")
	dr.switchesOff("2027-03-05", Up)
	v := s.told()
	assert.Equal(t, Partial, look(t, v, "2027-03-03").State, "up is still in use")
	assert.Equal(t, Complete, look(t, v, "2027-03-05").State)
	assert.Equal(t, Partial, look(t, v, "2027-03-08").State, "up is in use again")
	assert.Equal(t, Positions(), look(t, v, "2027-03-04").Positions)
	assert.Equal(t, []Position{Centre, Right, Left, Down}, look(t, v, "2027-03-07").Positions)
	assert.Equal(t, Positions(), look(t, v, "2027-03-08").Positions)
}

func fourWithoutUp(session told) {
	for _, p := range []Position{Centre, Right, Left, Down} {
		session.try(p, 1, Swallowed, 4)
	}
}

func TestPositionsSwitchedOffAtEnrolment(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrolments[0].Positions = []Position{Centre, Right, Left, Down}
	fourWithoutUp(s.caregiver("mum").session("2027-03-03T19:40:00-04:00"))
	assert.Equal(t, Complete, look(t, s.told(), "2027-03-03").State)
}

func TestTwoClinicianSwitchingsOfOneNightBothHold(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.clinician("dr").switchesOff("2027-03-05", Up)
	s.clinician("nurse").switchesOff("2027-03-05", Down)
	assert.Equal(t, []Position{Centre, Right, Left}, look(t, s.told(), "2027-03-05").Positions)
	assert.Equal(t, Positions(), s.enrolments[0].Positions, "the enrolment itself is left as it was")
}

func TestWithEveryPositionSwitchedOffNothingIsComplete(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.clinician("dr").switchesOff("2027-03-01", Positions()...)
	s.caregiver("mum").session("2027-03-03T19:40:00-04:00").everyPosition(Swallowed, 4)
	assert.Equal(t, Partial, look(t, s.told(), "2027-03-03").State)
}
