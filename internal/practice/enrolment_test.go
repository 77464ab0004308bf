package practice

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestATeachingSessionIsShownNotCounted(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	mum.session("2027-02-26T15:00:00-04:00").everyPosition(Swallowed, 5)
	mum.session("2027-03-01T03:59:00-04:00").try(Left, 1, Swallowed, 5)
	v := s.told()
	require.Len(t, v.Earlier, 2)
	assert.Equal(t, Complete, v.Earlier[0].State)
	assert.Equal(t, "2027-02-28", v.Earlier[1].Night.String(), "a minute before the first night begins")
	assert.Equal(t, "??????????????", line(v.Current()))
	assert.Zero(t, v.Current().Counts.Practised)
	assert.Zero(t, v.Current().Streak)
}

func TestEveningsAfterTheLastPlannedOneCount(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	mum.session("2027-03-14T19:40:00-03:00").everyPosition(Swallowed, 4)
	mum.session("2027-03-15T19:40:00-03:00").try(Left, 1, Swallowed, 4)
	mum.session("2027-03-20T19:40:00-03:00").try(Left, 1, Swallowed, 4)
	p := s.told().Current()
	assert.Equal(t, "?????????????CPP", line(p))
	assert.Equal(t, "2027-03-14", p.LastNight.String())
	assert.Equal(t, 14, p.Counts.Planned)
	assert.Equal(t, 16, p.Counts.Elapsed)
	assert.Equal(t, 3, p.Counts.Practised)
	assert.Equal(t, Streak{Current: 3, Longest: 3}, p.Streak, "evenings that nobody planned are not missed")
	assert.Empty(t, s.told().Earlier)
}

func TestASecondEnrolmentEndsTheFormerOnTheEveOfItsFirstNight(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	second := s.enrol("2027-03-05", "America/Halifax")
	first := &s.enrolments[0]
	for _, night := range []string{"2027-02-28", "2027-03-03", "2027-03-04", "2027-03-05", "2027-03-25"} {
		mum.session(night+"T19:40:00-04:00").try(Left, 1, Swallowed, 4)
	}
	mum.session("2027-03-05T03:59:00-04:00").try(Right, 1, Swallowed, 4)
	v := s.told()
	require.Len(t, v.Programmes, 2)
	former := v.Programme(first.ID)
	assert.Equal(t, "??PP", line(former))
	assert.Equal(t, "2027-03-04", former.LastNight.String())
	assert.Equal(t, 4, former.Counts.Planned)
	assert.Equal(t, "P?????????????P", line(v.Programme(second.ID)), "a session belongs to the span that holds its night")
	assert.Equal(t, v.Programme(second.ID), v.Current())
	assert.Len(t, v.Earlier, 1)
	assert.Nil(t, v.Programme(EnrolmentID{named("none")}))
}

func TestTheCurrentEnrolmentIsTheOneBegunLastElseTheFirstToCome(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrol("2027-03-20", "America/Halifax")
	s.enrol("2027-04-20", "America/Halifax")
	first := func(v *View) string { return v.Current().Enrolment.FirstNight.String() }
	assert.Equal(t, "2027-03-01", first(s.asOf("2027-02-01T12:00:00-04:00")))
	assert.Equal(t, "2027-03-01", first(s.asOf("2027-03-20T03:59:00-03:00")))
	assert.Equal(t, "2027-03-20", first(s.asOf("2027-03-20T04:00:00-03:00")))
	assert.Equal(t, "2027-04-20", first(s.asOf("2027-12-01T04:00:00-03:00")))
}

func TestANewEnrolmentThatBeginsEarlierLeavesNothingOfTheFormer(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrol("2027-03-05", "America/Halifax")
	s.enrolments[0].Written = instant(t, "2027-03-06T12:00:00-04:00")
	v := s.asOf("2027-03-07T12:00:00-04:00")
	require.Len(t, v.Programmes, 1)
	assert.Equal(t, "??????o-------", line(v.Current()))
}

func TestAnEndedEnrolmentHasNoNightsAfterItsEnd(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	s.enrolments[0].Ended, s.enrolments[0].EndedOn = true, nightOn(t, "2027-03-05")
	mum.session("2027-03-05T19:40:00-04:00").try(Left, 1, Swallowed, 4)
	mum.session("2027-03-06T19:40:00-04:00").try(Left, 1, Swallowed, 4)
	v := s.told()
	assert.Equal(t, "????P", line(v.Current()))
	assert.Len(t, v.Earlier, 1, "shown, not counted")
}

func TestEndedBeforeItBeganHasNoProgramme(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrolments[0].Ended, s.enrolments[0].EndedOn = true, nightOn(t, "2027-02-28")
	v := s.told()
	assert.Empty(t, v.Programmes)
	assert.Nil(t, v.Current())
}

func TestWithoutAnEnrolmentEveningsAreShown(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrolments = nil
	s.caregiver("mum").session(evening("19:40")).try(Left, 1, Swallowed, 4)
	v := s.told()
	assert.Nil(t, v.Current())
	require.Len(t, v.Earlier, 1)
	assert.Equal(t, Partial, v.Earlier[0].State)
}

func TestNightsToComeAreListed(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	p := s.asOf("2027-02-01T12:00:00-04:00").Current()
	assert.Equal(t, "--------------", line(p))
	assert.Equal(t, Counts{Planned: 14}, p.Counts)
}

func TestAnEnrolmentEndedBeforeTheNextBeginsKeepsItsEnd(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrolments[0].Ended, s.enrolments[0].EndedOn = true, nightOn(t, "2027-03-05")
	s.enrol("2027-03-20", "America/Halifax")
	s.caregiver("mum").session("2027-03-10T19:40:00-04:00").try(Left, 1, Swallowed, 4)
	v := s.told()
	assert.Equal(t, "?????", line(&v.Programmes[0]))
	assert.Len(t, v.Earlier, 1, "between the two")
}
