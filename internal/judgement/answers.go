package judgement

import (
	"cmp"
	"slices"
	"time"

	"swallowtail/internal/practice"
)

// Answers that may not be about the tries. Of 185 children of 3 to 5 years 16 % gave the same answer, from the end of the
// scale, throughout and 35 % answered in sequence: "Response biases in preschool children's ratings of pain in hypothetical
// situations", Eur J Pain 13(2):209-213 (2009).

// sameAnswer reports whether the last nights on which several positions were scored have one and the same answer throughout.
// That nothing could be swallowed yet in any position is an answer like any other, and for many the first.
func sameAnswer(p *practice.Programme) bool {
	left := p.Enrolment.Plan.Answers.SameNights
	var answer *practice.Score
	for i := len(p.Nights) - 1; i >= 0 && left > 0; i-- {
		scores := p.Nights[i].Scores
		if len(scores) < 2 {
			continue
		}
		if answer == nil {
			answer = &scores[0]
		}
		if slices.ContainsFunc(scores, func(s practice.Score) bool { return s.Outcome != answer.Outcome || s.Ease != answer.Ease }) {
			return false
		}
		left--
	}
	return left == 0 && answer.Outcome == practice.Swallowed
}

// inSequence reports whether somebody young has answered in sequence on enough nights. An unknown birth is nobody young.
func inSequence(p *practice.Programme, born time.Time) bool {
	rule := p.Enrolment.Plan.Answers
	old := born.AddDate(rule.SequenceBelowYears, 0, 0)
	nights := 0
	for i := range p.Nights {
		n := &p.Nights[i]
		if !born.IsZero() && runs(n.Scores) && p.Enrolment.Closes(n.Night).Before(old) {
			nights++
		}
	}
	return nights >= rule.SequenceNights
}

// fewestInRun is of how many positions the answers can be said to run through the scale: two do so unless they are equal.
const fewestInRun = 3

// runs reports whether the eases of a night rise throughout in the order in which positions are shown, or fall throughout.
func runs(scores []practice.Score) bool {
	rated, direction := 0, 0
	var before practice.Ease
	for _, s := range scores {
		if s.Ease == practice.NoEase {
			continue
		}
		if rated > 0 {
			step := cmp.Compare(s.Ease, before)
			if step == 0 || (rated > 1 && step != direction) {
				return false
			}
			direction = step
		}
		rated++
		before = s.Ease
	}
	return rated >= fewestInRun
}
