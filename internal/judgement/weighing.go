package judgement

import (
	"fmt"
	"math"
	"slices"
	"time"

	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// Case is what is weighed.
type Case struct {
	View      *practice.View
	Programme *practice.Programme // of the view; nil for a learner without one
	Medicine  *Medicine           // nil where none is named
	// Known returns the programme as it was known at an instant, from what had been received by then; nil where there was
	// none.
	Known func(at time.Time) *practice.Programme
}

// Weighing is what statistics make of a programme. It takes a hundred times as long as a [Judgement], so it is worked out
// where somebody reads it, and never while an upload waits.
type Weighing struct {
	Preference Preference
	Success    Success
	Verdict    Verdict
	Criteria   []Criterion // all that readiness asks for
	Agreement  stats.Agreement
	Progress   Progress
}

// Weigh weighs a case, of which what is quickly told has been.
func Weigh(c Case, j *Judgement) Weighing {
	if c.Programme == nil {
		none := practice.Programme{Enrolment: &practice.Enrolment{}}
		return Weighing{Preference: PreferenceOf(&none), Progress: ProgressOf(&none), Verdict: j.Verdict}
	}
	rule := Rule(c.Programme.Enrolment.Plan.Success)
	w := Weighing{
		Preference: PreferenceOf(c.Programme), Success: successOf(&c, rule),
		Agreement: AgreementOf(c.Programme), Progress: ProgressOf(c.Programme),
	}
	w.Criteria = w.criteria(&c, rule, j)
	w.Verdict = w.verdict(j)
	return w
}

// criteria returns all that readiness asks for.
func (w *Weighing) criteria(c *Case, rule Rule, j *Judgement) []Criterion {
	resting := slices.DeleteFunc(slices.Clone(j.Disagreements), func(d Disagreement) bool {
		return len(w.Success.Nights) > 0 && !slices.Contains(w.Success.Nights, d.Night)
	})
	return []Criterion{
		w.Success.criterion(rule), practisedNights(c.Programme), sizePractised(c), noOpenIncident(c.View),
		noOpenDisagreement(resting), noRecalledNight(c.Programme, w.Success.Nights),
	}
}

// noRecalledNight asks that none of the nights that success rests on was filled in from memory.
func noRecalledNight(p *practice.Programme, resting []practice.Night) Criterion {
	c := Criterion{ID: "no_recalled_night", Wanted: "no night filled in from memory among those judged"}
	for i := range p.Nights {
		n := &p.Nights[i]
		if slices.Contains(resting, n.Night) && (n.Has(practice.MarkRecalled) || n.Has(practice.MarkWrittenTogether)) {
			c.Nights = append(c.Nights, n.Night)
		}
	}
	c.Met, c.Seen = len(c.Nights) == 0, plural(len(c.Nights), "such night")
	c.Why = "The nights that were judged were written down while they were fresh."
	if !c.Met {
		c.Why = c.Seen + " among those judged, written long after or together with others: memory makes tries look better."
	}
	return c
}

// verdict sums the criteria up: the first that applies.
func (w *Weighing) verdict(j *Judgement) Verdict {
	unmet := func(c Criterion) bool { return !c.Met }
	switch {
	case j.Verdict != "":
		return j.Verdict // on hold, or not started
	case !slices.ContainsFunc(w.Criteria, unmet):
		return ReadyForReview
	case w.Success.Look.Answer == Enough:
		return Nearing
	case w.Success.Look.At > 0 && w.Success.Look.Answer == CannotSay:
		return CannotTellYet
	}
	return Practising
}

// Sentence says in plain words which position goes best.
func (p *Preference) Sentence() string {
	nights := plural(len(p.Ranked), "night")
	switch {
	case len(p.Ranked) == 0:
		return "No night has two positions to compare yet."
	case p.NoneShown():
		return fmt.Sprintf("No preference shown: on %s with positions to compare, all went equally well.", nights)
	case len(p.Ranked) < p.rule.Nights:
		return fmt.Sprintf("Too early to tell: %s of the %d that are wanted.", nights, p.rule.Nights)
	case p.Leader != "":
		return fmt.Sprintf("%s goes best so far: over %s, the recent ones counting most, the chance that it is the best is %s.",
			title(p.Leader), nights, percent(p.best().Best))
	}
	best := p.best()
	return fmt.Sprintf("No position leads yet: over %s, %s is the likeliest best with a chance of %s, and %s is wanted.",
		nights, best.Position, percent(best.Best), percent(p.rule.Leads))
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
