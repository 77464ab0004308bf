package practice

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// keptBack is one try of an evening that the door kept back, and what is wrong with it as it is read now.
func keptBack(t *testing.T, status Status, change func(*Stamped)) (s *story, try told) {
	t.Helper()
	s = newStory(t)
	mum := s.caregiver("mum")
	session := mum.session(evening("19:40"))
	try = mum.asStatus(status).soundByNow().tryIn(session, Left, 1, Swallowed, 4)
	change(&s.entries[1])
	return s, try
}

// TestWhatAReviewMayDo: every status, in every state of what is wrong with the entry now, before any review, taken and left.
func TestWhatAReviewMayDo(t *testing.T) {
	t.Parallel()
	sound := func(*Stamped) {}
	flawed := func(e *Stamped) { e.Body, e.Flawed = nil, true }
	misplaced := func(e *Stamped) { e.Flawed = true } // fine alone, but not in this household
	unknown := func(e *Stamped) { e.Body = nil }
	// what is said of it, and how many are counted as quarantined and as set aside
	type seen struct {
		why                   Why
		quarantined, setAside int
	}
	counts, leftBy := seen{}, seen{WhyLeft, 0, 0}
	flawedNow, inVain, parked := seen{WhyFlawed, 1, 0}, seen{WhyTakenInVain, 1, 0}, seen{WhyParked, 0, 0}
	quarantined, setAside := seen{WhyQuarantined, 1, 0}, seen{WhySetAside, 0, 1}
	for name, test := range map[string]struct {
		status              Status
		change              func(*Stamped)
		before, taken, left seen
	}{
		"accepted":                           {Accepted, sound, counts, counts, counts},
		"accepted, by a door less strict":    {Accepted, flawed, flawedNow, flawedNow, flawedNow},
		"parked, not known yet":              {Parked, unknown, parked, parked, parked},
		"parked, known by now":               {Parked, sound, counts, counts, counts},
		"parked, known by now and wrong":     {Parked, flawed, flawedNow, flawedNow, flawedNow},
		"parked, known by now and misplaced": {Parked, misplaced, flawedNow, flawedNow, flawedNow},
		"set aside":                          {SetAside, sound, setAside, counts, leftBy},
		"set aside, wrong":                   {SetAside, flawed, setAside, inVain, leftBy},
		"set aside, misplaced":               {SetAside, misplaced, setAside, inVain, leftBy},
		"set aside, not known yet":           {SetAside, unknown, setAside, parked, leftBy},
		"quarantined":                        {Quarantined, flawed, quarantined, inVain, leftBy},
		"quarantined, misplaced":             {Quarantined, misplaced, quarantined, inVain, leftBy},
		"quarantined, of a kind gone again":  {Quarantined, unknown, quarantined, inVain, leftBy},
		"quarantined, sound by now":          {Quarantined, sound, seen{WhySoundByNow, 1, 0}, counts, leftBy},
	} {
		look := func(wanted seen, review func(dr teller, try told)) {
			s, try := keptBack(t, test.status, test.change)
			review(s.clinician("dr"), try)
			v := s.told()
			assert.Equal(t, wanted, seen{v.Idle[try.id], v.Quarantined, v.SetAside}, name)
			assert.Len(t, everyTry(v), map[bool]int{true: 1}[wanted == counts], name)
		}
		look(test.before, func(teller, told) {})
		look(test.taken, func(dr teller, try told) { dr.reviews(try, true) })
		if test.status == Accepted || test.status == Parked {
			continue // nothing was asked of a review
		}
		look(test.left, func(dr teller, try told) { dr.reviews(try, false) })
		look(test.left, func(dr teller, try told) { dr.reviews(try, true); dr.reviews(try, false) })
		look(test.left, func(dr teller, try told) { dr.reviews(try, false); dr.reviews(try, true) })
		look(test.before, func(dr teller, try told) { dr.reviews(try, false).retracted() })
		look(test.before, func(_ teller, try told) { try.by.asStatus(Accepted).reviews(try, true) })
	}
}

func TestAReviewThatIsItselfQuarantinedTakesNothing(t *testing.T) {
	t.Parallel()
	s, try := keptBack(t, SetAside, func(*Stamped) {})
	s.clinician("dr").asStatus(Quarantined).soundByNow().reviews(try, true)
	assert.Equal(t, WhySetAside, s.told().Idle[try.id])
}

func TestAReviewThatWasParkedIsTakenUpToo(t *testing.T) {
	t.Parallel()
	s, try := keptBack(t, SetAside, func(*Stamped) {})
	s.clinician("dr").asStatus(Parked).reviews(try, true)
	assert.Len(t, everyTry(s.told()), 1)
}

// TestAnAuthorMendsWhatWasKeptBack: what its author has written anew asks for no review any more, and a review that takes the
// first version all the same brings back nothing.
func TestAnAuthorMendsWhatWasKeptBack(t *testing.T) {
	t.Parallel()
	for _, status := range []Status{Quarantined, SetAside} {
		s, try := keptBack(t, status, func(*Stamped) {})
		mended := try.by.asStatus(Accepted).rates(try, Swallowed, 2, try)
		v := s.told()
		assert.Equal(t, []int{0, 0}, []int{v.Quarantined, v.SetAside})
		s.clinician("dr").reviews(try, true)
		v = s.told()
		assert.Equal(t, map[EntryID]Why{try.id: WhyReplaced}, v.Idle)
		assert.Equal(t, mended.id, leftTry(t, s).Readings[0].Entry)
	}
}

// TestATakenEditReplacesWhatItsWriterSaw, as if it had been accepted at once.
func TestATakenEditReplacesWhatItsWriterSaw(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	first := mum.session(evening("19:40")).try(Left, 1, Swallowed, 5)
	edit := mum.asStatus(Quarantined).soundByNow().rates(first, NotSwallowed, 1, first)
	assert.Equal(t, []rating{{Swallowed, 5}}, readingsOf(leftTry(t, s)))
	s.clinician("dr").reviews(edit, true)
	assert.Equal(t, []rating{{NotSwallowed, 1}}, readingsOf(leftTry(t, s)))
}

// TestAClinicianWritesAnewWhatWasQuarantined: nobody takes a clinician's own.
func TestAClinicianWritesAnewWhatWasQuarantined(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dr, nurse := s.caregiver("mum"), s.clinician("dr"), s.clinician("nurse")
	kept := dr.asStatus(Quarantined).soundByNow()
	sheet := kept.copies(mum, evening("19:40"))
	choice := kept.chooses(Left, evening("19:50"))
	review := kept.reviews(choice, true)
	v := s.told()
	assert.Equal(t, map[EntryID]Why{sheet.id: WhyQuarantined, choice.id: WhyQuarantined, review.id: WhyQuarantined}, v.Idle)
	assert.Equal(t, 3, v.Quarantined)
	for _, x := range []told{sheet, choice, review} {
		nurse.reviews(x, true)
	}
	nurse.tryIn(sheet, Left, 1, Swallowed, 4)
	v = s.told()
	assert.Equal(t, WhyTakenInVain, v.Idle[sheet.id])
	assert.Equal(t, WhyTakenInVain, v.Idle[choice.id])
	assert.Empty(t, everyTry(v), "the sheet has no witness that counts")
	assert.Empty(t, v.Choices)
	for _, x := range []told{sheet, choice, review} {
		nurse.reviews(x, false)
	}
	assert.Zero(t, s.told().Quarantined)
}

// TestAnIncidentIsLiftedByAClearAlone: a review, either way, lifts no hold.
func TestAnIncidentIsLiftedByAClearAlone(t *testing.T) {
	t.Parallel()
	for _, status := range []Status{Quarantined, SetAside} {
		for _, take := range []bool{true, false} {
			s := newStory(t)
			x := s.caregiver("mum").asStatus(status).incident("choking", evening("19:45"))
			dr := s.clinician("dr")
			dr.reviews(x, take)
			assert.Equal(t, []EntryID{x.id}, holding(s.told()))
			dr.clears(x)
			assert.Empty(t, s.told().Hold)
		}
	}
}

// TestWhoseKeptBackEntriesCount: the learner's own, and those of nobody who could be told.
func TestWhoseKeptBackEntriesCount(t *testing.T) {
	t.Parallel()
	for _, status := range []Status{Quarantined, SetAside} {
		s := newStory(t)
		mum := s.caregiver("mum").asStatus(status)
		mum.excuses("2027-03-03", "ill")
		mum.about(LearnerID{}).excuses("2027-03-04", "ill")
		mum.about(LearnerID{named("alex")}).excuses("2027-03-05", "ill")
		v := s.told()
		assert.Equal(t, 2, v.Quarantined+v.SetAside, status)
	}
}
