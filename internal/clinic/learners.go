package clinic

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// ScreeningQuestions are the questions of a screening. The list is a default for a clinician to sign off; a plan can add
// to it.
func ScreeningQuestions() []string {
	return []string{
		"swallowing_trouble", "aspiration_history", "recent_mouth_throat_or_neck_surgery", "sore_mouth",
		"nausea_or_vomiting", "breathing_trouble", "reduced_alertness", "under_minimum_age", "allergy_to_ingredients",
		"sugar_restricted",
	}
}

// CreateHousehold adds a household to the caller's clinic.
func (s *Service) CreateHousehold(ctx context.Context, p access.Principal, label string, now time.Time) (Household, error) {
	var r refusal
	r.name("/label", label)
	if err := r.err(); err != nil {
		return Household{}, err
	}
	h := Household{ID: s.NewID(), Clinic: p.ClinicID, Label: label, Created: now}
	err := s.changes(ctx, p, "createHousehold", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		a.row.Household = h.ID
		return tx.AddHousehold(ctx, h)
	})
	return h, err
}

// Households returns a page of the caller's clinic's households.
func (s *Service) Households(ctx context.Context, p access.Principal, page Page, now time.Time) ([]Household, error) {
	return looks(ctx, s, p, "listHouseholds", now, func(ctx context.Context, view View, a *ask) ([]Household, error) {
		return view.Households(ctx, a.ClinicID, page)
	})
}

// HouseholdDetail is a household and who belongs to it.
type HouseholdDetail struct {
	Household
	Learners   []Learner
	Caregivers []Person
	Devices    []Device
}

// HouseholdDetail returns one household of the caller's clinic.
func (s *Service) HouseholdDetail(ctx context.Context, p access.Principal, id uuid.UUID, now time.Time) (HouseholdDetail, error) {
	return looks(ctx, s, p, "getHousehold", now, func(ctx context.Context, view View, a *ask) (d HouseholdDetail, err error) {
		if d.Household, err = a.household(ctx, view, id); err != nil {
			return d, err
		}
		if d.Learners, err = view.Learners(ctx, id); err != nil {
			return d, err
		}
		if d.Caregivers, err = view.Caregivers(ctx, id); err != nil {
			return d, err
		}
		d.Devices, err = view.Devices(ctx, id)
		return d, err
	})
}

// NewLearner is a learner to add.
type NewLearner struct {
	Nickname   string
	BirthMonth string // "2019-05", empty where not given
}

// CreateLearner adds a learner to a household.
func (s *Service) CreateLearner(ctx context.Context, p access.Principal, household uuid.UUID, n NewLearner, now time.Time) (Learner, error) {
	var r refusal
	r.name("/nickname", n.Nickname)
	if n.BirthMonth != "" {
		born, err := time.Parse("2006-01", n.BirthMonth)
		fine := err == nil && !born.After(now) && born.Year() >= now.Year()-120
		r.unless(fine, "/birth_month", "Give the month as YYYY-MM, not in the future and within the last 120 years.")
	}
	if err := r.err(); err != nil {
		return Learner{}, err
	}
	l := Learner{
		ID: s.NewID(), Household: household, Clinic: p.ClinicID, Nickname: n.Nickname, BirthMonth: n.BirthMonth, Created: now,
	}
	err := s.changes(ctx, p, "createLearner", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		a.row.Learner = l.ID
		if _, err := a.household(ctx, tx, household); err != nil {
			return err
		}
		if err := tx.AddLearner(ctx, l); err != nil {
			return err
		}
		return s.refold(ctx, tx, household, now)
	})
	return l, err
}

// NewScreening is a screening to record.
type NewScreening struct {
	Answers  map[string]bool
	Decision string
	Note     string
}

// RecordScreening records whether a learner may practise. Every question of the default list must be answered; a go
// beside a yes needs a note that says why.
func (s *Service) RecordScreening(ctx context.Context, p access.Principal, learner uuid.UUID, n NewScreening, now time.Time) (Screening, error) {
	if err := n.check(); err != nil {
		return Screening{}, err
	}
	record := Screening{
		ID: s.NewID(), Learner: learner, By: p.ClinicianID, Answers: n.Answers, Decision: n.Decision, Note: n.Note, At: now,
	}
	err := s.changes(ctx, p, "recordScreening", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		a.row.Thing = record.ID
		if _, err := a.learner(ctx, tx, learner); err != nil {
			return err
		}
		return tx.AddScreening(ctx, record)
	})
	return record, err
}

func (n NewScreening) check() error {
	var r refusal
	anyYes := false
	for _, q := range ScreeningQuestions() {
		_, answered := n.Answers[q]
		r.unless(answered, "/answers/"+q, "Answer this question with true or false.")
	}
	for _, q := range slices.Sorted(maps.Keys(n.Answers)) {
		r.unless(questionName.MatchString(q), "/answers", "Name questions in lower case letters, digits and underscores.")
		anyYes = anyYes || n.Answers[q]
	}
	r.unless(len(n.Answers) <= len(ScreeningQuestions())+maxOthers, "/answers", "There are too many answers.")
	r.unless(n.Decision == "go" || n.Decision == "no_go", "/decision", "Give go or no_go.")
	r.note("/note", n.Note)
	if n.Decision == "go" && anyYes {
		r.unless(n.Note != "", "/note", "A go beside an answer of true needs a note that says why.")
	}
	return r.err()
}

// screened checks that a learner's newest screening allows practice on a plan and answered the questions it adds.
func screened(ctx context.Context, view View, learner uuid.UUID, extra []string) error {
	last, err := view.LastScreening(ctx, learner)
	if fault.KindOf(err) == fault.NotFound || (err == nil && last.Decision != "go") {
		return fault.New(fault.Invalid, "screening-required",
			"The learner's newest screening must be a go before the learner can be enrolled: record one.")
	}
	if err != nil {
		return err
	}
	for _, q := range extra {
		if _, answered := last.Answers[q]; !answered {
			return fault.New(fault.Invalid, "screening-required",
				fmt.Sprintf("The plan asks a question that the newest screening does not answer: %s.", q))
		}
	}
	return nil
}
