package clinic_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/reminder"
)

// claims claims what is due, for a minute.
func (h *house) claims(at time.Time) []clinic.ClaimedReminder {
	h.t.Helper()
	claimed, err := h.ClaimReminders(h.t.Context(), h.robot(), clinic.ClaimWish{Limit: 10, Lease: time.Minute}, at)
	require.NoError(h.t, err)
	return claimed
}

// ahead asks for the go-ahead, and returns the problem, if there is one.
func (h *house) ahead(c clinic.ClaimedReminder, at time.Time) string {
	h.t.Helper()
	_, err := h.GiveGoAhead(h.t.Context(), h.robot(), c.ID, clinic.GoAheadAsk{Claim: c.Claim}, at)
	if err != nil {
		return fault.ProblemOf(err)
	}
	return ""
}

// move moves the reminder time.
func (h *house) move(to string, at time.Time) {
	h.t.Helper()
	enrolments := readAll(h, func(ctx context.Context, view clinic.View) ([]clinic.Enrolment, error) {
		return view.Enrolments(ctx, h.household)
	})
	_, err := h.SetReminderTime(h.t.Context(), h.phone, enrolments[0].ID, to, at)
	require.NoError(h.t, err)
}

func readAll[T any](h *house, fn func(ctx context.Context, view clinic.View) (T, error)) (all T) {
	h.t.Helper()
	require.NoError(h.t, h.Store.Read(h.t.Context(), func(ctx context.Context, view clinic.View) (err error) {
		all, err = fn(ctx, view)
		return err
	}))
	return all
}

// TestAReminderTimeIsMovedMeanwhile: while somebody holds the reminder, and after they have died or failed. It is due once more then.
func TestAReminderTimeIsMovedMeanwhile(t *testing.T) {
	t.Parallel()
	at, later := atNight(0), atNight(0).Add(time.Hour)
	for name, before := range map[string]func(h *house){
		"held": func(h *house) {
			held := h.claims(at)
			h.move("20:30", at)
			assert.Equal(t, "reminder-not-due", h.ahead(held[0], at))
		},
		"its holder has died": func(h *house) {
			h.claims(at)
			h.move("20:30", at)
			assert.Empty(t, h.claims(at.Add(30*time.Minute)))
		},
		"it has failed": func(h *house) {
			held := h.claims(at)
			require.Empty(t, h.ahead(held[0], at))
			_, err := h.ReportReminder(t.Context(), h.robot(), held[0].ID, held[0].Claim, reminder.Report{Outcome: reminder.WasFailed}, at)
			require.NoError(t, err)
			h.move("20:30", at)
			assert.Empty(t, h.claims(at.Add(30*time.Minute)))
		},
	} {
		h := newFamily(t)
		before(h)
		assert.Empty(t, h.overdue(later.Add(-time.Second)), name)
		assert.Equal(t, []string{"tonight 2027-03-01"}, h.overdue(later), name)
		held := h.claims(later)
		require.Len(t, held, 1, name)
		assert.Empty(t, h.ahead(held[0], later), name)
		assert.Empty(t, h.found(), name)
	}
}

// TestAPauseThatIsOver the same evening leaves a reminder as due as it was.
func TestAPauseThatIsOver(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	enrolments := readAll(h, func(ctx context.Context, view clinic.View) ([]clinic.Enrolment, error) {
		return view.Enrolments(ctx, h.household)
	})
	set := func(status string) {
		_, err := h.SetEnrolmentStatus(t.Context(), h.clinician, enrolments[0].ID, status, "", atNight(0))
		require.NoError(t, err)
	}
	held := h.claims(atNight(0))
	set(clinic.Paused)
	assert.Equal(t, "reminder-not-due", h.ahead(held[0], atNight(0)))
	set(clinic.Running)
	require.Empty(t, h.ahead(h.claims(atNight(0))[0], atNight(0)))
	assert.Empty(t, h.found())
}

// TestAFailureThatIsToldLate, after the lease and after the family has been folded, is tried again.
func TestAFailureThatIsToldLate(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	held := h.tonight(atNight(0))
	h.push(atNight(0).Add(10 * time.Minute)) // nothing, but the household is folded
	assert.Empty(t, h.claims(atNight(0).Add(10*time.Minute)), "it may have been sent")
	d, err := h.ReportReminder(t.Context(), h.robot(), held.ID, held.Claim, reminder.Report{Outcome: reminder.WasFailed}, atNight(0).Add(11*time.Minute))
	require.NoError(t, err)
	assert.Equal(t, reminder.Waiting, d.State)
	assert.Empty(t, h.found())
	assert.Len(t, h.claims(atNight(0).Add(12*time.Minute)), 1)
}

// TestASlowClockGetsNoGoAhead for what is not due by now.
func TestASlowClockGetsNoGoAhead(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	held := h.claims(atNight(0))
	h.push(atNight(0).Add(30*time.Second), h.evening()...)
	_, err := h.GiveGoAhead(t.Context(), h.robot(), held[0].ID, clinic.GoAheadAsk{Claim: held[0].Claim, AsOf: atNight(0)}, atNight(0).Add(40*time.Second))
	assert.Equal(t, "reminder-not-due", fault.ProblemOf(err))
	assert.Empty(t, h.found())
}

// TestOneMailboxIsOneDestination, whoever of the household gave it.
func TestOneMailboxIsOneDestination(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.PublicURL = "https://practice.example.org"
	mama := h.enrolPhone()
	for _, to := range []string{"us@example.org", "mama@example.org"} {
		h.verified(mama.CaregiverID, to)
	}
	h.verified(h.phone.CaregiverID, "us@example.org")
	held := h.claims(atNight(0))
	require.Len(t, held, 1)
	var to []string
	for _, d := range held[0].Destinations {
		to = append(to, d.To)
	}
	assert.ElementsMatch(t, []string{"us@example.org", "mama@example.org"}, to)
}

// verified gives a caregiver an address that has been verified.
func (h *house) verified(caregiver uuid.UUID, to string) {
	h.t.Helper()
	require.NoError(h.t, h.Store.InTx(h.t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		return tx.AddAddress(ctx, clinic.Address{
			ID: newID(), Household: h.household, Caregiver: caregiver, Channel: clinic.EMail, To: to, Created: started, Verified: started,
			Wanted: clinic.Wanted{Kinds: []string{"tonight"}, Weekdays: []int{1}},
		})
	}))
}

// TestAnUpgradeLeavesRemindersToBeWorkedOut, and that is nothing to find fault with.
func TestAnUpgradeLeavesRemindersToBeWorkedOut(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.alter(`DELETE FROM reminder`)
	require.NotEmpty(t, h.found())
	h.alter(`UPDATE projection SET next_due = NULL, reminders_until = 0, reminders_renew = 0`) // as the migration does
	assert.Empty(t, h.found())
	assert.Equal(t, []string{"tonight 2027-03-01"}, h.overdue(atNight(0)))
	assert.Empty(t, h.found())
}
