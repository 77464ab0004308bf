package practice

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// disputed is an evening on which two caregivers rated the first try to the left.
type disputed struct {
	*story
	mum, dad         teller
	evening          told // mum's
	mumSays, dadSays told
}

func dispute(t *testing.T, mum, dad rating) disputed {
	t.Helper()
	s := newStory(t)
	d := disputed{story: s, mum: s.caregiver("mum"), dad: s.caregiver("dad")}
	d.evening = d.mum.session(evening("19:40"))
	d.mumSays = d.evening.try(Left, 1, mum.Outcome, mum.Ease)
	d.dadSays = d.dad.session(evening("19:45")).try(Left, 1, dad.Outcome, dad.Ease)
	return d
}

func (d disputed) try(t *testing.T) TryView {
	t.Helper()
	return tryOf(t, d.told(), "2027-03-03", Left, 1)
}

func TestTheMostCautiousWholeReadingCounts(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		a, b  rating
		count rating
		agree Agreement
	}{
		"equal":                             {rating{Swallowed, 4}, rating{Swallowed, 4}, rating{Swallowed, 4}, Agreed},
		"one apart":                         {rating{Swallowed, 4}, rating{Swallowed, 5}, rating{Swallowed, 4}, Agreed},
		"two apart":                         {rating{Swallowed, 3}, rating{Swallowed, 5}, rating{Swallowed, 3}, Disagreed},
		"not swallowed before swallowed":    {rating{NotSwallowed, 5}, rating{Swallowed, 1}, rating{NotSwallowed, 5}, Disagreed},
		"not swallowed before refused":      {rating{NotSwallowed, 5}, rating{Refused, NoEase}, rating{NotSwallowed, 5}, Disagreed},
		"refused before swallowed":          {rating{Refused, NoEase}, rating{Swallowed, 1}, rating{Refused, NoEase}, Disagreed},
		"both refused":                      {rating{Refused, NoEase}, rating{Refused, NoEase}, rating{Refused, NoEase}, Agreed},
		"the lower ease of two not managed": {rating{NotSwallowed, 2}, rating{NotSwallowed, 1}, rating{NotSwallowed, 1}, Agreed},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, turned := range []bool{false, true} {
				if turned {
					c.a, c.b = c.b, c.a
				}
				try := dispute(t, c.a, c.b).try(t)
				assert.Equal(t, c.count, counted(try))
				assert.Equal(t, c.agree, try.Agreement)
				assert.ElementsMatch(t, []rating{c.a, c.b}, readingsOf(try))
				assert.Equal(t, c.count, readingsOf(try)[0], "the most cautious comes first")
			}
		})
	}
}

func TestOneReadingIsSingle(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.caregiver("mum").session(evening("19:40")).try(Left, 1, NotSwallowed, 2)
	try := tryOf(t, s.told(), "2027-03-03", Left, 1)
	assert.Equal(t, Single, try.Agreement)
	assert.Equal(t, rating{NotSwallowed, 2}, counted(try))
	assert.True(t, try.Counts())
}

// A mixture would take the larger sweet with the lower ease, which nobody claimed.
func TestMediumAndSizeComeFromTheReadingThatCounts(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	hers, his := mum.session(evening("19:40")), dad.session(evening("19:45"))
	mum.tryOn(Sweet, 9.5, hers, Left, 1, Swallowed, 5)
	dad.tryOn(Water, 0, his, Left, 1, Swallowed, 2)
	v := s.told()
	try := tryOf(t, v, "2027-03-03", Left, 1)
	assert.Equal(t, Water, try.Medium)
	assert.Zero(t, try.SizeMM)
	assert.Equal(t, rating{Swallowed, 2}, counted(try))
	assert.Equal(t, Attempted, look(t, v, "2027-03-03").State, "by the reading that counts, no sweet was tried")
}

func TestEqualRatingsGoByTheSmallerId(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		a := mum.tryOn(Sweet, 4, mum.session(evening("19:40")), Left, 1, Swallowed, 4)
		b := dad.tryOn(Sweet, 8, dad.session(evening("19:45")), Left, 1, Swallowed, 4)
		first, size := a, 4.0
		if compareIDs(b.id.UUID, a.id.UUID) < 0 {
			first, size = b, 8.0
		}
		try := tryOf(t, s.told(), "2027-03-03", Left, 1)
		assert.Equal(t, first.id, try.Readings[0].Entry)
		assert.InDelta(t, size, try.SizeMM, 0)
	})
}

func TestEveryReadingsSnagsAreKept(t *testing.T) {
	t.Parallel()
	d := dispute(t, rating{Swallowed, 2}, rating{Swallowed, 4})
	for i := range d.entries {
		switch body := d.entries[i].Body.(type) {
		case *Try:
			body.Snags = []Snag{SnagGag, SnagWater}
			if d.entries[i].Author == d.dad.author {
				body.Snags = []Snag{SnagWater, SnagPosture}
			}
		}
	}
	try := d.try(t)
	assert.Equal(t, []Snag{SnagPosture, SnagWater, SnagGag}, try.Snags())
	lowest, highest := try.EaseRange()
	assert.Equal(t, []Ease{2, 4}, []Ease{lowest, highest}, "the range is shown")
}

func TestTheRangeLeavesRefusalsOut(t *testing.T) {
	t.Parallel()
	try := dispute(t, rating{Refused, NoEase}, rating{Swallowed, 3}).try(t)
	lowest, highest := try.EaseRange()
	assert.Equal(t, []Ease{3, 3}, []Ease{lowest, highest})
	try = dispute(t, rating{Refused, NoEase}, rating{Refused, NoEase}).try(t)
	lowest, highest = try.EaseRange()
	assert.Equal(t, []Ease{NoEase, NoEase}, []Ease{lowest, highest})
}

func TestASettlementHoldsWhatItMay(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		mum, dad rating
		settled  rating
		holds    bool
	}{
		"the higher":                           {rating{Swallowed, 2}, rating{Swallowed, 5}, rating{Swallowed, 5}, true},
		"between":                              {rating{Swallowed, 2}, rating{Swallowed, 5}, rating{Swallowed, 3}, true},
		"below the range":                      {rating{Swallowed, 2}, rating{Swallowed, 5}, rating{Swallowed, 1}, false},
		"above the range":                      {rating{Swallowed, 1}, rating{Swallowed, 3}, rating{Swallowed, 4}, false},
		"an outcome of neither":                {rating{Swallowed, 2}, rating{Swallowed, 5}, rating{NotSwallowed, 2}, false},
		"the other outcome":                    {rating{NotSwallowed, 1}, rating{Swallowed, 4}, rating{Swallowed, 4}, true},
		"a refusal, as one said":               {rating{Refused, NoEase}, rating{Swallowed, 3}, rating{Refused, NoEase}, true},
		"a refusal with an ease":               {rating{Refused, NoEase}, rating{Swallowed, 3}, rating{Refused, 3}, false},
		"swallowed without an ease":            {rating{Swallowed, 2}, rating{Swallowed, 5}, rating{Swallowed, NoEase}, false},
		"swallowed, where the other refused":   {rating{Refused, NoEase}, rating{Swallowed, 3}, rating{Swallowed, 3}, true},
		"easier than the one who saw it says":  {rating{Refused, NoEase}, rating{Swallowed, 3}, rating{Swallowed, 5}, false},
		"they agree, and are settled in range": {rating{Swallowed, 3}, rating{Swallowed, 4}, rating{Swallowed, 4}, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := dispute(t, c.mum, c.dad)
			settle := d.dad.settles(c.settled.Outcome, c.settled.Ease, d.mumSays, d.dadSays)
			v := d.told()
			try := tryOf(t, v, "2027-03-03", Left, 1)
			if c.holds {
				assert.Equal(t, Settled, try.Agreement)
				assert.Equal(t, c.settled, counted(try))
				require.NotNil(t, try.Settled)
				assert.Equal(t, settle.id, try.Settled.Entry)
				assert.Equal(t, "we talked it over", try.Settled.Reason)
				assert.Empty(t, try.Past)
				assert.NotContains(t, v.Idle, settle.id)
				return
			}
			assert.Equal(t, Disagreed, try.Agreement)
			assert.Equal(t, readingsOf(try)[0], counted(try))
			assert.Nil(t, try.Settled)
			require.Len(t, try.Past, 1)
			assert.Equal(t, WhyStaleSettlement, v.Idle[settle.id])
		})
	}
}

func TestASettlementMustHaveJudgedExactlyTheHeads(t *testing.T) {
	t.Parallel()
	d := dispute(t, rating{Swallowed, 2}, rating{Swallowed, 5})
	d.mum.settles(Swallowed, 5, d.mumSays)
	other := d.evening.try(Right, 1, Swallowed, 5)
	d.mum.settles(Swallowed, 5, d.mumSays, d.dadSays, other)
	d.mum.settles(Swallowed, 5, d.mumSays, other)
	try := d.try(t)
	assert.Equal(t, Disagreed, try.Agreement)
	assert.Len(t, try.Past, 3)

	d.mum.settles(Swallowed, 5, d.dadSays, d.mumSays, d.dadSays)
	assert.Equal(t, Settled, d.try(t).Agreement, "each once, in any order")
}

func TestAnEditAfterASettlementReopensTheDisagreement(t *testing.T) {
	t.Parallel()
	d := dispute(t, rating{Swallowed, 2}, rating{Swallowed, 5})
	settle := d.dad.settles(Swallowed, 4, d.mumSays, d.dadSays)
	require.Equal(t, rating{Swallowed, 4}, counted(d.try(t)))

	edit := d.mumSays.rated(NotSwallowed, 1)
	v := d.told()
	try := tryOf(t, v, "2027-03-03", Left, 1)
	assert.Equal(t, Disagreed, try.Agreement)
	assert.Equal(t, rating{NotSwallowed, 1}, counted(try))
	require.Len(t, try.Past, 1, "the old settlement is shown beside it")
	assert.Equal(t, settle.id, try.Past[0].Entry)
	assert.Equal(t, Ease(4), try.Past[0].Ease)
	assert.Equal(t, WhyStaleSettlement, v.Idle[settle.id])

	d.mum.settles(Swallowed, 5, edit, d.dadSays)
	try = d.try(t)
	assert.Equal(t, Settled, try.Agreement)
	assert.Equal(t, rating{Swallowed, 5}, counted(try))
	assert.Len(t, try.Past, 1)
}

func TestAThirdReadingReopensTheDisagreement(t *testing.T) {
	t.Parallel()
	d := dispute(t, rating{Swallowed, 2}, rating{Swallowed, 5})
	d.dad.settles(Swallowed, 5, d.mumSays, d.dadSays)
	d.caregiver("gran").tryIn(d.evening, Left, 1, Swallowed, 4)
	try := d.try(t)
	assert.Equal(t, Disagreed, try.Agreement)
	assert.Equal(t, rating{Swallowed, 2}, counted(try))
}

func TestAWithdrawnSettlementHoldsNoLonger(t *testing.T) {
	t.Parallel()
	d := dispute(t, rating{Swallowed, 2}, rating{Swallowed, 5})
	d.dad.settles(Swallowed, 5, d.mumSays, d.dadSays).retracted()
	try := d.try(t)
	assert.Equal(t, Disagreed, try.Agreement)
	assert.Empty(t, try.Past)
}

func TestAClinicianSettlesBeforeACaregiver(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		a := mum.session(evening("19:40")).try(Left, 1, Swallowed, 2)
		b := dad.session(evening("19:45")).try(Left, 1, Swallowed, 5)
		mum.settles(Swallowed, 2, a, b)
		assert.Equal(t, rating{Swallowed, 2}, counted(tryOf(t, s.told(), "2027-03-03", Left, 1)))
		s.clinician("dr").settles(Swallowed, 5, a, b)
		assert.Equal(t, rating{Swallowed, 5}, counted(tryOf(t, s.told(), "2027-03-03", Left, 1)))
		s.clinician("nurse").settles(Swallowed, 3, a, b)
		assert.Equal(t, rating{Swallowed, 3}, counted(tryOf(t, s.told(), "2027-03-03", Left, 1)), "of two clinicians' the more cautious")
	})
}

func TestOfSeveralSettlementsTheMostCautiousCounts(t *testing.T) {
	t.Parallel()
	whateverTheIDs(t, func(t *testing.T, s *story) {
		mum, dad := s.caregiver("mum"), s.caregiver("dad")
		a := mum.session(evening("19:40")).try(Left, 1, NotSwallowed, 4)
		b := dad.session(evening("19:45")).try(Left, 1, Swallowed, 1)
		mum.settles(Swallowed, 1, a, b)
		dad.settles(NotSwallowed, 4, a, b)
		dad.settles(NotSwallowed, 3, a, b)
		assert.Equal(t, rating{NotSwallowed, 3}, counted(tryOf(t, s.told(), "2027-03-03", Left, 1)))
	})
}

func TestASettledTryKeepsTheSweetOfAReadingWithItsOutcome(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	a := mum.tryOn(Sweet, 4, mum.session(evening("19:40")), Left, 1, NotSwallowed, 1)
	b := dad.tryOn(Sweet, 8, dad.session(evening("19:45")), Left, 1, Swallowed, 4)
	dad.settles(Swallowed, 4, a, b)
	v := s.told()
	assert.InDelta(t, 8, tryOf(t, v, "2027-03-03", Left, 1).SizeMM, 0)
	assert.Equal(t, []Score{{Left, Swallowed, 4, 8}}, look(t, v, "2027-03-03").Scores)
}

func TestTriesOfDifferentNumbersPositionsOrSittingsAreNotOneTry(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	hers, his := mum.session(evening("19:40")), dad.session(evening("19:45"))
	hers.try(Left, 1, Swallowed, 1)
	his.try(Left, 2, Swallowed, 5)
	his.try(Right, 1, Swallowed, 5)
	dad.session(evening("22:00")).try(Left, 1, Swallowed, 5)
	tries := everyTry(s.told())
	require.Len(t, tries, 4)
	assert.False(t, slices.ContainsFunc(tries, func(t TryView) bool { return t.Agreement != Single }))
	assert.Equal(t, []Position{Right, Left, Left, Left}, []Position{
		tries[0].Position, tries[1].Position, tries[2].Position, tries[3].Position,
	}, "in the order in which an evening goes through them")
}

func TestNoTwoReadingsAreEquallyCautious(t *testing.T) {
	t.Parallel()
	var all []Reading
	for _, outcome := range Outcomes() {
		for ease := NoEase; ease <= VeryEasy; ease++ {
			for i := range 4 {
				all = append(all, Reading{Outcome: outcome, Ease: ease, Entry: EntryID{drawnID(5, i/2)}, By: drawnAuthor(i % 2)})
			}
		}
	}
	for i, a := range all {
		for j, b := range all {
			assert.Equal(t, i == j, compareCaution(a, b) == 0)
			assert.Equal(t, compareCaution(a, b), -compareCaution(b, a), "either way round")
		}
	}
}
