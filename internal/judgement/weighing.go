package judgement

import (
	"fmt"
	"math"

	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// Weighing is what statistics make of a programme. It takes a hundred times as long as a [Judgement], so it is worked out
// where somebody reads it, and never while an upload waits.
type Weighing struct {
	Preference Preference
	Agreement  stats.Agreement
	Progress   Progress
}

// Weigh weighs a programme; a nil one, of a learner not enrolled, has nothing to weigh.
func Weigh(p *practice.Programme) Weighing {
	if p == nil {
		p = &practice.Programme{Enrolment: &practice.Enrolment{}}
	}
	return Weighing{Preference: PreferenceOf(p), Agreement: AgreementOf(p), Progress: ProgressOf(p)}
}

// Sentence says in plain words which position goes best.
func (p *Preference) Sentence() string {
	nights := plural(len(p.Ranked), "night")
	switch {
	case len(p.Ranked) == 0:
		return "No night has two positions to compare yet."
	case p.NoneShown():
		return fmt.Sprintf("No preference shown: on %s with positions to compare, all went equally well.", nights)
	case len(p.Ranked) < nightsToLead:
		return fmt.Sprintf("Too early to tell: %s of the %d that are wanted.", nights, nightsToLead)
	case p.Leader != "":
		return fmt.Sprintf("%s goes best so far: over %s, the recent ones counting most, the chance that it is the best is %s.",
			title(p.Leader), nights, percent(p.best().Best))
	}
	best := p.best()
	return fmt.Sprintf("No position leads yet: over %s, %s is the likeliest best with a chance of %s, and %s is wanted.",
		nights, best.Position, percent(best.Best), percent(leads))
}

// best returns the standing of the position that is most likely the best.
func (p *Preference) best() Standing {
	best := p.Positions[0]
	for _, s := range p.Positions {
		if compareStandings(s, best) < 0 {
			best = s
		}
	}
	return best
}

// percent writes a probability in whole percents, never a certainty that it is not.
func percent(p float64) string {
	whole := math.Round(100 * p)
	switch {
	case whole >= 100:
		return "over 99 %"
	case whole <= 0:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", whole)
}

// title begins a sentence with a position.
func title(p practice.Position) string { return string(p[0]-'a'+'A') + string(p[1:]) }
