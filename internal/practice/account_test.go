package practice

import (
	"slices"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// alone tells of one try to the left on 3 March, and returns what it came to.
func leftTry(t *testing.T, s *story) TryView {
	t.Helper()
	return tryOf(t, s.told(), "2027-03-03", Left, 1)
}

func TestAnEditReplacesWhatItsWriterSaw(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		first := s.caregiver("mum").session(evening("19:40")).try(Left, 1, Swallowed, 4)
		second := first.rated(Swallowed, 5)
		third := second.rated(NotSwallowed, 1)
		assert.Equal(t, []rating{{NotSwallowed, 1}}, readingsOf(leftTry(t, s)))
		idle := s.told().Idle
		assert.Equal(t, map[EntryID]Why{first.id: WhyReplaced, second.id: WhyReplaced}, idle)
		third.rated(Swallowed, 5)
		assert.Equal(t, []rating{{Swallowed, 5}}, readingsOf(leftTry(t, s)), "the last word, not the most cautious")
	})
}

func TestAnEditStandsWithoutItsOriginal(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	original := s.caregiver("mum").session(evening("19:40")).try(Left, 1, Swallowed, 4)
	original.rated(Swallowed, 2)
	whole := s.entries
	s.entries = slices.Delete(slices.Clone(whole), 1, 2)
	assert.Equal(t, []rating{{Swallowed, 2}}, readingsOf(leftTry(t, s)), "the original has not come")
	s.entries = whole
	assert.Equal(t, []rating{{Swallowed, 2}}, readingsOf(leftTry(t, s)))
}

func TestATryWithoutItsSessionIsInNoSitting(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	try := s.caregiver("mum").session(evening("19:40")).try(Left, 1, Swallowed, 4)
	whole := s.entries
	s.entries = whole[1:]
	v := s.told()
	assert.Empty(t, practisedNights(v))
	assert.Equal(t, map[EntryID]Why{try.id: WhyNoSession}, v.Idle)
	s.entries = whole
	v = s.told()
	assert.Equal(t, Partial, look(t, v, "2027-03-03").State)
	assert.Empty(t, v.Idle)
}

func TestNobodyReplacesAnothersEntry(t *testing.T) {
	t.Parallel()
	d := dispute(t, rating{Swallowed, 4}, rating{Swallowed, 5})
	d.dad.rates(d.mumSays, NotSwallowed, 1, d.mumSays)
	try := d.try(t)
	assert.Equal(t, []rating{{NotSwallowed, 1}, {Swallowed, 4}, {Swallowed, 5}}, readingsOf(try), "it is his own account, and hers stands")

	retract := d.dad.retracts(d.evening, d.evening)
	v := d.told()
	assert.Len(t, everyTry(v)[0].Readings, 3)
	assert.Equal(t, WhyNothingToRetract, v.Idle[retract.id])
}

func TestAnEntryReplacesNoOtherSubjectsEntry(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	evening := s.caregiver("mum").session(evening("19:40"))
	left, right := evening.try(Left, 1, Swallowed, 4), evening.try(Right, 1, Swallowed, 4)
	left.by.rates(left, Swallowed, 2, left, right, evening)
	v := s.told()
	assert.Equal(t, []rating{{Swallowed, 4}}, readingsOf(tryOf(t, v, "2027-03-03", Right, 1)))
	assert.Len(t, onlySitting(t, v, "2027-03-03").Sessions, 1)
}

func TestSeveralHeadsStandUntilAnEntryReplacesThemAll(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		first := s.caregiver("mum").session(evening("19:40")).try(Left, 1, Swallowed, 4)
		phone, tablet := first.rated(Swallowed, 5), first.rated(NotSwallowed, 2)
		try := leftTry(t, s)
		assert.Equal(t, []rating{{NotSwallowed, 2}, {Swallowed, 5}}, readingsOf(try))
		assert.Equal(t, Disagreed, try.Agreement)
		assert.True(t, look(t, s.told(), "2027-03-03").Has(MarkSeveralHeads))

		half := first.by.rates(first, Swallowed, 3, phone)
		assert.Equal(t, []rating{{NotSwallowed, 2}, {Swallowed, 3}}, readingsOf(leftTry(t, s)))
		first.by.rates(first, Swallowed, 4, half, tablet)
		assert.Equal(t, []rating{{Swallowed, 4}}, readingsOf(leftTry(t, s)))
		assert.False(t, look(t, s.told(), "2027-03-03").Has(MarkSeveralHeads))
	})
}

func TestARetractionWithdrawsATry(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	evening := s.caregiver("mum").session(evening("19:40"))
	try := evening.try(Left, 1, Swallowed, 4)
	gone := try.retracted()
	v := s.told()
	assert.Empty(t, everyTry(v))
	assert.Equal(t, Attempted, look(t, v, "2027-03-03").State, "they did sit down")
	assert.Equal(t, map[EntryID]Why{try.id: WhyWithdrawn}, v.Idle)

	body := *try.body.(*Try)
	evening.by.entry(&body, try.subject, try.written, gone)
	v = s.told()
	assert.Len(t, everyTry(v), 1, "after all")
	assert.Equal(t, WhyReplaced, v.Idle[try.id])
}

func TestARetractionBesideAnUnseenEditLeavesTheEditMarked(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		first := s.caregiver("mum").session(evening("19:40")).try(Left, 1, Swallowed, 4)
		edit, retract := first.rated(Swallowed, 3), first.retracted()
		v := s.told()
		assert.Equal(t, []rating{{Swallowed, 3}}, readingsOf(leftTry(t, s)))
		assert.Equal(t, []Mark{MarkRetractionUnseen}, look(t, v, "2027-03-03").Marks)
		assert.Equal(t, map[EntryID]Why{first.id: WhyReplaced, retract.id: WhyUnseenEdit}, v.Idle)

		first.by.retracts(first, edit, retract)
		assert.Empty(t, everyTry(s.told()), "now she has seen both")
	})
}

// TestARetractionThatSpeaksForTwoSaysWhatItLeaves: of one witness an edit stands that it may not withdraw, of the other there is nothing.
func TestARetractionThatSpeaksForTwoSaysWhatItLeaves(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad, clinician := s.caregiver("mum"), s.caregiver("dad"), s.clinician("wagtail")
		copied := clinician.tryIn(clinician.copies(mum, evening("19:40")), Left, 1, Swallowed, 4)
		own := mum.rates(copied, NotSwallowed, 3)
		elsewhere := *copied.body.(*Try)
		elsewhere.Session = clinician.copies(dad, evening("20:10")).subject
		moved := clinician.asStatus(SetAside).entry(&elsewhere, copied.subject, copied.written, own)
		retract := clinician.retracts(copied, copied, own, moved)
		v := s.told()
		assert.Equal(t, []rating{{NotSwallowed, 3}}, readingsOf(leftTry(t, s)))
		assert.Equal(t, WhyUnseenEdit, v.Idle[retract.id])
	})
}

func TestOfASessionWithSeveralHeadsTheEarliestStartHolds(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		first := s.caregiver("mum").session("2027-03-05T19:40:00-04:00")
		first.try(Left, 1, Swallowed, 4)
		first.movedTo("2027-03-04T19:40:00-04:00")
		first.movedTo("2027-03-03T19:40:00-04:00")
		v := s.told()
		assert.Equal(t, []string{"2027-03-03"}, practisedNights(v))
		assert.Contains(t, onlySitting(t, v, "2027-03-03").Marks, MarkSeveralHeads)
		assert.Len(t, onlySitting(t, v, "2027-03-03").Sessions, 1)
	})
}

func TestASessionMovedToAnotherEveningTakesItsTriesAlong(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	first := s.caregiver("mum").session("2027-03-05T19:40:00-04:00")
	first.try(Left, 1, Swallowed, 4)
	first.movedTo("2027-03-04T19:40:00-04:00")
	v := s.told()
	assert.Equal(t, []string{"2027-03-04"}, practisedNights(v))
	assert.Equal(t, Partial, look(t, v, "2027-03-04").State)
}

func TestAWithdrawnSessionTakesItsAuthorsTriesAndNobodyElses(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	hers := mum.session(evening("19:40"))
	left := hers.try(Left, 1, Swallowed, 4)
	dad.tryIn(hers, Left, 1, Swallowed, 3)
	dad.tryIn(hers, Right, 1, Swallowed, 3)
	before := onlySitting(t, s.told(), "2027-03-03")
	hers.retracted()
	v := s.told()
	sitting := onlySitting(t, v, "2027-03-03")
	assert.Equal(t, before.Start, sitting.Start, "his evening was when it was")
	assert.Empty(t, sitting.Sessions)
	assert.Equal(t, []Author{dad.author}, sitting.Authors)
	assert.Equal(t, []rating{{Swallowed, 3}}, readingsOf(tryOf(t, v, "2027-03-03", Left, 1)))
	assert.Len(t, sitting.Tries, 2)
	assert.Equal(t, map[EntryID]Why{left.id: WhySessionWithdrawn, hers.id: WhyWithdrawn}, v.Idle)
}

func TestAWithdrawnSessionWithoutOthersTriesLeavesNothing(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	hers := mum.session(evening("19:40"))
	hers.try(Left, 1, Swallowed, 4)
	hers.retracted()
	v := s.told()
	assert.Empty(t, practisedNights(v))
	assert.Equal(t, Unheard, look(t, v, "2027-03-03").State)
}

func TestWhatAWithdrawnSessionLastSaidDatesTheTriesOfOthers(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		first := mum.session("2027-03-02T19:40:00-04:00")
		dad.tryIn(first, Left, 1, Swallowed, 4)
		gone := first.retracted()
		again := *first.body.(*Session)
		again.Practised = moment(t, evening("19:40"))
		second := mum.entry(&again, first.subject, first.written, gone)
		require.Equal(t, []string{"2027-03-03"}, practisedNights(s.told()))
		second.retracted()
		assert.Equal(t, []string{"2027-03-03"}, practisedNights(s.told()))
	})
}

// A broken client's entries of another kind on the session's subject come between, and an edit of theirs stands.
func TestWhatReplacesAWithdrawalInPassingHidesNoTryOfOthers(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		hers := mum.session(evening("19:40"))
		dad.tryIn(hers, Left, 1, Swallowed, 4)
		gone := hers.retracted()
		body := &Try{Session: hers.subject, Position: Right, Number: 1, Medium: Sweet, Outcome: Swallowed, Ease: 3}
		stray := mum.entry(body, hers.subject, hers.written, gone)
		require.Len(t, everyTry(s.told()), 1)
		mum.entry(body, hers.subject, hers.written, stray)
		assert.Equal(t, []rating{{Swallowed, 4}}, readingsOf(leftTry(t, s)))
	})
}

func TestARingOfReplacementsReplacesNothing(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum := s.caregiver("mum")
		first := mum.session(evening("19:40")).try(Left, 1, Swallowed, 4)
		second := first.rated(Swallowed, 3)
		third := second.rated(Swallowed, 2)
		s.replace(first, third)
		assert.Equal(t, []rating{{Swallowed, 2}, {Swallowed, 3}, {Swallowed, 4}}, readingsOf(leftTry(t, s)))

		mum.rates(first, Swallowed, 5, second)
		assert.Len(t, leftTry(t, s).Readings, 1, "a last word outside the ring replaces it, link by link")

		s.replace(first, first)
		assert.Len(t, leftTry(t, s).Readings, 1, "to replace oneself is to replace nothing")
	})
}

// replace makes an entry name another among those it replaces.
func (s *story) replace(by, what told) {
	s.t.Helper()
	i := slices.IndexFunc(s.entries, func(e Stamped) bool { return e.ID == by.id })
	require.GreaterOrEqual(s.t, i, 0)
	s.entries[i].Replaces = append(s.entries[i].Replaces, what.id)
}

func TestAnEntryReplacingItselfStands(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	try := s.caregiver("mum").session(evening("19:40")).try(Left, 1, Swallowed, 4)
	s.replace(try, try)
	s.entries[1].Replaces = append(s.entries[1].Replaces, EntryID{}, EntryID{uuid.Max})
	assert.Equal(t, []rating{{Swallowed, 4}}, readingsOf(leftTry(t, s)))
}

func TestAnExcuseHoldsWhileAnyOfItsHeadsHolds(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	excuse := mum.excuses("2027-03-03", "ill")
	moved := mum.entry(&Excuse{Night: nightOn(t, "2027-03-04"), Reason: "ill"}, excuse.subject, excuse.written, excuse)
	mum.retracts(excuse, excuse)
	v := s.told()
	assert.Equal(t, Unheard, look(t, v, "2027-03-03").State)
	assert.Equal(t, Excused, look(t, v, "2027-03-04").State, "the retraction had not seen the edit")
	mum.retracts(excuse, moved)
	assert.Equal(t, Unheard, look(t, s.told(), "2027-03-04").State)
}

func TestAnotherCaregiversExcuseStands(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	excuse := mum.excuses("2027-03-03", "ill")
	dad.excuses("2027-03-03", "ill")
	excuse.retracted()
	dad.retracts(excuse, excuse)
	assert.Equal(t, Excused, look(t, s.told(), "2027-03-03").State)
}

func TestEntriesOfAnotherLearnerAreLeftOut(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	alex := LearnerID{named("alex")}
	hers := mum.about(alex).session(evening("19:40"))
	strayed := mum.tryIn(hers, Left, 1, Swallowed, 4)
	v := s.told()
	assert.Empty(t, practisedNights(v))
	assert.Equal(t, map[EntryID]Why{strayed.id: WhyOtherLearner}, v.Idle)
}

func TestWhatTheDoorKeptBackHasNoEffect(t *testing.T) {
	t.Parallel()
	for status, why := range map[Status]Why{Quarantined: WhyQuarantined, SetAside: WhySetAside} {
		s := newStory(t)
		mum := s.caregiver("mum")
		left := mum.session(evening("19:40")).try(Left, 1, Swallowed, 4)
		edit := mum.asStatus(status).rates(left, NotSwallowed, 1, left)
		v := s.told()
		assert.Equal(t, []rating{{Swallowed, 4}}, readingsOf(leftTry(t, s)), "and replaces nothing")
		assert.Equal(t, map[EntryID]Why{edit.id: why}, v.Idle)
	}
	s := newStory(t)
	parked := s.caregiver("mum").asStatus(Parked).entry(nil, SubjectID{}, moment(t, evening("19:40")))
	assert.Equal(t, map[EntryID]Why{parked.id: WhyParked}, s.told().Idle)
}

func TestAReviewTakesWhatWasSetAside(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dr, nurse := s.caregiver("mum"), s.clinician("dr"), s.clinician("nurse")
		session := mum.asStatus(SetAside).session(evening("19:40"))
		try := mum.asStatus(SetAside).tryIn(session, Left, 1, Swallowed, 4)
		mum.reviews(try, true)
		assert.Empty(t, practisedNights(s.told()), "a caregiver's word takes nothing")
		dr.reviews(session, true)
		review := dr.reviews(try, true)
		assert.Len(t, leftTry(t, s).Readings, 1)
		left := nurse.reviews(try, false)
		assert.Empty(t, everyTry(s.told()), "one that leaves it prevails")
		left.retracted()
		assert.Len(t, leftTry(t, s).Readings, 1)
		review.retracted()
		assert.Empty(t, everyTry(s.told()))
	})
}

func TestOnlyAReviewOfItsSubjectReplacesAReview(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dr := s.caregiver("mum"), s.clinician("dr")
	session := mum.session(evening("19:40"))
	left := mum.asStatus(SetAside).tryIn(session, Left, 1, Swallowed, 4)
	right := mum.asStatus(SetAside).tryIn(session, Right, 1, Swallowed, 4)
	first := dr.reviews(left, true)
	s.replace(dr.reviews(right, true), first)
	dr.entry(&Excuse{Night: nightOn(t, "2027-03-04"), Reason: "ill"}, first.subject, first.written, first)
	v := s.told()
	assert.Len(t, everyTry(v), 2)
	assert.Empty(t, v.Idle)
}

func TestAnEntryReplacesOnlyItsOwnKind(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	session := mum.session(evening("19:40"))
	mum.entry(&Excuse{Night: nightOn(t, "2027-03-04"), Reason: "ill"}, session.subject, session.written, session)
	v := s.told()
	assert.Equal(t, Attempted, look(t, v, "2027-03-03").State, "an excuse is no word on a session")
	assert.Equal(t, Excused, look(t, v, "2027-03-04").State)
	assert.Empty(t, v.Idle)
}

func TestAnExcuseSaidTwiceIsShownOnce(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	mum.excuses("2027-03-03", "ill")
	mum.excuses("2027-03-03", "ill")
	assert.Equal(t, []NightExcuse{{"ill", mum.author}}, look(t, s.told(), "2027-03-03").Excuses)
}
