package memory_test

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
	"swallowtail/internal/store/memory"
)

var started = time.Date(2027, time.March, 1, 12, 0, 0, 0, time.UTC)

// family is a household of the size that a simulator plays: two learners, two caregivers with three devices each.
type family struct {
	clinic, household    uuid.UUID
	caregivers, learners [2]uuid.UUID
	devices              [6]uuid.UUID
}

func newFamily(t testing.TB, s *memory.Store) family {
	t.Helper()
	f := family{clinic: uuid.New(), household: uuid.New()}
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(t, tx.AddClinic(ctx, clinic.Clinic{ID: f.clinic}))
		require.NoError(t, tx.AddHousehold(ctx, clinic.Household{ID: f.household, Clinic: f.clinic}))
		for i := range f.caregivers {
			f.caregivers[i], f.learners[i] = uuid.New(), uuid.New()
			require.NoError(t, tx.AddCaregiver(ctx, clinic.Person{ID: f.caregivers[i], Household: f.household}))
			require.NoError(t, tx.AddLearner(ctx, clinic.Learner{ID: f.learners[i], Household: f.household, Clinic: f.clinic}))
		}
		for i := range f.devices {
			f.devices[i] = uuid.New()
			device := clinic.Device{ID: f.devices[i], Household: f.household, Caregiver: f.caregivers[i%2]}
			require.NoError(t, tx.AddDevice(ctx, device))
		}
		return nil
	}))
	return f
}

// batch returns three entries after a revision; others of the same history have other ids.
func (f family) batch(after int64, history byte) []clinic.StoredEntry {
	entries := make([]clinic.StoredEntry, 3)
	for i := range entries {
		rev := after + int64(i) + 1
		entries[i] = clinic.StoredEntry{
			Rev: rev, ID: entryID(history, rev), Learner: f.learners[0], Status: practice.Accepted,
			Author: practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: f.caregivers[0]}},
			Device: f.devices[0], Received: started, Schema: 1, Sent: []byte(`{"body":"` + strings.Repeat("x", 400) + `"}`),
			Chain: [32]byte{0: history, 31: byte(rev)},
		}
	}
	return entries
}

// entryID scatters the ids of a history, as random ones are.
func entryID(history byte, rev int64) uuid.UUID {
	digest := sha256.Sum256(binary.BigEndian.AppendUint64([]byte{history}, uint64(rev)))
	return uuid.UUID(digest[:16])
}

// projection returns a fortnight's.
func (f family) projection(rev int64) clinic.Projection {
	p := clinic.Projection{
		Learner: f.learners[0], Clinic: f.clinic, Folded: started, Until: started.Add(time.Hour),
		Row: []byte(`{"row":1}`), Nickname: "Kit", Status: "running", Flags: []string{"disagreement"}, Heard: started,
	}
	for n := range practice.Night(14) {
		p.Nights = append(p.Nights, clinic.ProjectedNight{
			Night: 20_000 + n, ChangedRev: rev, Print: served.Print{15: byte(n)},
		})
	}
	for i := range 3 {
		p.Reminders = append(p.Reminders, clinic.ProjectedReminder{
			ID: uuid.UUID{15: byte(i)}, Kind: "tonight", Due: started.Add(time.Duration(i) * 24 * time.Hour),
		})
	}
	return p
}
