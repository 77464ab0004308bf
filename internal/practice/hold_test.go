package practice

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func holding(v *View) []EntryID {
	var ids []EntryID
	for _, i := range v.Hold {
		ids = append(ids, i.Entry)
	}
	return ids
}

func TestAnIncidentHoldsWhateverItsOwnState(t *testing.T) {
	t.Parallel()
	const at = "2027-03-03T19:45:00-04:00"
	for name, happened := range map[string]func(s *story, mum teller) told{
		"accepted":    func(_ *story, mum teller) told { return mum.incident("choking", at) },
		"retracted":   func(_ *story, mum teller) told { x := mum.incident("choking", at); x.retracted(); return x },
		"quarantined": func(_ *story, mum teller) told { return mum.asStatus(Quarantined).incident("choking", at) },
		"set aside":   func(_ *story, mum teller) told { return mum.asStatus(SetAside).incident("choking", at) },
		"late": func(_ *story, mum teller) told {
			return mum.uploading("2027-04-30T12:00:00-03:00").incident("choking", at)
		},
		"from a wrong clock": func(_ *story, mum teller) told { return mum.withClockOff(1000*hour).incident("choking", at) },
		"dated to come":      func(_ *story, mum teller) told { return mum.incident("choking", "2027-06-01T12:00:00-03:00") },
		"before the programme": func(_ *story, mum teller) told {
			return mum.incident("choking", "2026-12-24T12:00:00-04:00")
		},
		"in a session that was withdrawn": func(_ *story, mum teller) told {
			session := mum.session(at)
			x := mum.entry(&Incident{Session: session.subject, What: "choking"}, SubjectID{}, session.written)
			session.retracted()
			return x
		},
		"noted by a clinician": func(s *story, _ teller) told { return s.clinician("dr").incident("choking", at) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			x := happened(s, s.caregiver("mum"))
			v := s.told()
			require.Equal(t, []EntryID{x.id}, holding(v))
			assert.Equal(t, IncidentKind("choking"), v.Hold[0].What)
			assert.False(t, v.Hold[0].Unread)

			s.clinician("dr").clears(x)
			assert.Empty(t, s.told().Hold)
		})
	}
}

func TestAClearLiftsExactlyWhatItNames(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dr := s.caregiver("mum"), s.clinician("dr")
	first := mum.incident("choking", evening("19:45"))
	second := mum.incident("pain", evening("19:46"))
	third := s.caregiver("dad").incident("choking", evening("19:47"))
	clear := dr.clears(first, third)
	assert.Equal(t, []EntryID{second.id}, holding(s.told()))
	clear.retracted()
	assert.ElementsMatch(t, []EntryID{first.id, second.id, third.id}, holding(s.told()))
}

func TestAnIncidentAfterAClearHoldsAgain(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	s.clinician("dr").clears(mum.incident("choking", evening("19:45")))
	again := mum.incident("choking", "2027-03-04T19:45:00-04:00")
	assert.Equal(t, []EntryID{again.id}, holding(s.told()))
}

func TestAnEditOfAnIncident(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dr := s.caregiver("mum"), s.clinician("dr")
	first := mum.incident("other", evening("19:45"))
	edit := mum.entry(&Incident{What: "choking"}, first.subject, first.written, first)
	assert.ElementsMatch(t, []EntryID{first.id, edit.id}, holding(s.told()))
	clear := dr.clears(first)
	assert.Equal(t, []EntryID{edit.id}, holding(s.told()), "what the edit says has not been looked at")
	clear.retracted()
	dr.clears(edit)
	assert.Empty(t, s.told().Hold, "who clears the edit has seen what it replaces")
}

func TestClearingWhatAnotherPersonClaimsToReplaceLiftsNothing(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	first := mum.incident("choking", evening("19:45"))
	his := dad.entry(&Incident{What: "other"}, first.subject, first.written, first)
	s.clinician("dr").clears(his)
	assert.Equal(t, []EntryID{first.id}, holding(s.told()))
}

func TestAClearThatTheDoorKeptBackLiftsNothing(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	x := mum.incident("choking", evening("19:45"))
	mum.asStatus(Quarantined).clears(x)
	assert.Equal(t, []EntryID{x.id}, holding(s.told()))
}

func TestWhatMayBeAnIncidentHolds(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	unread := mum.asStatus(Quarantined).entry(nil, SubjectID{}, moment(t, evening("19:45")))
	require.Empty(t, s.told().Hold)
	s.entries[0].MayBeIncident = true
	v := s.told()
	require.Len(t, v.Hold, 1)
	assert.True(t, v.Hold[0].Unread)
	assert.Empty(t, v.Hold[0].What)

	s.entries[0].Learner = LearnerID{}
	assert.Len(t, s.told().Hold, 1, "whose it is cannot be told: it holds every learner")
	s.clinician("dr").clears(unread)
	assert.Empty(t, s.told().Hold)
	s.entries[0].Learner = LearnerID{named("alex")}
	s.entries = s.entries[:1]
	assert.Empty(t, s.told().Hold, "another learner's")
}

func TestAnIncidentFallsOnTheNightOfItsSession(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	session := mum.session(evening("19:40"))
	x := mum.writing("2027-03-04T09:00:00-04:00").entry(&Incident{Session: session.subject, What: "pain"}, SubjectID{}, session.written)
	y := mum.incident("vomited", "2027-03-05T03:30:00-04:00")
	v := s.told()
	assert.Equal(t, []NightIncident{{x.id, "pain"}}, look(t, v, "2027-03-03").Incidents)
	assert.Equal(t, []NightIncident{{y.id, "vomited"}}, look(t, v, "2027-03-04").Incidents, "of a quarter to four")
	assert.Equal(t, Attempted, look(t, v, "2027-03-04").State)

	y.retracted()
	v = s.told()
	assert.Empty(t, look(t, v, "2027-03-04").Incidents)
	assert.Equal(t, Unheard, look(t, v, "2027-03-04").State)
	assert.Len(t, v.Hold, 2)
}

func TestTheChosenPositionIsTheOneReceivedLast(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	assert.Empty(t, s.told().Choices)
	dr, nurse := s.clinician("dr"), s.clinician("nurse")
	dr.uploading("2027-03-08T12:00:00-04:00").chooses(Left, "2027-03-02T12:00:00-04:00")
	second := nurse.chooses(Up, "2027-03-05T12:00:00-04:00")
	choices := s.told().Choices
	require.Len(t, choices, 2)
	assert.Equal(t, Up, choices[0].Position)
	assert.Equal(t, Chosen{Position: Left, From: instant(t, "2027-03-08T12:00:00-04:00")}, choices[1])
	nurse.uploading("2027-03-09T12:00:00-04:00").entry(&Choose{Position: Down}, second.subject, second.written, second)
	choices = s.told().Choices
	assert.Equal(t, Down, choices[len(choices)-1].Position)
}
