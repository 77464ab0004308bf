package practice

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// sheet is an evening that mum wrote on paper and a clinician copied.
func sheet(s *story) (dr, mum teller, session, left told) {
	s.t.Helper()
	dr, mum = s.clinician("dr"), s.caregiver("mum")
	session = dr.copies(mum, evening("19:40"))
	return dr, mum, session, session.try(Left, 1, Swallowed, 4)
}

func TestACopiedSheetIsTheWitnesssAccount(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	_, mum, _, _ := sheet(s)
	v := s.told()
	sitting := onlySitting(t, v, "2027-03-03")
	assert.Equal(t, []Author{mum.author}, sitting.Authors)
	assert.Equal(t, []Mark{MarkCopied}, sitting.Marks)
	reading := tryOf(t, v, "2027-03-03", Left, 1).Readings[0]
	assert.Equal(t, mum.author, reading.By)
	assert.True(t, reading.Copied)
	assert.Equal(t, Partial, look(t, v, "2027-03-03").State)
	assert.Empty(t, v.Idle)
}

func TestTheWitnessEditsACopiedSheet(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	_, mum, session, left := sheet(s)
	mum.rates(left, NotSwallowed, 1, left)
	assert.Equal(t, []rating{{NotSwallowed, 1}}, readingsOf(leftTry(t, s)))
	assert.False(t, leftTry(t, s).Readings[0].Copied, "these are her own words")
	mum.retracts(session, session)
	assert.Empty(t, practisedNights(s.told()))
}

func TestACopyReplacesNothingThatTheWitnessWroteThemselves(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	dr, mum := s.clinician("dr"), s.caregiver("mum")
	session := mum.session(evening("19:40"))
	left := session.try(Left, 1, NotSwallowed, 1)
	copiedAgain := *session.body.(*Session)
	copiedAgain.Witness = mum.author.ID
	copied := dr.entry(&copiedAgain, session.subject, session.written, session)
	edit := dr.rates(left, Swallowed, 5, left)
	dr.retracts(left, left, edit)
	v := s.told()
	assert.Equal(t, []rating{{NotSwallowed, 1}}, readingsOf(leftTry(t, s)))
	assert.True(t, look(t, v, "2027-03-03").Has(MarkSeveralHeads))

	mum.rates(left, NotSwallowed, 2, left, edit)
	mum.retracts(session, copied)
	assert.Equal(t, []rating{{NotSwallowed, 2}}, readingsOf(leftTry(t, s)))
}

func TestAnotherCaregiverDoesNotEditACopiedSheet(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	_, _, session, left := sheet(s)
	dad := s.caregiver("dad")
	dad.rates(left, NotSwallowed, 1, left)
	dad.retracts(session, session)
	assert.Equal(t, []rating{{NotSwallowed, 1}, {Swallowed, 4}}, readingsOf(leftTry(t, s)))
}

func TestAClinicianRetractsAndCorrectsACopy(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	_, mum, session, left := sheet(s)
	left.rated(Swallowed, 2)
	try := leftTry(t, s)
	assert.Equal(t, []rating{{Swallowed, 2}}, readingsOf(try))
	assert.Equal(t, mum.author, try.Readings[0].By)
	session.retracted()
	v := s.told()
	assert.Empty(t, practisedNights(v))
	assert.Equal(t, WhyWithdrawn, v.Idle[session.id])
}

func TestACopyThatNamesTheWrongWitnessIsTakenBackForBoth(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	dr, _, session, left := sheet(s)
	dad := s.caregiver("dad")
	again := *session.body.(*Session)
	again.Witness = dad.author.ID
	session.retracted()
	corrected := dr.entry(&again, session.subject, session.written)
	v := s.told()
	sitting := onlySitting(t, v, "2027-03-03")
	assert.Equal(t, []Author{dad.author}, sitting.Authors)
	assert.Len(t, tryOf(t, v, "2027-03-03", Left, 1).Readings, 1)
	assert.NotContains(t, v.Idle, left.id, "it counts, as his")
	assert.NotContains(t, v.Idle, corrected.id)
}

func TestACopyJoinsWhatAnotherCaregiverRecorded(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	_, mum, _, _ := sheet(s)
	s.caregiver("dad").session(evening("19:50")).try(Left, 1, Swallowed, 2)
	assert.Len(t, leftTry(t, s).Readings, 2)
	mum.session(evening("19:45")).try(Left, 1, Swallowed, 4)
	assert.Len(t, sittingsOn(t, s.told(), "2027-03-03"), 2, "her phone has it too: twice, until somebody links them")
	assert.True(t, look(t, s.told(), "2027-03-03").Has(MarkTwice))
}

func TestACliniciansTryNeedsACopiedSession(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	dr, mum := s.clinician("dr"), s.caregiver("mum")
	try := dr.tryIn(mum.session(evening("19:40")), Left, 1, Swallowed, 4)
	v := s.told()
	assert.Empty(t, everyTry(v))
	assert.Equal(t, map[EntryID]Why{try.id: WhyNotCopied}, v.Idle)
}

func TestACopiedTryMayComeBeforeItsSession(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	sheet(s)
	whole := s.entries
	s.entries = whole[1:]
	assert.Equal(t, map[EntryID]Why{whole[1].ID: WhyNotCopied}, s.told().Idle)
	s.entries = []Stamped{whole[1], whole[0]}
	assert.Len(t, everyTry(s.told()), 1)
}

func TestACliniciansRetractionSpeaksForNoOtherClinician(t *testing.T) {
	t.Parallel()
	d := dispute(t, rating{Swallowed, 2}, rating{Swallowed, 5})
	dr, nurse := d.clinician("dr"), d.clinician("nurse")
	settle := dr.settles(Swallowed, 5, d.mumSays, d.dadSays)
	retract := nurse.retracts(settle, settle)
	v := d.told()
	assert.Equal(t, Settled, tryOf(t, v, "2027-03-03", Left, 1).Agreement)
	assert.Equal(t, WhyNothingToRetract, v.Idle[retract.id])

	settle.retracted()
	assert.Equal(t, Disagreed, d.try(t).Agreement)
}

func TestACliniciansRetractionSpeaksForTheWitnessOfItsSubjectAlone(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	dr, _, _, left := sheet(s)
	excuse := dr.excuses("2027-03-04", "ill")
	retract := dr.retracts(excuse, excuse, left)
	v := s.told()
	assert.Equal(t, Unheard, look(t, v, "2027-03-04").State, "the excuse is the clinician's own, and withdrawn")
	assert.Len(t, everyTry(v), 1, "the sheet is about something else")
	assert.NotContains(t, v.Idle, retract.id)
}

func TestACliniciansRetractionSpeaksForNoCaregiver(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	left := s.caregiver("mum").session(evening("19:40")).try(Left, 1, Swallowed, 4)
	retract := s.clinician("dr").retracts(left, left)
	assert.Len(t, everyTry(s.told()), 1)
	assert.Equal(t, WhyNothingToRetract, s.told().Idle[retract.id])
}

func TestAnyClinicianRetractsACopy(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	_, _, _, left := sheet(s)
	require.Len(t, everyTry(s.told()), 1)
	s.clinician("nurse").retracts(left, left)
	assert.Empty(t, everyTry(s.told()))
}

func TestARetractionThatWithdrawsForOneOfTwoWitnessesHasAnEffect(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		dr, mum, dad := s.clinician("dr"), s.caregiver("mum"), s.caregiver("dad")
		hers := dr.copies(mum, evening("19:40"))
		again := *hers.body.(*Session)
		again.Witness = dad.author.ID
		his := dr.asStatus(SetAside).entry(&again, hers.subject, hers.written)
		retract := dr.retracts(hers, hers, his)
		v := s.told()
		assert.Empty(t, practisedNights(v))
		assert.NotContains(t, v.Idle, retract.id)
	})
}

func TestACopyThatSpeaksForTwoWitnessesIsOneHeadToASettlement(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		dr, _, session, left := sheet(s)
		again := *session.body.(*Session)
		again.Witness = s.caregiver("dad").author.ID
		dr.entry(&again, session.subject, session.written)
		require.Len(t, leftTry(t, s).Readings, 2)
		dr.settles(Swallowed, 4, left, session)
		try := leftTry(t, s)
		assert.Equal(t, Agreed, try.Agreement, "the session is no head of the try")
		assert.Len(t, try.Past, 1)
		dr.settles(Swallowed, 4, left)
		assert.Equal(t, Settled, leftTry(t, s).Agreement)
	})
}

func TestACopyCorrectedByItsClinicianIsStillOneReading(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	_, _, session, _ := sheet(s)
	session.movedTo("2027-03-04T19:40:00-04:00")
	v := s.told()
	assert.Equal(t, []string{"2027-03-04"}, practisedNights(v))
	assert.Len(t, tryOf(t, v, "2027-03-04", Left, 1).Readings, 1)
}
