package judgement_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// calling is what calls for a call.
type calling struct {
	day     int // as seen at noon of that day of March
	tell    func(s *story)
	verdict judgement.Verdict
	change  func(e *practice.Enrolment)
}

func (c calling) call(t *testing.T) judgement.Call {
	t.Helper()
	s := newStory(t)
	if c.tell != nil {
		c.tell(s)
	}
	if c.change != nil {
		c.change(&s.enrolments[0])
	}
	v := s.view(time.Date(2027, time.March, c.day, 12, 0, 0, 0, s.enrolments[0].Zone))
	j := judgement.Judge(&v, v.Current(), time.Time{})
	return judgement.CallOf(&v, v.Current(), &j, c.verdict)
}

func held(s *story) { s.write(mama, s.evening(1), &practice.Incident{What: "pain"}) }

func differing(s *story) {
	s.practise(mama, 1, swallowed(practice.Left, 5))
	s.practise(papa, 1, swallowed(practice.Left, 1))
}

// waiting has so many entries wait for a review.
func waiting(s *story, entries int) {
	for range entries {
		s.write(mama, s.evening(1), nil).Status = practice.Quarantined
		s.entries[len(s.entries)-1].Flawed = true
	}
}

// TestUrgency: each reason for a call outweighs all that come after it together.
func TestUrgency(t *testing.T) {
	t.Parallel()
	ready := judgement.ReadyForReview
	ordered := []calling{
		{day: 1}, // nothing wrong
		{day: 2}, // a night
		{day: 3}, // two
		{day: 2, tell: func(s *story) { waiting(s, 1) }},               // a review
		{day: 2, tell: differing},                                      // a disagreement
		{day: 3, tell: func(s *story) { differing(s); waiting(s, 3) }}, // with a review and a night
		{day: 1, verdict: ready},                                       // ready for review
		{day: 3, tell: differing, verdict: ready},                      // with a disagreement and a night
		{day: 4},                  // a run
		{day: 15},                 // a longer one
		{day: 6, tell: differing}, // a run and a disagreement
		{day: 6, tell: differing, verdict: ready}, // of one who was ready
		{day: 2, tell: held},                      // a hold
		{day: 6, tell: func(s *story) { differing(s); held(s); waiting(s, 1) }, verdict: ready}, // everything
	}
	before := -1
	for i, c := range ordered {
		call := c.call(t)
		assert.Greater(t, call.Urgency, before, "%d: %v", i, call)
		before = call.Urgency
	}
	for name, change := range map[string]func(e *practice.Enrolment){
		"paused": func(e *practice.Enrolment) { e.Paused = true },
		"ended":  func(e *practice.Enrolment) { e.Ended, e.EndedOn = true, march(20) },
	} {
		assert.Equal(t, judgement.Call{}, calling{day: 6, tell: differing, verdict: ready, change: change}.call(t), name)
		assert.Equal(t, calling{day: 1, tell: held}.call(t),
			calling{day: 6, tell: func(s *story) { differing(s); held(s) }, change: change}.call(t), "%s, a hold still asks for a call", name)
	}
}

// TestWhyACallIsNeeded says it in words.
func TestWhyACallIsNeeded(t *testing.T) {
	t.Parallel()
	assert.Empty(t, calling{day: 1}.call(t).Reasons)
	assert.Equal(t, []string{"1 night without practice so far."}, calling{day: 2}.call(t).Reasons)
	assert.Equal(t, []string{
		"On hold: 1 incident that no clinician has cleared.",
		"No practice on the last 4 nights.",
		"Every criterion is met: ready for a clinician's review.",
		"The caregivers' accounts differ on 1 try.",
		"2 entries wait for a review.",
		"4 nights without practice so far.",
	}, calling{day: 6, tell: func(s *story) {
		differing(s)
		held(s)
		waiting(s, 2)
		s.contacts = []practice.Contact{{Owner: mama.ID, Heard: s.evening(6).Add(-9 * time.Hour)}}
	}, verdict: judgement.ReadyForReview}.call(t).Reasons)

	silent := calling{day: 5, tell: func(s *story) {
		s.contacts = []practice.Contact{{Owner: mama.ID, Heard: s.evening(1)}}
	}}
	assert.Equal(t, []string{
		"Nothing heard of practice on the last 4 nights, and a phone has not been heard from since.",
		"4 nights without practice so far.",
	}, silent.call(t).Reasons)
}
