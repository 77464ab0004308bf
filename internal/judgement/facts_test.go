package judgement_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// facts returns those of the programme at noon of a day of March, with a capsule as the medicine.
func (s *story) facts(day int) judgement.Facts {
	s.t.Helper()
	c, w := s.caseFor(day, &judgement.Medicine{CapsuleSize: "1"})
	facts, began := judgement.FactsOf(c, &w)
	assert.True(s.t, began)
	return facts
}

func waited(nights int, happened bool) judgement.Waited {
	return judgement.Waited{Nights: nights, Happened: happened}
}

// TestFactsOfALearnerWhoGetsThere follows one through the programme, and through a relapse at its end.
func TestFactsOfALearnerWhoGetsThere(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.write(doctor, s.evening(1).AddDate(0, 0, -1), &practice.Choose{Position: practice.Left})
	assert.Equal(t, judgement.Facts{}, s.facts(1), "the first night is open")
	for day := 1; day <= 14; day++ {
		switch {
		case day <= 2:
			s.practise(mama, day, failed(practice.Left), failed(practice.Centre))
		case day <= 12:
			s.usual(day)
		default:
			s.practise(mama, day, failed(practice.Left), sized(practice.Centre, 4))
		}
	}
	assert.Equal(t, judgement.Facts{Practised: 2, Swallowed: waited(2, false), Ready: waited(2, false)}, s.facts(3))
	assert.Equal(t, judgement.Facts{Practised: 4, Leader: practice.Left, Swallowed: waited(3, true), Ready: waited(4, false)}, s.facts(5))
	assert.Equal(t, judgement.Facts{
		Practised: 12, Completed: true, Leader: practice.Left, Swallowed: waited(3, true), Ready: waited(12, false),
	}, s.facts(13), "eight of the ten tries that the first look took in")

	s = newStory(t)
	s.write(doctor, s.evening(1).AddDate(0, 0, -1), &practice.Choose{Position: practice.Left})
	for day := 1; day <= 14; day++ {
		if day == 13 {
			s.practise(mama, day, failed(practice.Left), failed(practice.Centre))
			continue
		}
		s.usual(day)
	}
	assert.Equal(t, waited(11, false), s.facts(12).Ready, "too few nights")
	assert.Equal(t, waited(12, true), s.facts(13).Ready)
	after := s.facts(15)
	assert.Equal(t, waited(12, true), after.Ready, "when it was met for the first time")
	assert.True(t, after.Over)
	assert.False(t, s.facts(14).Over, "the last night has not closed")
}

// TestFactsOfAFamilyThatStops: it is followed up to the last night of which anything was recorded.
func TestFactsOfAFamilyThatStops(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.practise(mama, 2, failed(practice.Left))
	s.practise(mama, 4, practice.Try{Position: practice.Left, Outcome: practice.Refused})
	assert.Equal(t, judgement.Facts{Practised: 1, Swallowed: waited(4, false), Ready: waited(4, false)}, s.facts(10))
	assert.True(t, s.facts(20).Over)

	never := newStory(t)
	assert.Equal(t, judgement.Facts{Over: true}, never.facts(20))
	never.enrolments[0].Ended, never.enrolments[0].EndedOn = true, march(3)
	assert.True(t, never.facts(3).Over, "it has been ended")
}

// TestWhatComesLaterDoesNotUndoReadiness: who was ready on the twelfth night was so, whatever is said afterwards.
func TestWhatComesLaterDoesNotUndoReadiness(t *testing.T) {
	t.Parallel()
	ready := func(later func(s *story)) judgement.Waited {
		s := newStory(t)
		for day := 1; day <= 14; day++ {
			s.usual(day)
		}
		later(s)
		return s.facts(20).Ready
	}
	assert.Equal(t, waited(14, true), ready(func(*story) {}), "the first nights chose, ten tries after the fourth")
	assert.Equal(t, waited(14, true), ready(func(s *story) { s.write(mama, s.evening(18), &practice.Incident{What: "pain"}) }))
	choose := func(day int, position practice.Position) func(s *story) {
		return func(s *story) { s.write(doctor, s.evening(day), &practice.Choose{Position: position}) }
	}
	assert.Equal(t, waited(14, true), ready(choose(18, practice.Down)), "a choice for what follows")
	assert.Equal(t, waited(14, false), ready(choose(6, practice.Left)), "a choice on the sixth evening, and eight tries since")
	assert.Equal(t, waited(12, true), ready(func(s *story) {
		choose(-1, practice.Left)(s)
		choose(13, practice.Down)(s)
	}), "the choice that stood then")
}

// TestExcusesNeitherBeginNorProlong a programme.
func TestExcusesNeitherBeginNorProlong(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.write(mama, s.evening(-5), &practice.Excuse{Night: march(1), Reason: "ill"})
	c, w := s.caseFor(-3, nil)
	_, began := judgement.FactsOf(c, &w)
	assert.False(t, began, "the first night has not come")
	s.write(mama, s.evening(3), &practice.Excuse{Night: march(300), Reason: "travel"})
	assert.False(t, s.facts(14).Over)
	assert.True(t, s.facts(15).Over, "though a night far ahead is excused")
}

func TestThereAreNoFactsOfWhatHasNotBegun(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	c, w := s.caseFor(-1, nil)
	_, began := judgement.FactsOf(c, &w)
	assert.False(t, began)
	_, began = judgement.FactsOf(judgement.Case{View: c.View}, &w)
	assert.False(t, began)
}

// fortnight writes fourteen evenings of two caregivers in five positions, invented: the centre first, then the left.
func (s *story) fortnight() {
	eases := [2][5]practice.Ease{{4, 3, 2, 1, 2}, {2, 3, 5, 1, 2}}
	for day := 1; day <= 14; day++ {
		for i, by := range []practice.Author{mama, papa} {
			var tries []practice.Try
			for k, position := range practice.Positions() {
				ease := eases[day/8][k] + practice.Ease((day+i+k)%2)
				tries = append(tries, sized(position, min(ease, 5)))
			}
			s.practise(by, day, tries...)
		}
	}
}

// evenings writes so many evenings of the caregivers given, with a snag now and then.
func (s *story) evenings(days int, caregivers ...practice.Author) {
	for day := 1; day <= days; day++ {
		for i, by := range caregivers {
			var tries []practice.Try
			for k, position := range practice.Positions() {
				try := swallowed(position, practice.Ease(1+(day+i+k)%5))
				if (day+k)%4 == 0 {
					try.Snags = []practice.Snag{practice.SnagWater, practice.SnagTaste}
				}
				tries = append(tries, try)
			}
			s.practise(by, day, tries...)
		}
	}
}

// BenchmarkJudge is what an upload judges: eight evenings of a household, the last of them just handed in.
func BenchmarkJudge(b *testing.B) {
	for name, caregivers := range map[string][]practice.Author{"one": {mama}, "two": {mama, papa}} {
		b.Run(name, func(b *testing.B) {
			s := newStory(b)
			s.evenings(8, caregivers...)
			v := s.view(s.evening(8).Add(time.Hour))
			born := time.Date(2020, time.May, 1, 0, 0, 0, 0, time.UTC)
			b.ReportAllocs()
			for b.Loop() {
				j := judgement.Judge(&v, v.Current(), born)
				judgement.CallOf(&v, v.Current(), &j, j.Verdict)
			}
		})
	}
}

// TestTheOrderOfEntriesDoesNotMatter: whatever the order in which a record is read, all that comes of it is the same.
func TestTheOrderOfEntriesDoesNotMatter(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.fortnight()
	_, want := s.caseFor(16, nil)
	facts := s.facts(16)
	for seed := range uint64(4) {
		random := rand.New(rand.NewPCG(seed, 0))
		random.Shuffle(len(s.entries), func(i, j int) { s.entries[i], s.entries[j] = s.entries[j], s.entries[i] })
		_, got := s.caseFor(16, nil)
		assert.Equal(t, want, got)
		assert.Equal(t, facts, s.facts(16))
	}
}

// BenchmarkJudgement judges and weighs an invented fortnight of two caregivers in five positions, with all that is kept of it.
func BenchmarkJudgement(b *testing.B) {
	s := newStory(b)
	s.fortnight()
	v := s.view(s.evening(16))
	b.ReportAllocs()
	for b.Loop() {
		j := judgement.Judge(&v, v.Current(), time.Time{})
		c := s.caseOf(v, &judgement.Medicine{CapsuleSize: "1"})
		w := judgement.Weigh(c, &j)
		if _, began := judgement.FactsOf(c, &w); !began {
			b.Fatal("it has begun")
		}
	}
}
