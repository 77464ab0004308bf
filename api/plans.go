package api

import (
	"bytes"
	"context"

	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// planOf returns a plan as the description has it.
func planOf(p clinic.Plan) oas.Plan {
	doc := clinic.ServedPlan(p)
	return oas.Plan{
		ID: doc.ID.String(), Name: doc.Name, Version: doc.Version, Builtin: doc.Builtin,
		Parameters: oas.PlanParameters(doc.Parameters),
	}
}

// parametersOf returns the parameters of a new plan: the defaults, but for what is given.
func parametersOf(given *oas.PlanParametersInput) clinic.PlanParameters {
	p := clinic.DefaultParameters()
	if given == nil {
		return p
	}
	take(&p.Nights, given.Nights)
	take(&p.NightTurnsAt, given.NightTurnsAt)
	take(&p.SittingMinutes, given.SittingMinutes)
	take(&p.SilentAfterDays, given.SilentAfterDays)
	take(&p.RecalledAfterHours, given.RecalledAfterHours)
	take(&p.WrittenTogetherMinutes, given.WrittenTogetherMinutes)
	take(&p.FollowUpRun, given.FollowUpRun)
	take(&p.QuietFrom, given.QuietFrom)
	take(&p.QuietUntil, given.QuietUntil)
	take(&p.PractisedNightsWanted, given.PractisedNightsWanted)
	take(&p.PreferenceHalfLife, given.PreferenceHalfLifeNights)
	take(&p.LeaderProbability, given.LeaderProbability)
	take(&p.LeaderNights, given.LeaderNights)
	take(&p.SuccessTries, given.SuccessTries)
	take(&p.SuccessLookEvery, given.SuccessLookEvery)
	take(&p.SuccessRate, given.SuccessRate)
	take(&p.SuccessProbability, given.SuccessProbability)
	take(&p.TooFewProbability, given.TooFewProbability)
	take(&p.AdviceNights, given.AdviceNights)
	take(&p.SameAnswerNights, given.SameAnswerNights)
	take(&p.SequenceNights, given.SequenceNights)
	take(&p.SequenceBelowYears, given.SequenceBelowYears)
	if given.Positions != nil {
		p.Positions = positionsIn(given.Positions)
	}
	if given.ExtraScreeningQuestions != nil {
		p.ExtraQuestions = given.ExtraScreeningQuestions
	}
	return p
}

func take[T any](into, given *T) {
	if given != nil {
		*into = *given
	}
}

// positionsIn returns nil where nothing was given, which is another thing than none.
func positionsIn(given []oas.Position) []practice.Position {
	if given == nil {
		return nil
	}
	positions := make([]practice.Position, len(given))
	for i, p := range given {
		positions[i] = practice.Position(p)
	}
	return positions
}

func positionsOut(positions []practice.Position) []oas.Position {
	out := make([]oas.Position, len(positions))
	for i, p := range positions {
		out[i] = oas.Position(p)
	}
	return out
}

// CreatePlan writes a plan of the clinic.
func (s *server) CreatePlan(ctx context.Context, r oas.CreatePlanRequestObject) (oas.CreatePlanResponseObject, error) {
	plan, err := s.Service.CreatePlan(ctx, caller(ctx), r.Body.Name, parametersOf(r.Body.Parameters), s.Now())
	if err != nil {
		return nil, err
	}
	return oas.CreatePlan201JSONResponse(planOf(plan)), nil
}

// ListPlans lists the plans that the clinic may use. They are few, and cut into pages here.
func (s *server) ListPlans(ctx context.Context, r oas.ListPlansRequestObject) (oas.ListPlansResponseObject, error) {
	limit, err := pageLimit(r.Params.Limit)
	if err != nil {
		return nil, err
	}
	after, err := s.idCursor(planCursor, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	plans, err := s.Service.Plans(ctx, caller(ctx), s.Now())
	if err != nil {
		return nil, err
	}
	page := oas.ListPlans200JSONResponse{Plans: []oas.Plan{}}
	for i, p := range plans {
		if bytes.Compare(p.ID[:], after[:]) <= 0 {
			continue
		}
		if len(page.Plans) == limit {
			page.Cursor = s.sealID(planCursor, plans[i-1].ID)
			break
		}
		page.Plans = append(page.Plans, planOf(p))
	}
	return page, nil
}

// GetPlan gives one plan.
func (s *server) GetPlan(ctx context.Context, r oas.GetPlanRequestObject) (oas.GetPlanResponseObject, error) {
	id, err := pathID(r.Plan)
	if err != nil {
		return nil, err
	}
	plan, err := s.Service.Plan(ctx, caller(ctx), id, s.Now())
	if err != nil {
		return nil, err
	}
	return oas.GetPlan200JSONResponse(planOf(plan)), nil
}
