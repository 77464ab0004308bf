package clinic

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// BuiltinPlan is the id of the plan that comes with the service.
var BuiltinPlan = uuid.MustParse("01940000-0000-7000-8000-000000000001")

// PlanParameters are a plan's parameters as they are stored and served. All numbers are placeholders for a clinician.
type PlanParameters struct {
	Nights                 int                 `json:"nights"`
	Positions              []practice.Position `json:"positions"`
	NightTurnsAt           string              `json:"night_turns_at"`
	SittingMinutes         int                 `json:"sitting_minutes"`
	SilentAfterDays        int                 `json:"silent_after_days"`
	RecalledAfterHours     int                 `json:"recalled_after_hours"`
	WrittenTogetherMinutes int                 `json:"written_together_minutes"`
	FollowUpRun            int                 `json:"follow_up_run"`
	QuietFrom              string              `json:"quiet_from"`
	QuietUntil             string              `json:"quiet_until"`
	PractisedNightsWanted  int                 `json:"practised_nights_wanted"`
	PreferenceHalfLife     float64             `json:"preference_half_life_nights"`
	LeaderProbability      float64             `json:"leader_probability"`
	LeaderNights           int                 `json:"leader_nights"`
	SuccessTries           int                 `json:"success_tries"`
	SuccessLookEvery       int                 `json:"success_look_every"`
	SuccessRate            float64             `json:"success_rate"`
	SuccessProbability     float64             `json:"success_probability"`
	TooFewProbability      float64             `json:"too_few_probability"`
	AdviceNights           int                 `json:"advice_nights"`
	SameAnswerNights       int                 `json:"same_answer_nights"`
	SequenceNights         int                 `json:"sequence_nights"`
	SequenceBelowYears     int                 `json:"sequence_below_years"`
	ExtraQuestions         []string            `json:"extra_screening_questions"`
}

// DefaultParameters are the parameters of the plan built in, and what a new plan takes where it names none.
func DefaultParameters() PlanParameters {
	d := practice.DefaultPlan()
	return PlanParameters{
		Nights:                 d.Nights,
		Positions:              d.Positions,
		NightTurnsAt:           d.TurnsAt.String(),
		SittingMinutes:         int(d.SittingWindow / time.Minute),
		SilentAfterDays:        int(d.SilentAfter / (24 * time.Hour)),
		RecalledAfterHours:     int(d.RecalledAfter / time.Hour),
		WrittenTogetherMinutes: int(d.WrittenTogetherWithin / time.Minute),
		FollowUpRun:            d.FollowUpRun,
		QuietFrom:              d.QuietFrom.String(),
		QuietUntil:             d.QuietUntil.String(),
		PractisedNightsWanted:  d.PractisedWanted,
		PreferenceHalfLife:     d.Preference.HalfLife,
		LeaderProbability:      d.Preference.Leads,
		LeaderNights:           d.Preference.Nights,
		SuccessTries:           d.Success.Tries,
		SuccessLookEvery:       d.Success.Every,
		SuccessRate:            d.Success.Rate,
		SuccessProbability:     d.Success.Enough,
		TooFewProbability:      d.Success.TooFew,
		AdviceNights:           d.AdviceNights,
		SameAnswerNights:       d.Answers.SameNights,
		SequenceNights:         d.Answers.SequenceNights,
		SequenceBelowYears:     d.Answers.SequenceBelowYears,
		ExtraQuestions:         []string{},
	}
}

func builtinPlan(now time.Time) Plan {
	parameters, err := json.Marshal(DefaultParameters())
	if err != nil {
		panic(fmt.Sprintf("encode the plan built in: %v", err)) // a struct of texts and numbers always encodes
	}
	return Plan{ID: BuiltinPlan, Name: "Fourteen evenings", Version: 1, Parameters: parameters, Created: now}
}

// ReadParameters reads parameters that are written as JSON, in which whatever is left out takes its default, and checks them.
func ReadParameters(raw []byte) (PlanParameters, error) {
	p := DefaultParameters()
	if err := json.Unmarshal(raw, &p, json.RejectUnknownMembers(true)); err != nil {
		return PlanParameters{}, fmt.Errorf("read the plan's parameters: %w", err)
	}
	var r refusal
	p.check(&r)
	var wrong []error
	for _, f := range r.fields {
		wrong = append(wrong, fmt.Errorf("%s: %s", f.Pointer, f.Detail))
	}
	return p, errors.Join(wrong...)
}

// Rule returns the rule of recent success.
func (p PlanParameters) Rule() judgement.Rule {
	return judgement.Rule{
		Tries: p.SuccessTries, Every: p.SuccessLookEvery, Rate: p.SuccessRate, Enough: p.SuccessProbability, TooFew: p.TooFewProbability,
	}
}

var questionName = regexp.MustCompile(`^[a-z][a-z0-9_]{0,63}$`)

// check returns what is wrong with parameters, each at its JSON Pointer below /parameters.
func (p PlanParameters) check(r *refusal) {
	number := func(name string, n, most int) {
		r.unless(1 <= n && n <= most, "/parameters/"+name, fmt.Sprintf("Give a whole number from 1 to %d.", most))
	}
	number("nights", p.Nights, MaxNights)
	number("sitting_minutes", p.SittingMinutes, 240)
	number("silent_after_days", p.SilentAfterDays, 60)
	number("recalled_after_hours", p.RecalledAfterHours, 168)
	number("written_together_minutes", p.WrittenTogetherMinutes, 60)
	number("follow_up_run", p.FollowUpRun, 14)
	number("practised_nights_wanted", p.PractisedNightsWanted, MaxNights)
	number("leader_nights", p.LeaderNights, 14)
	number("success_tries", p.SuccessTries, judgement.MostTries)
	number("success_look_every", p.SuccessLookEvery, 14)
	number("advice_nights", p.AdviceNights, 14)
	number("same_answer_nights", p.SameAnswerNights, 14)
	number("sequence_nights", p.SequenceNights, 14)
	number("sequence_below_years", p.SequenceBelowYears, 18)
	between := func(name string, n, least, most float64) {
		r.unless(least <= n && n <= most, "/parameters/"+name, fmt.Sprintf("Give a number from %g to %g.", least, most))
	}
	between("preference_half_life_nights", p.PreferenceHalfLife, 0.5, 60)
	between("leader_probability", p.LeaderProbability, 0.5, 0.999)
	between("success_rate", p.SuccessRate, 0.05, 0.95)
	between("success_probability", p.SuccessProbability, 0.5, 0.999)
	between("too_few_probability", p.TooFewProbability, 0.001, max(0.5, p.SuccessProbability))
	for name, text := range map[string]string{
		"night_turns_at": p.NightTurnsAt, "quiet_from": p.QuietFrom, "quiet_until": p.QuietUntil,
	} {
		_, err := practice.ParseTimeOfDay(text)
		r.unless(err == nil, "/parameters/"+name, "Give a time of day as HH:MM, from 00:00 to 23:59.")
	}
	r.positions("/parameters/positions", p.Positions)
	r.unless(len(p.ExtraQuestions) <= maxOthers, "/parameters/extra_screening_questions",
		fmt.Sprintf("Give at most %d questions.", maxOthers))
	for i, q := range p.ExtraQuestions {
		fine := questionName.MatchString(q) && !slices.Contains(p.ExtraQuestions[:i], q) && !slices.Contains(ScreeningQuestions(), q)
		r.unless(fine, fmt.Sprintf("/parameters/extra_screening_questions/%d", i),
			"Give a new name in lower case letters, digits and underscores, each once.")
	}
}

// positions checks a list of positions in use.
func (r *refusal) positions(pointer string, positions []practice.Position) {
	r.unless(len(positions) > 0, pointer, "Name at least one position.")
	for i, p := range positions {
		fine := p.Valid() && !slices.Contains(positions[:i], p)
		r.unless(fine, fmt.Sprintf("%s/%d", pointer, i), "Name centre, right, left, up or down, each at most once.")
	}
}

// practicePlan returns the parameters as the fold takes them. They were checked when they were written.
func (p Plan) practicePlan() (practice.Plan, error) {
	q := DefaultParameters() // for what a plan that was written earlier does not name
	if err := json.Unmarshal(p.Parameters, &q); err != nil {
		return practice.Plan{}, fmt.Errorf("read parameters of plan %s: %w", p.ID, err)
	}
	plan := practice.Plan{
		Nights:                q.Nights,
		Positions:             q.Positions,
		SittingWindow:         time.Duration(q.SittingMinutes) * time.Minute,
		SilentAfter:           time.Duration(q.SilentAfterDays) * 24 * time.Hour,
		RecalledAfter:         time.Duration(q.RecalledAfterHours) * time.Hour,
		WrittenTogetherWithin: time.Duration(q.WrittenTogetherMinutes) * time.Minute,
		FollowUpRun:           q.FollowUpRun,
		PractisedWanted:       q.PractisedNightsWanted,
		Preference: practice.PreferenceRule{
			HalfLife: q.PreferenceHalfLife, Leads: q.LeaderProbability, Nights: q.LeaderNights,
		},
		Success:      practice.SuccessRule(q.Rule()),
		AdviceNights: q.AdviceNights,
		Answers: practice.AnswerRule{
			SameNights: q.SameAnswerNights, SequenceNights: q.SequenceNights, SequenceBelowYears: q.SequenceBelowYears,
		},
	}
	for _, t := range []struct {
		text string
		into *practice.TimeOfDay
	}{{q.NightTurnsAt, &plan.TurnsAt}, {q.QuietFrom, &plan.QuietFrom}, {q.QuietUntil, &plan.QuietUntil}} {
		var err error
		if *t.into, err = practice.ParseTimeOfDay(t.text); err != nil {
			return practice.Plan{}, fmt.Errorf("read parameters of plan %s: %w", p.ID, err)
		}
	}
	return plan, nil
}

// CreatePlan writes a plan of the caller's clinic. A plan of a name that the clinic has already is the next version of
// it; an enrolment keeps the version it started with.
func (s *Service) CreatePlan(ctx context.Context, p access.Principal, name string, q PlanParameters, now time.Time) (Plan, error) {
	var r refusal
	r.name("/name", name)
	q.check(&r)
	if err := r.err(); err != nil {
		return Plan{}, err
	}
	parameters, err := json.Marshal(q)
	if err != nil {
		return Plan{}, fmt.Errorf("encode plan parameters: %w", err)
	}
	plan := Plan{ID: s.NewID(), Clinic: p.ClinicID, Name: name, Version: 1, Parameters: parameters, Created: now}
	err = s.changes(ctx, p, "createPlan", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		a.row.Thing = plan.ID
		plans, err := tx.Plans(ctx, a.ClinicID)
		if err != nil {
			return err
		}
		for _, other := range plans {
			if other.Clinic == a.ClinicID && other.Name == name {
				plan.Version = max(plan.Version, other.Version+1)
			}
		}
		return tx.AddPlan(ctx, plan)
	})
	return plan, err
}

// Plans returns the plans that the caller's clinic may use.
func (s *Service) Plans(ctx context.Context, p access.Principal, now time.Time) ([]Plan, error) {
	return looks(ctx, s, p, "listPlans", now, func(ctx context.Context, view View, a *ask) ([]Plan, error) {
		return view.Plans(ctx, a.ClinicID)
	})
}

// Plan returns one of the plans that the caller's clinic may use.
func (s *Service) Plan(ctx context.Context, p access.Principal, id uuid.UUID, now time.Time) (Plan, error) {
	return looks(ctx, s, p, "getPlan", now, func(ctx context.Context, view View, a *ask) (Plan, error) {
		return a.plan(ctx, view, id)
	})
}
