package judgement

import (
	"fmt"
	"math/bits"

	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// Rule is a plan's rule of recent success. All its numbers are placeholders for a clinician's decision; none is clinically
// validated.
type Rule practice.SuccessRule

// DefaultRule is the rule of the plan built in: 9 or 10 of the last 10 meet it, 7 or fewer don't.
func DefaultRule() Rule { return Rule(practice.DefaultPlan().Success) }

// Answer is what a look comes to.
type Answer string

// The answers.
const (
	Enough    Answer = "enough"
	TooFew    Answer = "too_few"
	CannotSay Answer = "cannot_say" // also where there are not tries enough for a look
)

// Look is what the last look at tries saw.
type Look struct {
	At        int // how many tries there were when it was taken; 0 where there are too few for any
	Successes int // among the last Rule.Tries of them
	// Exceeds is the probability that the rate of success exceeds the rule's, where every rate was as likely before: the
	// posterior of [stats.RateAfter].
	Exceeds float64
	Answer  Answer
}

// LooksAt returns the numbers of tries at which looks are taken, up to a number.
func (r Rule) LooksAt(upTo int) []int {
	r.mustBeSound()
	var at []int
	for n := r.Tries; n <= upTo; n += r.Every {
		at = append(at, n)
	}
	return at
}

// Look takes the last look there was to take at tries, which are given in their order. A later one replaces an earlier one:
// what was enough once need not be so for ever.
func (r Rule) Look(succeeded []bool) Look {
	looks := r.LooksAt(len(succeeded))
	if len(looks) == 0 {
		return Look{Answer: CannotSay}
	}
	at := looks[len(looks)-1]
	look := Look{At: at}
	for _, ok := range succeeded[at-r.Tries : at] {
		if ok {
			look.Successes++
		}
	}
	look.Exceeds, look.Answer = r.answer(look.Successes)
	return look
}

// answer returns what so many successes among Tries come to.
func (r Rule) answer(successes int) (exceeds float64, answer Answer) {
	exceeds = stats.RateAfter(successes, r.Tries-successes).Above(r.Rate)
	switch {
	case exceeds >= r.Enough:
		return exceeds, Enough
	case exceeds < r.TooFew:
		return exceeds, TooFew
	}
	return exceeds, CannotSay
}

func (r Rule) mustBeSound() {
	if r.Tries < 1 || r.Every < 1 || !(r.Rate > 0 && r.Rate < 1) {
		panic(fmt.Sprintf("judgement: rule %+v", r))
	}
}

// MostTries is how many tries a look may take in: up to that its errors can be worked out.
const MostTries = 16

// Errors is how a rule judges somebody whose true rate of success is always the same, one try a night, each night for
// itself. All are probabilities.
type Errors struct {
	Rate float64 // the true one
	// Answers is how the last look within the nights answers.
	Answers map[Answer]float64
	// Ever is how often any look within the nights says that it is enough, as for somebody who stops at the first that does.
	Ever float64
	// AnyOfFive is Answers[Enough] for somebody who takes whichever of five equal positions passes afterwards.
	AnyOfFive float64
}

// ErrorsOver works out, exactly, how the rule errs over a number of nights for a true rate. It follows the probability of
// every sequence of the tries that the next look takes in, of which Tries may be at most 16.
func (r Rule) ErrorsOver(nights int, rate float64) Errors {
	r.mustBeSound()
	if r.Tries > MostTries || nights < 0 || !(rate >= 0 && rate <= 1) {
		panic(fmt.Sprintf("judgement: errors of rule %+v over %d nights at %v", r, nights, rate))
	}
	e := Errors{Rate: rate, Answers: map[Answer]float64{CannotSay: 1}}
	answers := r.answers()
	// By the last tries, the latest in the lowest bit: those for whom it was never enough yet, and the others.
	never, before := make([]float64, 1<<r.Tries), make([]float64, 1<<r.Tries)
	never[0] = 1
	for n := 1; n <= nights; n++ {
		never, before = tryOnce(never, rate), tryOnce(before, rate)
		if n >= r.Tries && (n-r.Tries)%r.Every == 0 {
			e.Answers = lookAt(never, before, answers)
		}
	}
	for _, p := range before {
		e.Ever += p
	}
	miss := 1.0
	for range 5 {
		miss *= 1 - e.Answers[Enough]
	}
	e.AnyOfFive = 1 - miss
	return e
}

// answers returns what each number of successes comes to.
func (r Rule) answers() []Answer {
	all := make([]Answer, r.Tries+1)
	for successes := range all {
		_, all[successes] = r.answer(successes)
	}
	return all
}

// tryOnce returns the probabilities of the sequences after one more try.
func tryOnce(sequences []float64, rate float64) []float64 {
	next := make([]float64, len(sequences))
	for s, p := range sequences {
		failed := s << 1 & (len(sequences) - 1)
		next[failed] += p * (1 - rate)
		next[failed|1] += p * rate
	}
	return next
}

// lookAt takes a look, moves those for whom it is enough from the one to the other, and returns how it answers.
func lookAt(never, before []float64, answers []Answer) map[Answer]float64 {
	seen := map[Answer]float64{}
	for s := range never {
		answer := answers[bits.OnesCount(uint(s))]
		seen[answer] += never[s] + before[s]
		if answer == Enough {
			before[s] += never[s]
			never[s] = 0
		}
	}
	return seen
}
