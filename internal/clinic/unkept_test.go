package clinic_test

import (
	"context"
	"errors"
	"fmt"
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

// folded returns the instant at which the family's projection was folded.
func (h *house) folded() time.Time {
	h.t.Helper()
	var p clinic.Projection
	require.NoError(h.t, h.Store.Read(h.t.Context(), func(ctx context.Context, view clinic.View) error {
		var err error
		p, err = view.Projection(ctx, h.learner)
		return err
	}))
	return p.Folded
}

// rosters returns every page of the roster in every order and through some filters, by what was asked.
func (h *house) rosters(now time.Time) map[string][]clinic.RosterRow {
	h.t.Helper()
	all := map[string][]clinic.RosterRow{}
	for _, order := range []string{"needs_call", "missed", "last_heard", "nickname", "verdict"} {
		for _, filter := range [][2]string{{}, {"running"}, {"none"}, {"", "unheard"}, {"running", "hold"}} {
			for _, limit := range []int{2, 100} {
				q := clinic.RosterQuery{Order: order, Status: filter[0], Flag: filter[1], Limit: limit}
				asked := fmt.Sprintf("%s %q %q %d", order, q.Status, q.Flag, limit)
				for more := true; more; {
					rows, err := h.Roster(h.t.Context(), h.clinician, q, now)
					require.NoError(h.t, err)
					all[asked] = append(all[asked], rows...)
					if more = len(rows) == limit; more {
						q.After = &rows[limit-1].Key
					}
				}
			}
		}
	}
	return all
}

func (h *house) overdue(now time.Time) []clinic.DueReminder {
	h.t.Helper()
	scheduler := access.Principal{Role: access.RoleScheduler, ClinicID: h.clinic.ID}
	due, err := h.Overdue(h.t.Context(), scheduler, time.Time{}, nil, 100, now)
	require.NoError(h.t, err)
	for i := range due {
		due[i].Due = due[i].Due.UTC()
	}
	return due
}

// TestReadsOfAStoreThatKeepsNothing asks, while nothing can be written, for what is worked out anew when time has passed:
// it is what the same question gives once it can be kept.
func TestReadsOfAStoreThatKeepsNothing(t *testing.T) {
	t.Parallel()
	for name, failure := range map[string]error{
		"full":      fault.New(fault.OutOfSpace, "out-of-space", "The server has run out of space."),
		"read-only": fault.New(fault.Unavailable, "unavailable", "The server cannot reach its data at the moment."),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			h.addLearners([2]string{"otter", "Wren"}, -2)
			h.addLearners([2]string{"Heron", "wren"}, 2)
			h.addLearners([2]string{"Grebe", "Teal"}, 0)
			h.push(started, h.evening()...)
			before := h.folded()
			later := started.Add(72*time.Hour + 2*time.Hour) // some nights have closed since, without practice
			sound := h.Store
			h.Store = fullStore{sound, failure}
			rosters, overdue := h.rosters(later), h.overdue(later)
			assert.Equal(t, before, h.folded(), "nothing was kept")
			h.Store = sound
			assert.Equal(t, h.rosters(later), rosters)
			assert.Equal(t, h.overdue(later), overdue)
			assert.NotEqual(t, before, h.folded())
			assert.Len(t, rosters[`needs_call "" "" 2`], 7)
			assert.Len(t, rosters[`missed "running" "" 100`], 4)
			assert.NotEmpty(t, rosters[`nickname "" "unheard" 2`])
			assert.NotEmpty(t, overdue)
		})
	}
}

// TestAnotherFailureIsNoReasonToGoOn: what is no matter of room or of reach is told.
func TestAnotherFailureIsNoReasonToGoOn(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	defect := errors.New("a defect")
	h.Store = fullStore{h.Store, defect}
	later := started.Add(72 * time.Hour)
	_, err := h.Roster(t.Context(), h.clinician, clinic.RosterQuery{Order: "missed", Limit: 10}, later)
	require.ErrorIs(t, err, defect)
	scheduler := access.Principal{Role: access.RoleScheduler, ClinicID: h.clinic.ID}
	_, err = h.Overdue(t.Context(), scheduler, time.Time{}, nil, 10, later)
	require.ErrorIs(t, err, defect)
}
