package practice

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestRecalledIsWrittenMoreThanADayAfterTheNightClosed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		written  string
		recalled bool
	}{
		"on the evening":                       {"2027-03-03T19:42:00-04:00", false},
		"the next day":                         {"2027-03-04T12:00:00-04:00", false},
		"a day after it closed":                {"2027-03-05T04:00:00-04:00", false},
		"a second more":                        {"2027-03-05T04:00:01-04:00", true},
		"on the last evening of the programme": {"2027-03-14T20:00:00-03:00", true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			mum := s.caregiver("mum").writing(c.written)
			mum.tryIn(mum.session(evening("19:40")), Left, 1, Swallowed, 4)
			v := s.told()
			assert.Equal(t, c.recalled, look(t, v, "2027-03-03").Has(MarkRecalled))
			assert.Equal(t, map[bool]int{true: 1}[c.recalled], v.Current().Counts.Recalled)
		})
	}
}

func TestATryWrittenLateMakesItsNightRecalled(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	session := mum.session(evening("19:40"))
	mum.writing("2027-03-06T12:00:00-04:00").tryIn(session, Left, 1, Swallowed, 4)
	assert.True(t, look(t, s.told(), "2027-03-03").Has(MarkRecalled))
}

func TestAnUnpractisedNightIsNotCountedAsRecalled(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.caregiver("mum").writing("2027-03-09T12:00:00-04:00").session(evening("19:40"))
	v := s.told()
	assert.Equal(t, Attempted, look(t, v, "2027-03-03").State)
	assert.True(t, look(t, v, "2027-03-03").Has(MarkRecalled))
	assert.Zero(t, v.Current().Counts.Recalled)
}

func TestRecalledGoesByTheTimeOfWritingNotOfUpload(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.caregiver("mum").uploading("2027-04-30T12:00:00-03:00").session(evening("19:40")).try(Left, 1, Swallowed, 4)
	assert.Empty(t, look(t, s.told(), "2027-03-03").Marks)
}

func TestTheTeachingSessionIsNeverRecalled(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.caregiver("mum").writing("2027-03-20T12:00:00-03:00").session("2027-02-20T15:00:00-04:00")
	assert.Empty(t, look(t, s.told(), "2027-02-20").Marks)
}

func TestNightsWrittenWithinMinutesOfEachOtherAreMarked(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		between  time.Duration
		together bool
	}{
		"at once":            {0, true},
		"ten minutes":        {10 * time.Minute, true},
		"a second more":      {10*time.Minute + time.Second, false},
		"an evening between": {24 * time.Hour, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			mum := s.caregiver("mum")
			mum.writing("2027-03-05T09:00:00-04:00").session("2027-03-03T19:40:00-04:00")
			second := moment(t, "2027-03-05T09:00:00-04:00").shifted(c.between)
			mum.writing(second.String()).session("2027-03-04T19:40:00-04:00")
			v := s.told()
			assert.Equal(t, c.together, look(t, v, "2027-03-03").Has(MarkWrittenTogether))
			assert.Equal(t, c.together, look(t, v, "2027-03-04").Has(MarkWrittenTogether))
		})
	}
}

func TestTwoPeopleWritingAtOnceDidNotWriteTogether(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	mum.writing("2027-03-05T09:00:00-04:00").session("2027-03-03T19:40:00-04:00")
	dad.writing("2027-03-05T09:00:00-04:00").session("2027-03-04T19:40:00-04:00")
	mum.writing("2027-03-06T09:00:00-04:00").session("2027-03-05T18:00:00-04:00")
	mum.writing("2027-03-06T09:00:00-04:00").session("2027-03-05T21:00:00-04:00")
	for _, n := range everyNight(s.told()) {
		assert.False(t, n.Has(MarkWrittenTogether), "nor are two sittings of one night nights written together")
	}
}

func TestAnEditDoesNotMakeANightWrittenLater(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum := s.caregiver("mum")
		first := mum.session("2027-03-03T19:40:00-04:00")
		mum.session("2027-03-04T19:40:00-04:00")
		first.by.writing("2027-03-04T19:43:00-04:00").entry(first.body, first.subject, first.written, first)
		assert.False(t, look(t, s.told(), "2027-03-03").Has(MarkWrittenTogether))
	})
}

func TestOnlyTheSittingsConcernedAreMarked(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	mum.session("2027-03-03T19:40:00-04:00")
	mum.writing("2027-03-09T12:00:00-04:00").session("2027-03-03T23:00:00-04:00")
	sittings := sittingsOn(t, s.told(), "2027-03-03")
	require.Len(t, sittings, 2)
	assert.Empty(t, sittings[0].Marks)
	assert.Equal(t, []Mark{MarkRecalled}, sittings[1].Marks)
	assert.Equal(t, []Mark{MarkRecalled}, look(t, s.told(), "2027-03-03").Marks)
}

func TestAWrongClockMarksItsTryToo(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	session := mum.session(evening("19:40"))
	mum.withClockOff(-hour).tryIn(session, Left, 1, Swallowed, 4)
	assert.True(t, look(t, s.told(), "2027-03-03").Has(MarkClockSuspect))
}
