package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/judgement"
	"swallowtail/internal/served"
)

// Cohort tells how those of the caller's clinic do, from what has been weighed of each. Who has changed since is weighed first.
func (s *Service) Cohort(ctx context.Context, p access.Principal, now time.Time) (served.Cohort, error) {
	return reads(ctx, s, p, "getCohort", now, func(a *ask) (served.Cohort, error) { return s.cohort(ctx, a.permit, now) })
}

func (s *Service) cohort(ctx context.Context, p permit, now time.Time) (served.Cohort, error) {
	doc := served.Cohort{Plans: []served.CohortPlan{}, Fewest: judgement.Fewest, AsOf: served.Instant(now), Caution: served.CohortCaution}
	if err := s.renewProjections(ctx, p.ClinicID, now); err != nil {
		return doc, err
	}
	var facts []judgement.Facts
	names := map[string]served.PlanName{}
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		docs, err := view.Weighed(ctx, p.ClinicID)
		if err != nil {
			return err
		}
		facts = factsOf(docs)
		plans, err := view.Plans(ctx, p.ClinicID)
		for _, plan := range plans {
			names[plan.ID.String()] = served.PlanName{ID: plan.ID, Name: plan.Name, Version: plan.Version}
		}
		return err
	})
	if err != nil {
		return doc, err
	}
	for _, c := range judgement.CohortsOf(facts) {
		doc.Plans = append(doc.Plans, served.CohortPlanOf(names[c.Plan], &c))
	}
	return doc, nil
}

// factsOf returns the facts of all programmes that were weighed.
func factsOf(docs map[uuid.UUID][]byte) []judgement.Facts {
	var facts []judgement.Facts
	for _, doc := range docs {
		u, _ := Weighed{Doc: doc}.read()
		for _, p := range u.Programmes {
			facts = append(facts, p.facts())
		}
	}
	return facts
}
