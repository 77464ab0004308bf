package judgement_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// programme is a programme with the given scores, night by night from 1 March; a nil night had none.
func programme(nights ...map[practice.Position]int) *practice.Programme {
	p := &practice.Programme{Enrolment: &practice.Enrolment{FirstNight: practice.NightOn(2027, time.March, 1), Plan: practice.DefaultPlan()}}
	for i, eases := range nights {
		n := practice.NightView{Night: p.Enrolment.FirstNight + practice.Night(i)}
		for _, position := range practice.Positions() {
			ease, tried := eases[position]
			switch {
			case tried && ease == 0:
				n.Scores = append(n.Scores, practice.Score{Position: position, Outcome: practice.NotSwallowed, Ease: 1})
			case tried:
				n.Scores = append(n.Scores, practice.Score{Position: position, Outcome: practice.Swallowed, Ease: practice.Ease(ease)})
			}
		}
		p.Nights = append(p.Nights, n)
	}
	return p
}

type eases = map[practice.Position]int

// night is a night of centre, right, left, up and down.
func night(c, r, l, u, d int) eases {
	return eases{practice.Centre: c, practice.Right: r, practice.Left: l, practice.Up: u, practice.Down: d}
}

func repeat(n int, one eases) []eases {
	all := make([]eases, n)
	for i := range all {
		all[i] = one
	}
	return all
}

func TestWithoutEvidenceThereIsNoLeader(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		nights []eases
		ranked int
		none   bool // every night is tied
	}{
		"nothing":             {nil, 0, false},
		"one position":        {repeat(14, eases{practice.Left: 5}), 0, false},
		"every night is tied": {repeat(14, night(5, 5, 5, 5, 5)), 14, true},
		"three clear nights":  {repeat(3, night(1, 2, 5, 2, 1)), 3, false},
		"one against the other": {[]eases{
			night(1, 1, 5, 1, 1), night(5, 1, 1, 1, 1), night(1, 1, 5, 1, 1), night(5, 1, 1, 1, 1), night(1, 5, 1, 1, 1), night(1, 1, 1, 5, 1),
		}, 6, false},
	} {
		p := judgement.PreferenceOf(programme(c.nights...))
		assert.Empty(t, p.Leader, name)
		assert.Empty(t, p.RunnerUp, name)
		assert.Nil(t, p.MarginOverCentre, name)
		assert.Len(t, p.Ranked, c.ranked, name)
		assert.Equal(t, c.none, p.NoneShown(), name)
	}
}

// TestThePreferenceMoves from the centre in the first week to the left in the second.
func TestThePreferenceMoves(t *testing.T) {
	t.Parallel()
	first, second := night(4, 3, 2, 1, 2), night(2, 3, 5, 1, 2)
	p := judgement.PreferenceOf(programme(append(repeat(7, first), repeat(7, second)...)...))
	assert.Equal(t, practice.Centre, p.FirstWeek)
	assert.Equal(t, practice.Left, p.SecondWeek)
	assert.Equal(t, practice.Left, p.Leader, "the newest nights count most")
	require.NotNil(t, p.MarginOverCentre)
	assert.Positive(t, *p.MarginOverCentre)
	left := p.Positions[2]
	assert.Equal(t, practice.Left, left.Position)
	assert.Equal(t, 14, left.Nights)
	assert.Greater(t, left.Best, 0.6)
	assert.Less(t, left.Effective, 12.0, "far from fourteen nights' worth")
	assert.True(t, p.Differ.Comparable)
	assert.Less(t, p.Differ.P, 0.05)
}

func TestTheCentreHasNoMarginOverItself(t *testing.T) {
	t.Parallel()
	p := judgement.PreferenceOf(programme(repeat(6, night(5, 3, 4, 1, 2))...))
	assert.Equal(t, practice.Centre, p.Leader)
	assert.Equal(t, practice.Left, p.RunnerUp, "it never was the best, and is the next all the same")
	assert.Nil(t, p.MarginOverCentre)
	without := judgement.PreferenceOf(programme(repeat(6, eases{practice.Left: 5, practice.Down: 2})...))
	assert.Equal(t, practice.Left, without.Leader)
	assert.Nil(t, without.MarginOverCentre, "the centre was left out")
}

// TestNothingSwallowedIsBelowAnyEase, however easy the caregiver says it was.
func TestNothingSwallowedIsBelowAnyEase(t *testing.T) {
	t.Parallel()
	p := judgement.PreferenceOf(programme(repeat(5, eases{practice.Up: 0, practice.Down: 1})...))
	assert.Equal(t, practice.Down, p.Leader)
}

// genNights draws nights of a programme.
func genNights(t *rapid.T) []eases {
	one := rapid.Custom(func(t *rapid.T) eases {
		n := eases{}
		for _, position := range practice.Positions() {
			if ease := rapid.IntRange(-2, 5).Draw(t, "ease"); ease >= 0 {
				n[position] = ease
			}
		}
		return n
	})
	return rapid.SliceOfN(one, 0, 14).Draw(t, "nights")
}

// TestNamesOfPositionsDoNotMatter renames them: the answer is the same under its new names.
func TestNamesOfPositionsDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		nights := genNights(t)
		names := rapid.Permutation(practice.Positions()).Draw(t, "names")
		called := map[practice.Position]practice.Position{"": ""}
		for i, p := range practice.Positions() {
			called[p] = names[i]
		}
		renamed := make([]eases, len(nights))
		for i, n := range nights {
			renamed[i] = eases{}
			for p, ease := range n {
				renamed[i][called[p]] = ease
			}
		}
		a, b := judgement.PreferenceOf(programme(nights...)), judgement.PreferenceOf(programme(renamed...))
		assert.Equal(t, []practice.Position{called[a.Leader], called[a.RunnerUp], called[a.FirstWeek], called[a.SecondWeek]},
			[]practice.Position{b.Leader, b.RunnerUp, b.FirstWeek, b.SecondWeek})
		for _, s := range a.Positions {
			for _, r := range b.Positions {
				if called[s.Position] == r.Position {
					assert.InDelta(t, s.Best, r.Best, 1e-9)
					assert.InDelta(t, s.Rank, r.Rank, 1e-9)
				}
			}
		}
	})
}

// TestATiedNightChangesNoRanking: the order of the positions stays.
func TestATiedNightChangesNoRanking(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		nights := genNights(t)
		at := rapid.IntRange(0, len(nights)).Draw(t, "at")
		// The tied night lies among the others, in place of one without practice.
		with := append(append(append([]eases{}, nights[:at]...), night(3, 3, 3, 3, 3)), nights[at:]...)
		without := append(append(append([]eases{}, nights[:at]...), nil), nights[at:]...)
		a, b := judgement.PreferenceOf(programme(without...)), judgement.PreferenceOf(programme(with...))
		assert.InDelta(t, a.Differ.Statistic, b.Differ.Statistic, 1e-9*(1+a.Differ.Statistic))
		everywhere := func(s judgement.Standing) bool { return s.Nights == len(a.Ranked) }
		for i, s := range a.Positions {
			for j, other := range a.Positions {
				if everywhere(s) && everywhere(other) && s.Rank > other.Rank+1e-9 {
					assert.Greater(t, rankOf(b, a.Positions[i].Position), rankOf(b, a.Positions[j].Position))
				}
			}
		}
	})
}

func rankOf(p judgement.Preference, position practice.Position) float64 {
	for _, s := range p.Positions {
		if s.Position == position {
			return s.Rank
		}
	}
	return 0
}

func TestChancesAddUp(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := judgement.PreferenceOf(programme(genNights(t)...))
		sum := 0.0
		for _, s := range p.Positions {
			assert.True(t, s.Rank > 0 && s.Rank < 1 && s.Best >= 0 && s.Best <= 1+1e-9)
			assert.True(t, s.Effective >= 1-1e-9 && s.Effective <= float64(s.Nights)+1e-9)
			sum += s.Best
		}
		if len(p.Ranked) > 0 {
			assert.InDelta(t, 1, sum, 1e-9)
		}
	})
}

func TestAgreementBetweenCaregivers(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.practise(mama, 1, swallowed(practice.Left, 5), swallowed(practice.Up, 3), swallowed(practice.Down, 2))
	s.practise(papa, 1, swallowed(practice.Left, 5), practice.Try{Position: practice.Up, Outcome: practice.NotSwallowed, Ease: 1}, swallowed(practice.Down, 3))
	s.practise(mama, 2, swallowed(practice.Left, 4))
	v := s.view(s.evening(3))
	a := judgement.AgreementOf(v.Current())
	assert.Equal(t, []int{3, 3, 1, 2}, []int{a.Units, a.Pairs, a.Equal, a.WithinOne}, "nothing swallowed is three steps below an ease of 3")
	assert.True(t, a.Defined)
}

func TestProgress(t *testing.T) {
	t.Parallel()
	p := judgement.ProgressOf(programme(
		eases{practice.Left: 0, practice.Up: 3}, eases{practice.Left: 1, practice.Up: 3}, nil, eases{practice.Left: 3, practice.Down: 5},
		eases{practice.Left: 5, practice.Up: 3},
	))
	require.Len(t, p.Positions, 2, "one try tells no trend")
	left, up := p.Positions[0], p.Positions[1] // in the order of positions: right, left, up, down
	assert.Equal(t, []any{practice.Left, 4, 6, true}, []any{left.Position, left.N, left.S, left.Exact})
	assert.InDelta(t, 2.0/24, left.P, 1e-12, "one order of 24 is as steep, either way")
	assert.False(t, up.Varies)
	assert.Equal(t, 6, p.All.S)
	assert.Equal(t, 7, p.All.N)
}
