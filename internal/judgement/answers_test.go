package judgement_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// answered writes an evening with the eases given, in the order in which the positions are shown; 0 stands for a try that
// was refused.
func (s *story) answered(day int, eases ...practice.Ease) {
	var tries []practice.Try
	for i, ease := range eases {
		try := swallowed(practice.Positions()[i], ease)
		if ease == practice.NoEase {
			try.Outcome = practice.Refused
		}
		tries = append(tries, try)
	}
	s.practise(mama, day, tries...)
}

func TestAnswersThatMayNotBeAboutTheTries(t *testing.T) {
	t.Parallel()
	var (
		four    = time.Date(2023, time.March, 1, 0, 0, 0, 0, time.UTC)
		six     = time.Date(2021, time.March, 1, 0, 0, 0, 0, time.UTC)
		unknown time.Time
	)
	tests := map[string]struct {
		born   time.Time
		nights [][]practice.Ease
		want   []judgement.Flag
	}{
		"nothing yet":                        {four, nil, nil},
		"as they come":                       {four, [][]practice.Ease{{3, 4, 2, 5, 1}, {4, 4, 3, 5, 2}, {3, 3, 3, 3, 3}}, nil},
		"the same on three nights":           {unknown, [][]practice.Ease{{5, 5, 5, 5, 5}, {5, 5, 5}, {5, 5}}, []judgement.Flag{judgement.FlagSameAnswer}},
		"the same on two nights":             {four, [][]practice.Ease{{5, 5, 5, 5, 5}, {5, 5, 5, 5, 5}}, nil},
		"the same, another each night":       {four, [][]practice.Ease{{5, 5, 5, 5, 5}, {4, 4, 4, 4, 4}, {5, 5, 5, 5, 5}}, nil},
		"the same of late":                   {four, [][]practice.Ease{{3, 2, 5}, {1, 1, 1}, {1, 1, 1}, {1, 1, 1}}, []judgement.Flag{judgement.FlagSameAnswer}},
		"the same until last night":          {four, [][]practice.Ease{{1, 1, 1}, {1, 1, 1}, {1, 1, 1}, {1, 2, 1}}, nil},
		"one position says nothing":          {four, [][]practice.Ease{{5}, {5}, {5}}, nil},
		"up the scale":                       {four, [][]practice.Ease{{1, 2, 3, 4, 5}, {1, 2, 3, 4, 5}}, []judgement.Flag{judgement.FlagInSequence}},
		"up, then down":                      {four, [][]practice.Ease{{1, 3, 5}, {5, 3, 1}}, []judgement.Flag{judgement.FlagInSequence}},
		"up the scale once":                  {four, [][]practice.Ease{{1, 2, 3, 4, 5}, {1, 2, 3, 3, 5}}, nil},
		"up the scale at six":                {six, [][]practice.Ease{{1, 2, 3, 4, 5}, {1, 2, 3, 4, 5}}, nil},
		"up the scale, nobody knows how old": {unknown, [][]practice.Ease{{1, 2, 3, 4, 5}, {1, 2, 3, 4, 5}}, nil},
		"two positions say nothing":          {four, [][]practice.Ease{{1, 5}, {1, 5}, {1, 5}}, nil},
		"a refusal is no answer":             {four, [][]practice.Ease{{1, 0, 3, 5}, {0, 5, 3, 1}}, []judgement.Flag{judgement.FlagInSequence}},
	}
	for name, c := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			s.born = c.born
			for i, eases := range c.nights {
				s.answered(1+i, eases...)
			}
			got := s.judge(len(c.nights) + 1).Flags
			assert.Equal(t, c.want, got)
		})
	}
}
