package practice

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestAsOfLeavesOutSessionsThatStartLater(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	early, late := mum.session(evening("19:40")), mum.session("2027-03-04T19:40:00-04:00")
	early.try(Left, 1, Swallowed, 4)
	try := late.try(Left, 1, Swallowed, 4)
	v := s.asOf("2027-03-04T19:39:59-04:00")
	assert.Equal(t, "??Po----------", line(v.Current()))
	assert.Equal(t, map[EntryID]Why{late.id: WhyAfterInstant, try.id: WhyAfterInstant}, v.Idle)
	v = s.asOf("2027-03-04T19:40:00-04:00")
	assert.Equal(t, "??PP----------", line(v.Current()))
	assert.Empty(t, v.Idle)
}

func TestAsOfMovesTheInstantNotTheSet(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	hers := mum.session(evening("19:40")).try(Left, 1, Swallowed, 5)
	// All this was received long after the instant asked for.
	later := dad.writing("2027-03-20T12:00:00-03:00")
	his := later.tryIn(later.session(evening("19:45")), Left, 1, NotSwallowed, 2)
	mum.writing("2027-03-21T12:00:00-03:00").settles(Swallowed, 5, hers, his)
	x := mum.incident("pain", "2027-03-20T12:00:00-03:00")
	s.heard(mum, "2027-03-21T12:00:00-03:00")
	s.heard(dad, "2027-03-21T12:00:00-03:00")
	v := s.asOf("2027-03-05T12:00:00-04:00")
	assert.Equal(t, Settled, leftTry(t, s).Agreement)
	assert.Equal(t, "MMPMo---------", line(v.Current()), "by now we have heard from everyone")
	assert.Equal(t, []EntryID{x.id}, holding(v))
}

func TestAWithdrawnSessionToComeIsWithdrawn(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	session := s.caregiver("mum").session(evening("19:40"))
	try := session.try(Left, 1, Swallowed, 4)
	session.retracted()
	v := s.asOf("2027-03-02T12:00:00-04:00")
	assert.Equal(t, map[EntryID]Why{session.id: WhyWithdrawn, try.id: WhySessionWithdrawn}, v.Idle)
}

func TestUntilIsWhenTheViewWouldBeAnother(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		happened  func(s *story, mum teller)
		at, until string
	}{
		"the first night begins":      {func(*story, teller) {}, "2027-02-20T12:00:00-04:00", "2027-03-01T08:00:00Z"},
		"tonight closes":              {func(*story, teller) {}, "2027-03-01T12:00:00-04:00", "2027-03-02T08:00:00Z"},
		"at the border itself":        {func(*story, teller) {}, "2027-03-02T08:00:00Z", "2027-03-03T08:00:00Z"},
		"tonight closes, in spring":   {func(*story, teller) {}, "2027-03-13T12:00:00-04:00", "2027-03-14T07:00:00Z"},
		"a session starts":            {func(_ *story, mum teller) { mum.session("2027-03-01T19:40:00-04:00") }, "2027-03-01T12:00:00-04:00", "2027-03-01T23:40:00Z"},
		"an incident's time comes":    {func(_ *story, mum teller) { mum.incident("pain", "2027-03-01T19:40:00-04:00") }, "2027-03-01T12:00:00-04:00", "2027-03-01T23:40:00Z"},
		"nothing is left to change":   {func(*story, teller) {}, "2027-04-20T12:00:00-03:00", ""},
		"another enrolment begins":    {func(s *story, _ teller) { s.enrol("2027-05-01", "America/Halifax") }, "2027-04-20T12:00:00-03:00", "2027-05-01T07:00:00Z"},
		"the last night is practised": {func(_ *story, mum teller) { mum.session("2027-03-14T19:40:00-03:00").everyPosition(Swallowed, 4) }, "2027-03-14T20:00:00-03:00", "2027-03-15T07:00:00Z"},
		"a device is silent for too long": {func(s *story, mum teller) {
			s.heard(mum, "2027-03-14T20:00:00-03:00")
		}, "2027-03-20T12:00:00-03:00", "2027-03-21T23:00:00Z"},
		"an excused evening after the programme comes": {func(_ *story, mum teller) {
			mum.excuses("2027-04-22", "travel")
		}, "2027-04-22T03:00:00-03:00", "2027-04-22T07:00:00Z"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			c.happened(s, s.caregiver("mum"))
			v := s.asOf(c.at)
			if c.until == "" {
				assert.True(t, v.Until.IsZero())
				return
			}
			assert.Equal(t, c.until, v.Until.UTC().Format(time.RFC3339))
			after := s.asOf(c.until)
			assert.True(t, after.Until.IsZero() || after.Until.After(v.Until))
		})
	}
}

func TestTheViewSaysWhatItIsOf(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	at := "2027-03-05T12:00:00-04:00"
	v := s.asOf(at)
	require.Equal(t, s.learner, v.Learner)
	assert.Equal(t, instant(t, at), v.At)
}
