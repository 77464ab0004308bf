package served

import (
	"github.com/google/uuid"

	"swallowtail/internal/judgement"
	"swallowtail/internal/stats"
)

// CohortCaution goes with the tables of a cohort.
const CohortCaution = "Figures of a clinic's own record, not of a study: families differ, and so do those who stop. They say how " +
	"practice goes here and nothing about any one learner. Tables of different days, held against one another, may tell of " +
	"single learners: pass on one only."

// Cohort is how a clinic's learners do.
type Cohort struct {
	Plans   []CohortPlan `json:"plans"`
	Fewest  int          `json:"fewest"`
	AsOf    string       `json:"as_of"`
	Caution string       `json:"caution"`
}

// CohortPlan is how those do who began a programme of one version of a plan.
type CohortPlan struct {
	Plan    PlanName      `json:"plan"`
	AllAges CohortBlock   `json:"all_ages"`
	Bands   []CohortBlock `json:"bands"`
}

// PlanName is a plan without its parameters.
type PlanName struct {
	ID      uuid.UUID `json:"id"`
	Name    string    `json:"name"`
	Version int       `json:"version"`
}

// CohortBlock is the figures of one age band or of all ages; nil is not told.
type CohortBlock struct {
	AgeBand         *string           `json:"age_band,omitzero"` // nil for all ages
	Enrolled        *int              `json:"enrolled"`
	Practised       *int              `json:"practised"`
	Over            *int              `json:"over"`
	NightsPractised CohortMeans       `json:"nights_practised"`
	Completed       CohortProportions `json:"completed"`
	OffCentre       CohortProportions `json:"off_centre"`
	FirstSwallow    CohortWaiting     `json:"first_swallow"`
	Ready           CohortWaiting     `json:"ready"`
}

// CohortMeans are means over both denominators.
type CohortMeans struct {
	OfEnrolled  *float64 `json:"of_enrolled"`
	OfPractised *float64 `json:"of_practised"`
}

// CohortProportions are shares of both denominators.
type CohortProportions struct {
	OfEnrolled  *CohortProportion `json:"of_enrolled"`
	OfPractised *CohortProportion `json:"of_practised"`
}

// CohortProportion is a share of programmes.
type CohortProportion struct {
	Count    int        `json:"count"`
	Of       int        `json:"of"`
	Share    float64    `json:"share"`
	Interval [2]float64 `json:"interval"`
}

// CohortWaiting is how long something takes.
type CohortWaiting struct {
	Followed    *int          `json:"followed"`
	NotFollowed *int          `json:"not_followed"`
	Events      *int          `json:"events"`
	Median      *CohortMedian `json:"median"`
	ByNight     []CohortNight `json:"by_night"`
}

// CohortMedian is the night by which half have got there.
type CohortMedian struct {
	Night *float64 `json:"night"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
}

// CohortNight is how far those who wait have come by the end of a night.
type CohortNight struct {
	Night    int         `json:"night"`
	Share    *float64    `json:"share"`
	Interval *[2]float64 `json:"interval"`
	AtRisk   *int        `json:"at_risk"`
}

// CohortPlanOf returns the tables of one plan.
func CohortPlanOf(plan PlanName, c *judgement.Cohort) CohortPlan {
	doc := CohortPlan{Plan: plan, AllAges: blockOf(&c.AllAges), Bands: []CohortBlock{}}
	for i := range c.Bands {
		block := blockOf(&c.Bands[i].Block)
		block.AgeBand = &c.Bands[i].AgeBand
		doc.Bands = append(doc.Bands, block)
	}
	return doc
}

func blockOf(b *judgement.Block) CohortBlock {
	return CohortBlock{
		Enrolled: told(b.Enrolled), Practised: told(b.Practised), Over: told(b.Over),
		NightsPractised: CohortMeans{told(b.NightsPerEnrolled), told(b.NightsPerPractised)},
		Completed:       CohortProportions{proportionOf(b.Completed), proportionOf(b.CompletedOfPractised)},
		OffCentre:       CohortProportions{proportionOf(b.OffCentre), proportionOf(b.OffCentreOfPractised)},
		FirstSwallow:    waitingOf(&b.Swallowed), Ready: waitingOf(&b.Ready),
	}
}

// told returns a figure that is told, else nil.
func told[T any](figure judgement.Told[T]) *T {
	value, known := figure.Get()
	if !known {
		return nil
	}
	return &value
}

func proportionOf(figure judgement.Told[judgement.Proportion]) *CohortProportion {
	p, known := figure.Get()
	if !known {
		return nil
	}
	return &CohortProportion{p.Count, p.Of, p.Share, [2]float64{p.Interval.Low, p.Interval.High}}
}

func waitingOf(w *judgement.Waiting) CohortWaiting {
	doc := CohortWaiting{Followed: told(w.Followed), NotFollowed: told(w.NotFollowed), Events: told(w.Events), ByNight: []CohortNight{}}
	if m, known := w.Median.Get(); known {
		doc.Median = &CohortMedian{reached(m.At), reached(m.Low), reached(m.High)}
	}
	for _, n := range w.Nights {
		night := CohortNight{Night: n.Night, AtRisk: told(n.AtRisk)}
		if share, known := n.Reached.Get(); known {
			night.Share, night.Interval = &share.Share, &[2]float64{share.Limits.Low, share.Limits.High}
		}
		doc.ByNight = append(doc.ByNight, night)
	}
	return doc
}

func reached(r stats.Reached) *float64 {
	if !r.Is {
		return nil
	}
	return &r.Time
}
