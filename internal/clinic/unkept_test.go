package clinic_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// fullStore writes nothing, as a store whose disk is full.
type fullStore struct {
	clinic.Store
	failure error
}

func (s fullStore) InTx(context.Context, func(ctx context.Context, tx clinic.Tx) error) error {
	return s.failure
}

// addLearners brings in a household of two learners: the first begins her programme some nights after the family's, the
// second has none, so that nothing of his changes with time.
func (h *house) addLearners(nicknames [2]string, nights int) {
	h.t.Helper()
	ctx := h.t.Context()
	household, err := h.CreateHousehold(ctx, h.clinician, "another folder", started)
	require.NoError(h.t, err)
	var ids [2]uuid.UUID
	for i, nickname := range nicknames {
		l, err := h.CreateLearner(ctx, h.clinician, household.ID, clinic.NewLearner{Nickname: nickname}, started)
		require.NoError(h.t, err)
		ids[i] = l.ID
	}
	answers := map[string]bool{}
	for _, q := range clinic.ScreeningQuestions() {
		answers[q] = false
	}
	_, err = h.RecordScreening(ctx, h.clinician, ids[0], clinic.NewScreening{Answers: answers, Decision: "go"}, started)
	require.NoError(h.t, err)
	_, err = h.CreateEnrolment(ctx, h.clinician, ids[0], clinic.NewEnrolment{
		FirstNight: started.AddDate(0, 0, nights).Format(time.DateOnly), Timezone: "America/Halifax", ReminderAt: "19:30",
	}, started)
	require.NoError(h.t, err)
}

// TestNothingIsReadThatCannotBeOnTheTrail asks for everything while nothing can be written: all of it is refused, as by the
// store.
func TestNothingIsReadThatCannotBeOnTheTrail(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	full := fault.New(fault.OutOfSpace, "out-of-space", "The server has run out of space.")
	h.Store = fullStore{h.Store, full}
	ctx, later := t.Context(), started.Add(72*time.Hour)
	scheduler := access.Principal{Role: access.RoleScheduler, ClinicID: h.clinic.ID}
	lead := access.Principal{Role: access.RoleLead, ClinicID: h.clinic.ID, ClinicianID: h.clinician.ClinicianID}
	for what, ask := range map[string]func() (told bool, err error){
		"summary": func() (bool, error) {
			a, err := h.Summary(ctx, h.clinician, h.learner, clinic.Question{}, later)
			return a.Doc != nil, err
		},
		"nights": func() (bool, error) {
			a, err := h.Nights(ctx, h.clinician, h.learner, clinic.Question{}, later)
			return a.Nights != nil, err
		},
		"entries": func() (bool, error) {
			a, err := h.Entries(ctx, h.clinician, h.learner, clinic.EntryPage{Limit: 10}, later)
			return a.Entries != nil, err
		},
		"roster": func() (bool, error) {
			a, err := h.Roster(ctx, h.clinician, clinic.RosterQuery{Order: "missed", Limit: 10}, later)
			return a != nil, err
		},
		"cohort": func() (bool, error) {
			a, err := h.Cohort(ctx, lead, later)
			return len(a.Plans) > 0, err
		},
		"audit": func() (bool, error) {
			a, err := h.Audit(ctx, lead, clinic.AuditPage{Limit: 10}, later)
			return a != nil, err
		},
		"overdue": func() (bool, error) {
			a, err := h.Overdue(ctx, scheduler, time.Time{}, nil, 10, later)
			return a != nil, err
		},
	} {
		told, err := ask()
		require.ErrorIs(t, err, full, what)
		assert.False(t, told, what)
	}
}
