package clinic_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/reminder"
)

// TestAFamilyKeptIsAsItIsStored lets two servers work on one store, in a drawn order, and compares what each keeps in memory of the family
// with what is stored, wherever it says that it is of the same edition. What either does is then done by the other too, which keeps
// what was there before.
func TestAFamilyKeptIsAsItIsStored(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	servers := []*clinic.Service{h.Service, clinic.New(h.Config)}
	random := rand.New(rand.NewPCG(7, 8))
	robot, second := h.robot(), h.enrolPhone()
	phones := []access.Principal{h.phone, second}
	own, err := h.OwnHousehold(t.Context(), h.phone, started)
	require.NoError(t, err)
	enrolment := own.Learners[0].Enrolments[0].ID
	var entries [][2]string
	now, fresh, done := started, 0, map[string]int{}
	for range 100 {
		now = now.Add(time.Duration(1+random.IntN(6*60)) * time.Minute)
		s := servers[random.IntN(2)]
		what := []string{"sync", "sync", "look", "claim", "weigh", "status", "time", "consent", "copy", "summary", "phone"}[random.IntN(11)]
		done[what]++
		switch what {
		case "sync", "look":
			r := clinic.SyncRequest{Schema: 1, Sent: now, Limit: clinic.MaxPage}
			if what == "sync" {
				r.Entries = h.somethingWritten(random, now, &entries)
			}
			_, err = s.Sync(t.Context(), phones[random.IntN(2)], r, now)
		case "claim":
			var claimed []clinic.ClaimedReminder
			claimed, err = s.ClaimReminders(t.Context(), robot, clinic.ClaimWish{Limit: 9, Lease: time.Minute}, now)
			for _, c := range claimed {
				_, err := s.ReportReminder(t.Context(), robot, c.ID, c.Claim, reminder.Report{Outcome: reminder.WasFailed}, now)
				require.NoError(t, err)
			}
		case "weigh":
			_, err = s.Roster(t.Context(), h.clinician, clinic.RosterQuery{Order: "nickname", Limit: 9}, now)
		case "status":
			status := []string{clinic.Paused, clinic.Running}[random.IntN(2)]
			_, err = s.SetEnrolmentStatus(t.Context(), h.clinician, enrolment, status, "", now)
		case "time":
			_, err = s.SetReminderTime(t.Context(), h.clinician, enrolment, []string{"18:30", "19:45"}[random.IntN(2)], now)
		case "consent":
			_, err = s.WithdrawConsent(t.Context(), h.clinician, second.CaregiverID, now)
			if err == nil && random.IntN(2) == 0 {
				_, err = s.GiveConsent(t.Context(), second, clinic.ConsentVersion, now)
			}
		case "copy":
			_, raw := h.entry("note", map[string]any{"text": "seen at the clinic"})
			_, err = s.AddEntries(t.Context(), h.clinician, h.learner, [][]byte{raw}, now)
		case "summary":
			_, err = s.Summary(t.Context(), h.clinician, h.learner, clinic.Question{}, now)
		case "phone":
			phones[1] = h.enrolPhone()
		}
		require.NoError(t, err, what)
		for n, server := range servers {
			kept, stored, same, err := server.KeptAndStored(t.Context(), h.household)
			require.NoError(t, err)
			if same {
				fresh++
				for part := range stored {
					require.Equal(t, stored[part], kept[part], "%s of server %d after %s", part, n, what)
				}
			}
		}
	}
	assert.Greater(t, fresh, 40)
	assert.Len(t, done, 10)
	assert.Empty(t, h.found())
	t.Logf("%d of 200 were as it was stored: %v", fresh, done)
}
