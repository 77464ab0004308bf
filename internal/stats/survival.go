package stats

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Followed is how long somebody was followed, in nights or any unit above 0, and whether what was waited for happened then.
// Where it did not, they were lost from sight: nobody knows when it happened, if it did.
type Followed struct {
	Time     float64
	Happened bool
}

// Step is how many are still without the event after a time at which somebody had it or was lost from sight.
type Step struct {
	Time                     float64
	AtRisk, Events, Censored int // who is lost from sight at a time is at risk at it
	// Survival is the share without the event after this time.
	Survival float64
	// StdErr is Greenwood's standard error of it. It is 0 and says nothing where Survival is 0 or 1.
	StdErr float64
	// Limits are pointwise, by the log of minus the log of Survival. Where Survival is 1 or 0 they are not defined, and
	// Limited is false.
	Limits  Interval
	Limited bool
}

// Survival is how long something takes, allowing for those who were lost from sight before it happened.
type Survival struct {
	Followed, Events int
	Steps            []Step // by time
	// Median is the time at which half have had the event: not reached where more than half have not when the last is lost
	// from sight. Its limits are where the limits of the steps pass one half.
	Median, MedianLow, MedianHigh Reached
}

// Reached is a time, unless it was not reached.
type Reached struct {
	Time float64
	Is   bool
}

// SurvivalOf works out the product-limit estimate: Kaplan and Meier (1958), JASA 53:457-481. The standard error is Greenwood's
// (1926). Limits are by the log-log transformation: Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data,
// 2nd ed. (2002), section 1.4. Where Survival is exactly one half over a while, the median is the middle of that.
func SurvivalOf(followed []Followed, confidence float64) Survival {
	z := twoSided(confidence)
	sorted := slices.Clone(followed)
	slices.SortFunc(sorted, func(a, b Followed) int { return cmp.Compare(a.Time, b.Time) })
	s := Survival{Followed: len(sorted)}
	surviving, greenwood := 1.0, 0.0
	for first := 0; first < len(sorted); {
		step := Step{Time: sorted[first].Time, AtRisk: len(sorted) - first}
		if !(step.Time > 0) || math.IsInf(step.Time, 0) {
			panic(fmt.Sprintf("stats: followed for %v", step.Time))
		}
		for ; first < len(sorted) && sorted[first].Time == step.Time; first++ {
			if sorted[first].Happened {
				step.Events++
			} else {
				step.Censored++
			}
		}
		s.Events += step.Events
		left := step.AtRisk - step.Events
		surviving *= float64(left) / float64(step.AtRisk)
		if left > 0 {
			greenwood += float64(step.Events) / (float64(step.AtRisk) * float64(left))
		}
		step.Survival = surviving
		step.limit(greenwood, z)
		s.Steps = append(s.Steps, step)
	}
	s.Median = s.halfAt(func(s *Step) (float64, bool) { return s.Survival, true })
	s.MedianLow = s.halfAt(func(s *Step) (float64, bool) { return s.Limits.Low, s.Limited })
	s.MedianHigh = s.halfAt(func(s *Step) (float64, bool) { return s.Limits.High, s.Limited })
	return s
}

// limit sets the standard error and the limits.
func (s *Step) limit(greenwood, z float64) {
	if s.Survival <= 0 || s.Survival >= 1 {
		return
	}
	s.StdErr = s.Survival * math.Sqrt(greenwood)
	spread := z * math.Sqrt(greenwood) / math.Log(s.Survival)
	s.Limits = Interval{math.Pow(s.Survival, math.Exp(-spread)), math.Pow(s.Survival, math.Exp(spread))}
	s.Limited = true
}

// halfAt returns where a curve comes down to one half.
func (s *Survival) halfAt(curve func(*Step) (float64, bool)) Reached {
	for i := range s.Steps {
		value, defined := curve(&s.Steps[i])
		switch {
		case !defined || value > 0.5+tolerance:
		case value < 0.5-tolerance:
			return Reached{s.Steps[i].Time, true}
		default:
			return Reached{s.middleOfPlateau(i, curve), true}
		}
	}
	return Reached{}
}

// middleOfPlateau returns the middle of the time for which a curve stays where it is at a step; its beginning, where it
// never leaves.
func (s *Survival) middleOfPlateau(from int, curve func(*Step) (float64, bool)) float64 {
	for i := range s.Steps[from:] {
		step := &s.Steps[from+i]
		if value, defined := curve(step); !defined || value < 0.5-tolerance {
			return (s.Steps[from].Time + step.Time) / 2
		}
	}
	return s.Steps[from].Time
}
