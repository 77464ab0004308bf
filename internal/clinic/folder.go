package clinic

import (
	"context"
	"fmt"
	"slices"

	"github.com/google/uuid"
)

// Folder is what is stored of a household and its folds rest on, each part as its own method returns it.
type Folder struct {
	Household  Household
	Learners   []Learner
	Enrolments []Enrolment
	Plans      []Plan // of the enrolments, each once, by id
	Devices    []Device
	Entries    []StoredEntry
	Deliveries []Delivery
	FollowUps  []FollowUp
}

// FolderOf takes a household's folder together part by part, for stores for which that takes no longer than all at once.
func FolderOf(ctx context.Context, view View, household uuid.UUID) (f Folder, err error) {
	if f.Household, err = view.Household(ctx, household); err != nil {
		return f, err
	}
	if f.Learners, err = view.Learners(ctx, household); err != nil {
		return f, err
	}
	if f.Enrolments, err = view.Enrolments(ctx, household); err != nil {
		return f, err
	}
	if f.Plans, err = plansOf(ctx, view, f.Enrolments); err != nil {
		return f, err
	}
	if f.Devices, err = view.Devices(ctx, household); err != nil {
		return f, err
	}
	if f.Entries, err = view.Entries(ctx, household, 0, 0); err != nil {
		return f, err
	}
	if f.Deliveries, err = view.Deliveries(ctx, household); err != nil {
		return f, err
	}
	f.FollowUps, err = view.FollowUps(ctx, household)
	return f, err
}

func plansOf(ctx context.Context, view View, enrolments []Enrolment) ([]Plan, error) {
	var plans []Plan
	for _, e := range enrolments {
		if slices.ContainsFunc(plans, func(p Plan) bool { return p.ID == e.Plan }) {
			continue
		}
		plan, err := view.Plan(ctx, e.Plan)
		if err != nil {
			return nil, fmt.Errorf("plan of enrolment %s: %w", e.ID, err)
		}
		plans = append(plans, plan)
	}
	slices.SortFunc(plans, func(a, b Plan) int { return slices.Compare(a.ID[:], b.ID[:]) })
	return plans, nil
}
