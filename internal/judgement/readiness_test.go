package judgement_test

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// weigh weighs the current programme at noon of a day of March.
func (s *story) weigh(day int) judgement.Weighing { return s.weighFor(day, nil) }

func (s *story) weighFor(day int, medicine *judgement.Medicine) judgement.Weighing {
	_, w := s.caseFor(day, medicine)
	return w
}

// caseFor returns what is weighed, and what comes of it.
func (s *story) caseFor(day int, medicine *judgement.Medicine) (judgement.Case, judgement.Weighing) {
	v := s.view(time.Date(2027, time.March, day, 12, 0, 0, 0, s.enrolments[0].Zone))
	j := judgement.Judge(&v, v.Current(), time.Time{})
	c := s.caseOf(v, medicine)
	return c, judgement.Weigh(c, &j)
}

// caseOf returns what is weighed of a view.
func (s *story) caseOf(v practice.View, medicine *judgement.Medicine) judgement.Case {
	return judgement.Case{View: &v, Programme: v.Current(), Medicine: medicine, Known: func(at time.Time) *practice.Programme {
		then := &story{t: s.t, enrolments: s.enrolments, contacts: s.contacts}
		for _, e := range s.entries {
			if !e.Received.After(at) {
				then.entries = append(then.entries, e)
			}
		}
		known := then.view(at)
		return known.Programme(s.enrolments[0].ID)
	}}
}

// usual is an evening on which the left goes best.
func (s *story) usual(day int) {
	s.practise(mama, day, sized(practice.Centre, 3), sized(practice.Right, 2), sized(practice.Left, 5), sized(practice.Up, 2), sized(practice.Down, 1))
}

func sized(p practice.Position, ease practice.Ease) practice.Try {
	try := swallowed(p, ease)
	try.SizeMM = 7
	return try
}

func failed(p practice.Position) practice.Try {
	return practice.Try{Position: p, Outcome: practice.NotSwallowed, Ease: 1, SizeMM: 7}
}

func (s *story) criterion(w judgement.Weighing, id string) judgement.Criterion {
	s.t.Helper()
	for _, c := range w.Criteria {
		if c.ID == id {
			return c
		}
	}
	require.Fail(s.t, "no such criterion", id)
	return judgement.Criterion{}
}

// TestTheFirstNightsChoose: the leader of the first four practised nights is where the tries after them are judged.
func TestTheFirstNightsChoose(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	for day := 1; day <= 4; day++ {
		assert.Nil(t, s.weigh(day).Success.Choice)
		s.usual(day)
	}
	assert.Nil(t, newStory(t).weigh(4).Success.Choice)
	w := s.weigh(5)
	assert.Equal(t, &judgement.Choice{Position: practice.Left, From: march(5)}, w.Success.Choice)
	assert.Zero(t, w.Success.Tries, "the nights that chose are not judged")
	s.usual(5)
	s.usual(6)
	w = s.weigh(7)
	assert.Equal(t, 2, w.Success.Tries)
	assert.Equal(t, judgement.Practising, w.Verdict)
	assert.Equal(t, "2 tries in left", s.criterion(w, "recent_success").Seen)
}

// TestTheChoiceStands when somebody else's account of the first nights arrives later, and is flagged.
func TestTheChoiceStands(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	for day := 1; day <= 5; day++ {
		s.usual(day)
	}
	late := len(s.entries)
	for day := 1; day <= 4; day++ {
		s.practise(papa, day, failed(practice.Left), sized(practice.Centre, 5))
	}
	for i := range s.entries[late:] {
		s.entries[late+i].Received = s.evening(5).Add(time.Hour).UTC()
	}
	w := s.weigh(6)
	assert.Equal(t, &judgement.Choice{Position: practice.Left, From: march(5), Changed: true}, w.Success.Choice)
	assert.Equal(t, 1, w.Success.Tries)
}

// TestAPhoneThatWasAwayChoosesAllTheSame: what counts is the first nights, whenever they arrive.
func TestAPhoneThatWasAwayChoosesAllTheSame(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	for day := 1; day <= 9; day++ {
		s.usual(day)
	}
	for i := range s.entries {
		s.entries[i].Received = s.evening(9).Add(time.Hour).UTC()
	}
	w := s.weigh(10)
	assert.Equal(t, &judgement.Choice{Position: practice.Left, From: march(5)}, w.Success.Choice)
	assert.Equal(t, 5, w.Success.Tries)
}

// TestAClinicianChooses: tries before the choice don't count, nor those of the evening on which it came too late.
func TestAClinicianChooses(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	for day := 1; day <= 8; day++ {
		s.usual(day)
	}
	s.write(doctor, s.evening(3).Add(-time.Hour), &practice.Choose{Position: practice.Down})
	w := s.weigh(9)
	assert.Equal(t, practice.Down, w.Success.Choice.Position)
	assert.True(t, w.Success.Choice.ByClinician)
	assert.Equal(t, march(3), w.Success.Choice.From)
	assert.Equal(t, 6, w.Success.Tries)
	s.write(doctor, s.evening(5).Add(time.Hour), &practice.Choose{Position: practice.Up})
	w = s.weigh(9)
	assert.Equal(t, march(5), w.Success.Choice.From)
	assert.Equal(t, 3, w.Success.Tries, "the fifth evening had begun")
}

// TestReadyForReview takes a learner all the way, and then a relapse.
func TestReadyForReview(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.write(doctor, s.evening(1).Add(-24*time.Hour), &practice.Choose{Position: practice.Left})
	for day := 1; day <= 9; day++ {
		s.usual(day)
	}
	small := &judgement.Medicine{CapsuleSize: "1"}
	w := s.weighFor(10, small)
	assert.Equal(t, judgement.Practising, w.Verdict)
	c := s.criterion(w, "recent_success")
	assert.Equal(t, "9 of 10 tries swallowed, in one position chosen beforehand", c.Wanted)
	assert.Equal(t, "9 tries in left", c.Seen)
	s.practise(mama, 10, failed(practice.Left), sized(practice.Centre, 4))
	w = s.weighFor(11, small)
	assert.Equal(t, judgement.Nearing, w.Verdict, "nine of ten, and too few nights")
	c = s.criterion(w, "recent_success")
	assert.True(t, c.Met)
	assert.Len(t, c.Nights, 10)
	assert.Equal(t, "Swallowed 9 of 10 in this position (left). The true rate is probably between 64 % and 97 % (90 % interval); "+
		"the chance that it exceeds 70 % is 89 %, and 80 % is wanted.", c.Why)
	s.usual(11)
	s.usual(12)
	w = s.weighFor(13, small)
	assert.Equal(t, judgement.ReadyForReview, w.Verdict)
	assert.Contains(t, s.criterion(w, "recent_success").Why, "There were 2 more tries since; the next look is after 14.")
	assert.Equal(t, judgement.Nearing, s.weigh(13).Verdict, "no medicine is named")
	assert.Equal(t, judgement.Nearing, s.weighFor(13, &judgement.Medicine{CapsuleSize: "0"}).Verdict, "too thick")
	s.practise(mama, 13, failed(practice.Left), sized(practice.Centre, 4))
	s.practise(mama, 14, failed(practice.Left), sized(practice.Centre, 4))
	w = s.weighFor(15, small)
	assert.Equal(t, judgement.TooFew, w.Success.Look.Answer, "7 of the last 10: the later look replaces the earlier")
	assert.Equal(t, judgement.Practising, w.Verdict)
	s.write(mama, s.evening(14), &practice.Incident{What: "pain"})
	assert.Equal(t, judgement.Hold, s.weighFor(15, small).Verdict)
}

// TestReadyOnABarePercentage has a learner who swallowed 86 of 100 sweets, and whose last ten in the position chosen tell
// nothing yet.
func TestReadyOnABarePercentage(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.write(doctor, s.evening(1).Add(-24*time.Hour), &practice.Choose{Position: practice.Left})
	for day := 1; day <= 14; day++ {
		left := sized(practice.Left, 5)
		if day >= 10 && day%2 == 0 {
			left = failed(practice.Left)
		}
		s.practise(mama, day, left, sized(practice.Centre, 4), sized(practice.Right, 4), sized(practice.Up, 4), sized(practice.Down, 4))
	}
	w := s.weighFor(15, &judgement.Medicine{LengthMM: 12, WidthMM: 6})
	assert.Equal(t, judgement.Practising, w.Verdict)
	assert.Equal(t, 7, w.Success.Look.Successes)
	s = newStory(t)
	s.write(doctor, s.evening(1).Add(-24*time.Hour), &practice.Choose{Position: practice.Left})
	for day := 1; day <= 14; day++ {
		left := sized(practice.Left, 5)
		if day == 8 || day == 12 {
			left = failed(practice.Left)
		}
		s.practise(mama, day, left, sized(practice.Centre, 4))
	}
	assert.Equal(t, judgement.CannotTellYet, s.weigh(15).Verdict, "8 of 10")
}

func TestRecalledNightsAndDisagreements(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.write(doctor, s.evening(2).Add(-time.Hour), &practice.Choose{Position: practice.Left})
	s.usual(1)
	s.practise(papa, 1, failed(practice.Up))
	for day := 2; day <= 11; day++ {
		s.usual(day)
	}
	w := s.weigh(12)
	assert.Len(t, w.Success.Nights, 10)
	assert.True(t, s.criterion(w, "no_open_disagreement").Met, "the one of the first evening is not judged")
	assert.True(t, s.criterion(w, "no_recalled_night").Met)
	s.practise(papa, 5, failed(practice.Up))
	recalled := len(s.entries)
	s.usual(12)
	for i := range s.entries[recalled:] {
		s.entries[recalled+i].Recorded = practice.MomentOf(s.evening(16))
		s.entries[recalled+i].Received = s.evening(16).UTC()
	}
	for day := 13; day <= 15; day++ {
		s.usual(day)
	}
	w = s.weigh(17)
	assert.Equal(t, 14, w.Success.Look.At)
	assert.Equal(t, []practice.Night{march(12)}, s.criterion(w, "no_recalled_night").Nights)
	assert.False(t, s.criterion(w, "no_recalled_night").Met)
	assert.True(t, s.criterion(w, "no_open_disagreement").Met, "the fifth evening is judged no more")
}

func TestEveryCriterionExplainsItself(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	for day := 1; day <= 14; day++ {
		for _, c := range s.weighFor(day, &judgement.Medicine{CapsuleSize: "000"}).Criteria {
			for _, text := range []string{c.ID, c.Wanted, c.Seen, c.Why} {
				assert.NotEmpty(t, text, "%+v", c)
			}
			assert.True(t, strings.HasSuffix(c.Why, "."), c.Why)
		}
		s.usual(day)
	}
}

// TestAMoreCautiousReadingMakesNobodyReadier: with the position chosen, turning any swallowed try into one that was not
// never makes the verdict better.
func TestAMoreCautiousReadingMakesNobodyReadier(t *testing.T) {
	t.Parallel()
	rank := map[judgement.Verdict]int{judgement.Practising: 0, judgement.CannotTellYet: 1, judgement.Nearing: 2, judgement.ReadyForReview: 3}
	rapid.Check(t, func(rt *rapid.T) {
		outcomes := rapid.SliceOfN(rapid.IntRange(0, 5), 10, 14).Draw(rt, "outcomes")
		verdict := func() int {
			s := newStory(t)
			s.write(doctor, s.evening(1).Add(-24*time.Hour), &practice.Choose{Position: practice.Left})
			for i, o := range outcomes {
				try := sized(practice.Left, 4)
				if o == 0 {
					try = failed(practice.Left)
				}
				s.practise(mama, i+1, try)
			}
			w := s.weighFor(15, &judgement.Medicine{CapsuleSize: "3"})
			at, ok := rank[w.Verdict]
			require.True(t, ok, w.Verdict)
			return at
		}
		before := verdict()
		outcomes[rapid.IntRange(0, len(outcomes)-1).Draw(rt, "which")] = 0
		assert.LessOrEqual(t, verdict(), before)
	})
}

// TestShells holds the dimensions of capsules to the published tables.
//
// Source: testdata/capsules.json, which names its own.
func TestShells(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../testdata/capsules.json")
	require.NoError(t, err)
	var tables []struct {
		ID    string
		Value json.RawMessage
	}
	require.NoError(t, json.Unmarshal(raw, &tables))
	values := map[string]json.RawMessage{}
	for _, table := range tables {
		values[table.ID] = table.Value
	}
	var closed map[string]struct {
		Length   float64 `json:"closed_length"`
		Diameter float64 `json:"cap_external_diameter"`
	}
	require.NoError(t, json.Unmarshal(values["C1-01"], &closed))
	var elongated map[string]struct {
		Length   float64 `json:"locked_length"`
		Diameter float64 `json:"external_diameter"`
	}
	require.NoError(t, json.Unmarshal(values["C1-07"], &elongated))
	var spread map[string]map[string][2]float64
	require.NoError(t, json.Unmarshal(values["C1-06"], &spread))
	require.Len(t, closed, 8)
	require.Len(t, elongated, 4)
	for size, want := range closed {
		shell, ok := judgement.ShellOf(size)
		assert.True(t, ok)
		assert.Equal(t, judgement.Shell{LengthMM: want.Length, DiameterMM: want.Diameter}, shell, size)
		lengths, diameters := spread["closed_length"][size], spread["cap_external_diameter"][size]
		assert.True(t, lengths[0] <= shell.LengthMM && shell.LengthMM <= lengths[1], size)
		assert.True(t, diameters[0] <= shell.DiameterMM && shell.DiameterMM <= diameters[1], size)
	}
	for size, want := range elongated {
		shell, ok := judgement.ShellOf(size)
		assert.True(t, ok)
		assert.Equal(t, judgement.Shell{LengthMM: want.Length, DiameterMM: want.Diameter}, shell, size)
	}
	_, ok := judgement.ShellOf("7")
	assert.False(t, ok)
	double, _ := judgement.Medicine{CapsuleSize: "00"}.Smaller()
	single, _ := judgement.Medicine{CapsuleSize: "0"}.Smaller()
	assert.Greater(t, double, single, "00 is not 0")
	width, _ := judgement.Medicine{LengthMM: 19, WidthMM: 8}.Smaller()
	assert.InDelta(t, 8, width, 0)
}
