package judgement

import (
	"fmt"
	"slices"

	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// Success is whether recent tries in the position chosen beforehand succeed often enough.
type Success struct {
	Choice *Choice // nil while there is none
	Look   Look
	Tries  int              // that count, also those since the look
	Nights []practice.Night // those that the look took in
}

func successOf(c *Case, rule Rule) Success {
	choice, ok := choiceOf(c)
	if !ok {
		return Success{Look: Look{Answer: CannotSay}}
	}
	return successIn(choice, c.Programme, rule)
}

// successIn returns how the tries succeed that a choice lets count.
func successIn(choice Choice, p *practice.Programme, rule Rule) Success {
	tries := choice.judgedTries(p)
	swallowed := make([]bool, len(tries))
	for i, t := range tries {
		swallowed[i] = t.swallowed
	}
	s := Success{Choice: &choice, Look: rule.Look(swallowed), Tries: len(tries)}
	if s.Look.At > 0 {
		for _, t := range tries[s.Look.At-rule.Tries : s.Look.At] {
			s.Nights = append(s.Nights, t.night)
		}
	}
	return s
}

// criterion puts it into words.
func (s *Success) criterion(rule Rule) Criterion {
	c := Criterion{ID: "recent_success", Met: s.Look.Answer == Enough, Nights: s.Nights, Wanted: rule.Wanted()}
	switch {
	case s.Choice == nil:
		c.Seen = "no position chosen yet"
		c.Why = "No position has been chosen yet, by a clinician or by the first nights, and only tries after the choice count."
	case s.Look.At == 0:
		c.Seen = fmt.Sprintf("%s in %s", plural(s.Tries, "try"), s.Choice.Position)
		c.Why = fmt.Sprintf("There are %s in %s since it was chosen, and the first look takes %d: it is too early to tell.",
			plural(s.Tries, "try"), s.Choice.Position, rule.Tries)
	default:
		c.Seen = fmt.Sprintf("%d of the %d tries up to number %d swallowed in %s", s.Look.Successes, rule.Tries, s.Look.At, s.Choice.Position)
		c.Why = s.sentence(rule)
	}
	return c
}

// sentence says what a look saw: numbers that a statistician can check, in words that a parent can read.
func (s *Success) sentence(rule Rule) string {
	rate := stats.RateAfter(s.Look.Successes, rule.Tries-s.Look.Successes)
	interval := rate.Interval(0.9)
	text := fmt.Sprintf("Swallowed %d of %d in this position (%s). The true rate is probably between %s and %s (90 %% interval); "+
		"the chance that it exceeds %s is %s, and %s is wanted.", s.Look.Successes, rule.Tries, s.Choice.Position,
		percent(interval.Low), percent(interval.High), percent(rule.Rate), percent(s.Look.Exceeds), percent(rule.Enough))
	if since := s.Tries - s.Look.At; since > 0 {
		text += fmt.Sprintf(" There %s since; the next look is after %d.", wereMore(since), s.Look.At+rule.Every)
	}
	return text
}

func wereMore(tries int) string {
	if tries == 1 {
		return "was 1 more try"
	}
	return fmt.Sprintf("were %d more tries", tries)
}

// Wanted says how many of the tries must be swallowed.
func (r Rule) Wanted() string {
	least := slices.Index(r.answers(), Enough)
	if least < 0 {
		return fmt.Sprintf("more than %d tries can show: a rate above %s with a probability of %s", r.Tries, percent(r.Rate), percent(r.Enough))
	}
	return fmt.Sprintf("%d of %d tries swallowed, in one position chosen beforehand", least, r.Tries)
}
