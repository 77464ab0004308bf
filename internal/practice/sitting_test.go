package practice

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// groups lists the sessions of each sitting of 3 March by who recorded them and when.
func groups(t *testing.T, s *story) [][]string {
	t.Helper()
	var all [][]string
	for _, sitting := range sittingsOn(t, s.told(), "2027-03-03") {
		var starts []string
		for _, session := range sitting.Sessions {
			starts = append(starts, session.Practised.Time().Format("15:04"))
		}
		all = append(all, starts)
	}
	return all
}

// evening is a time on 3 March, in Halifax.
func evening(clock string) string { return "2027-03-03T" + clock + ":00-04:00" }

func TestSessionsOfDifferentCaregiversWithinAnHourAreOneSitting(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		mum, dad string
		want     [][]string
	}{
		"at the same time":    {"19:00", "19:00", [][]string{{"19:00", "19:00"}}},
		"an hour apart":       {"19:00", "20:00", [][]string{{"19:00", "20:00"}}},
		"a minute over":       {"19:00", "20:01", [][]string{{"19:00"}, {"20:01"}}},
		"the other way round": {"20:00", "19:30", [][]string{{"19:30", "20:00"}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			s.caregiver("mum").session(evening(c.mum))
			s.caregiver("dad").session(evening(c.dad))
			assert.Equal(t, c.want, groups(t, s))
		})
	}
}

func TestTheWindowIsThePlans(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrolments[0].Plan.SittingWindow /= 3
	s.caregiver("mum").session(evening("19:00"))
	s.caregiver("dad").session(evening("19:21"))
	assert.Equal(t, [][]string{{"19:00"}, {"19:21"}}, groups(t, s))
	s.caregiver("gran").session(evening("19:41"))
	assert.Equal(t, [][]string{{"19:00"}, {"19:21", "19:41"}}, groups(t, s))
}

func TestANightKeepsTheWindowOfItsOwnEnrolment(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.caregiver("mum").session(evening("19:00"))
	s.caregiver("dad").session(evening("19:40"))
	s.enrol("2027-04-01", "America/Halifax").Plan.SittingWindow /= 3
	assert.Equal(t, [][]string{{"19:00", "19:40"}}, groups(t, s), "a later enrolment's plan does not reach back")
}

func TestBothCaregiversRecordTheSameEvening(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	mum.session(evening("19:40")).everyPosition(Swallowed, 4)
	dad.session(evening("19:43")).everyPosition(Swallowed, 4)
	v := s.told()
	sitting := onlySitting(t, v, "2027-03-03")
	assert.Equal(t, moment(t, evening("19:40")), sitting.Start)
	assert.ElementsMatch(t, []Author{mum.author, dad.author}, sitting.Authors)
	require.Len(t, sitting.Tries, 5)
	for _, try := range sitting.Tries {
		assert.Equal(t, Agreed, try.Agreement)
		assert.Len(t, try.Readings, 2)
	}
	assert.Equal(t, Complete, look(t, v, "2027-03-03").State)
}

func TestThreeCaregiversRecordTheSameEvening(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	for i, name := range []string{"mum", "dad", "gran"} {
		s.caregiver(name).session(evening("19:4"+string(rune('0'+i)))).try(Left, 1, Swallowed, Ease(3+i))
	}
	try := tryOf(t, s.told(), "2027-03-03", Left, 1)
	assert.Equal(t, []rating{{Swallowed, 3}, {Swallowed, 4}, {Swallowed, 5}}, readingsOf(try))
	assert.Equal(t, rating{Swallowed, 3}, counted(try))
	assert.Equal(t, Disagreed, try.Agreement, "3 and 5 are 2 apart, though 4 lies between")
}

func TestTwoSessionsOfOneCaregiverAreNotJoinedButFlagged(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	phone, tablet := mum.session(evening("19:40")), mum.session(evening("19:55"))
	for _, p := range []Position{Centre, Right} {
		phone.try(p, 1, Swallowed, 4)
		tablet.try(p, 1, Swallowed, 2)
	}
	tablet.try(Up, 1, Swallowed, 4)
	sittings := sittingsOn(t, s.told(), "2027-03-03")
	require.Len(t, sittings, 2)
	assert.Equal(t, []Mark{MarkTwice}, sittings[0].Marks)
	assert.Equal(t, []Mark{MarkTwice}, sittings[1].Marks)
	assert.Len(t, sittings[0].Tries, 2)
	assert.Len(t, sittings[1].Tries, 3)

	mum.says(true, phone, tablet)
	joined := onlySitting(t, s.told(), "2027-03-03")
	assert.Empty(t, joined.Marks, "she has said what they were")
	require.Len(t, joined.Tries, 3)
	assert.Equal(t, []rating{{Swallowed, 2}, {Swallowed, 4}}, readingsOf(joined.Tries[0]), "readings of one try, though one person's")
}

func TestTwoSessionsOfOneCaregiverSaidToBeDistinctAreNotFlagged(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	first, second := mum.session(evening("19:40")), mum.session(evening("20:10"))
	mum.says(false, first, second)
	for _, sitting := range sittingsOn(t, s.told(), "2027-03-03") {
		assert.Empty(t, sitting.Marks)
	}
}

func TestTwoSessionsOfOneCaregiverHoursApartAreNotFlagged(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	mum.session(evening("18:00"))
	mum.session(evening("19:01"))
	for _, sitting := range sittingsOn(t, s.told(), "2027-03-03") {
		assert.Empty(t, sitting.Marks)
	}
}

func TestAChainOfSessionsFortyMinutesApart(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad, gran := s.caregiver("mum"), s.caregiver("dad"), s.caregiver("gran")
		mum.session(evening("18:00"))
		dad.session(evening("18:40"))
		gran.session(evening("19:20"))
		assert.Equal(t, [][]string{{"18:00", "18:40", "19:20"}}, groups(t, s), "each joins the next")

		// Mum's second would bring two of hers together, whichever way the chain runs.
		mum.session(evening("20:01"))
		assert.Equal(t, [][]string{{"18:00", "18:40", "19:20"}, {"20:01"}}, groups(t, s))
		for _, sitting := range sittingsOn(t, s.told(), "2027-03-03") {
			assert.Contains(t, sitting.Marks, MarkTwice)
		}
	})
}

// The smaller gap is taken first, so what it joined keeps out what lies further off.
func TestTheCloserPairIsTakenFirst(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		mum.session(evening("18:00"))
		dad.session(evening("18:40"))
		mum.session(evening("19:00"))
		assert.Equal(t, [][]string{{"18:00"}, {"18:40", "19:00"}}, groups(t, s))
	})
}

func TestDistinctKeepsApartWhatTimeWouldJoin(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad, gran := s.caregiver("mum"), s.caregiver("dad"), s.caregiver("gran")
	a, b := mum.session(evening("19:00")), dad.session(evening("19:20"))
	says := gran.says(false, a, b)
	assert.Equal(t, [][]string{{"19:00"}, {"19:20"}}, groups(t, s))

	// Gran's session lies nearer to dad's: it joins him, and the two stay apart from mum.
	gran.session(evening("19:30"))
	assert.Equal(t, [][]string{{"19:00"}, {"19:20", "19:30"}}, groups(t, s))

	says.retracted()
	assert.Equal(t, [][]string{{"19:00", "19:20", "19:30"}}, groups(t, s))
}

func TestSameJoinsWhateverLiesBetween(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		a, b, c := mum.session(evening("17:00")), dad.session(evening("20:00")), mum.session(evening("22:00"))
		link := dad.says(true, a, b, c)
		assert.Equal(t, [][]string{{"17:00", "20:00", "22:00"}}, groups(t, s))
		dad.says(false, a, c)
		assert.Len(t, groups(t, s), 2, "distinct goes before same")
		link.retracted()
		assert.Len(t, groups(t, s), 3)
	})
}

func TestALinkHoldsWhileAnyOfItsHeadsHolds(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	a, b := mum.session(evening("17:00")), dad.session(evening("20:00"))
	link := dad.says(true, a, b)
	body := *link.body.(*Link)
	dad.entry(&body, link.subject, link.written, link) // an edit on his other phone
	dad.retracts(link, link)
	assert.Len(t, groups(t, s), 1)
}

func TestASuspectClockMakesNoPairsByTime(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	a := mum.withClockOff(-hour).session(evening("20:40"))
	b := dad.session(evening("19:40"))
	sittings := sittingsOn(t, s.told(), "2027-03-03")
	require.Len(t, sittings, 2, "corrected, they would start together")
	assert.Equal(t, sittings[0].Start, sittings[1].Start)
	dad.says(true, a, b)
	assert.Len(t, sittingsOn(t, s.told(), "2027-03-03"), 1, "a person may still join them")
}

func TestSittingsAreNumberedByStartThenId(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		mum.session(evening("21:00"))
		mum.session(evening("17:00"))
		// Two that start together, kept apart by their clocks.
		a, b := mum.withClockOff(hour).session(evening("18:00")), dad.withClockOff(hour).session(evening("18:00"))
		first, second := a, b
		if compareIDs(b.id.UUID, a.id.UUID) < 0 {
			first, second = b, a
		}
		var subjects []SubjectID
		for i, sitting := range sittingsOn(t, s.told(), "2027-03-03") {
			assert.Equal(t, i+1, sitting.Number)
			subjects = append(subjects, sitting.Subjects...)
		}
		assert.Equal(t, []SubjectID{first.subject, second.subject}, subjects[1:3])

		// Joined with a later session, the earliest still decides.
		gran := s.caregiver("gran")
		later := gran.session(evening("23:00"))
		gran.says(true, second, later)
		sittings := sittingsOn(t, s.told(), "2027-03-03")
		assert.Equal(t, first.subject, sittings[1].Subjects[0])
		assert.Equal(t, second.subject, sittings[2].Subjects[0])
	})
}

func TestSeveralAccountsOfOneSessionAreOneSitting(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	hers := mum.session(evening("19:00"))
	dad.account(hers, evening("22:00"))
	assert.Equal(t, [][]string{{"19:00", "22:00"}}, groups(t, s))
	assert.Equal(t, []SubjectID{hers.subject}, onlySitting(t, s.told(), "2027-03-03").Subjects, "it is one session")
}

func TestAWithdrawnAccountOfASessionNoLongerDatesIt(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		hers := mum.session("2027-03-02T19:40:00-04:00") // the wrong evening
		dad.account(hers, evening("19:40"))
		dad.tryIn(hers, Left, 1, Swallowed, 4)
		assert.Equal(t, []string{"2027-03-02"}, practisedNights(s.told()))
		hers.retracted()
		v := s.told()
		assert.Equal(t, []string{"2027-03-03"}, practisedNights(v))
		assert.Equal(t, moment(t, evening("19:40")), onlySitting(t, v, "2027-03-03").Start)
	})
}

func TestAWithdrawnSessionKeepsNoOtherOfItsAuthorApart(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		first := mum.session(evening("19:40"))
		dad.account(first, evening("19:40")).by.tryIn(first, Left, 1, Swallowed, 4)
		first.retracted()
		mum.session(evening("19:41")).try(Left, 1, Swallowed, 4)
		sitting := onlySitting(t, s.told(), "2027-03-03")
		assert.Empty(t, sitting.Marks)
		assert.Len(t, sitting.Tries[0].Readings, 2)
	})
}

func TestAWithdrawnSessionJoinsNothingByTime(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	hers := mum.session(evening("19:40"))
	dad.tryIn(hers, Left, 1, Swallowed, 4)
	s.caregiver("gran").session(evening("19:50")).try(Left, 1, Swallowed, 4)
	require.Len(t, sittingsOn(t, s.told(), "2027-03-03"), 1)
	hers.retracted()
	assert.Len(t, sittingsOn(t, s.told(), "2027-03-03"), 2, "nobody says any more when hers was")
}
