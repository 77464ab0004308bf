package clinic

import (
	"context"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/fault"
)

// Folder is what is stored of a household and its folds rest on, each part as its own method returns it.
type Folder struct {
	Edition     Edition
	Head        Head
	Household   Household
	Learners    []Learner
	Caregivers  []Person
	Enrolments  []Enrolment
	Plans       []Plan // of the enrolments, each once, by id
	Devices     []Device
	Entries     []StoredEntry
	Deliveries  []Delivery
	FollowUps   []FollowUp
	Projections []Projection // of those learners who have one, as the learners
}

// FolderOf takes a household's folder together part by part, for stores for which that takes no longer than all at once.
func FolderOf(ctx context.Context, view View, household uuid.UUID) (f Folder, err error) {
	if f.Edition, err = view.Edition(ctx, household); err != nil {
		return f, err
	}
	if f.Head, err = view.Head(ctx, household); err != nil {
		return f, err
	}
	if f.Household, err = view.Household(ctx, household); err != nil {
		return f, err
	}
	if f.Learners, err = view.Learners(ctx, household); err != nil {
		return f, err
	}
	if f.Caregivers, err = view.Caregivers(ctx, household); err != nil {
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
	if f.FollowUps, err = view.FollowUps(ctx, household); err != nil {
		return f, err
	}
	f.Projections, err = projectionsOf(ctx, view, f.Learners)
	return f, err
}

// projectionsOf returns what is kept of the folds of learners. That of a learner may be missing.
func projectionsOf(ctx context.Context, view View, learners []Learner) ([]Projection, error) {
	var all []Projection
	for _, l := range learners {
		p, err := view.Projection(ctx, l.ID)
		if fault.KindOf(err) == fault.NotFound {
			continue
		}
		if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
	return all, nil
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
