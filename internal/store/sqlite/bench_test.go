package sqlite

import (
	"context"
	"crypto/sha256"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// family is a household with one learner, for the benchmarks.
type family struct{ clinic, household, caregiver, device, learner uuid.UUID }

func newFamily(t testing.TB, s *Store) family {
	t.Helper()
	f := family{uuid.New(), uuid.New(), uuid.New(), uuid.New(), uuid.New()}
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(t, tx.AddClinic(ctx, clinic.Clinic{ID: f.clinic, Created: started}))
		require.NoError(t, tx.AddHousehold(ctx, clinic.Household{ID: f.household, Clinic: f.clinic, Created: started}))
		require.NoError(t, tx.AddCaregiver(ctx, clinic.Person{ID: f.caregiver, Household: f.household, Created: started}))
		require.NoError(t, tx.AddDevice(ctx, clinic.Device{
			ID: f.device, Household: f.household, Caregiver: f.caregiver, Enrolled: started,
		}))
		return tx.AddLearner(ctx, clinic.Learner{
			ID: f.learner, Household: f.household, Clinic: f.clinic, Created: started,
		})
	}))
	return f
}

// newFormerFamily adds a family to a database of a former version, which counted no editions.
func newFormerFamily(t *testing.T, s *Store) family {
	t.Helper()
	_, err := s.writer.db.ExecContext(t.Context(), `ALTER TABLE household ADD COLUMN edition INTEGER NOT NULL DEFAULT 0`)
	require.NoError(t, err)
	f := newFamily(t, s)
	_, err = s.writer.db.ExecContext(t.Context(), `ALTER TABLE household DROP COLUMN edition`)
	require.NoError(t, err)
	return f
}

// evening returns a session and five tries after a head, in the size that they have on the wire.
func (f family) evening(head clinic.Head) []clinic.StoredEntry {
	sent := []byte(`{"body":"` + strings.Repeat("x", 400) + `"}`)
	entries := make([]clinic.StoredEntry, 6)
	for i := range entries {
		entries[i] = clinic.StoredEntry{
			Rev: head.Rev + int64(i) + 1, ID: uuid.New(), Learner: f.learner, Status: practice.Accepted,
			Author: practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: f.caregiver}}, Device: f.device,
			Received: started, Schema: 1, Sent: sent, Content: sha256.Sum256(sent), Chain: sha256.Sum256(head.Chain[:]),
		}
	}
	return entries
}

// projection returns a fortnight's projection of which the last change touched one night.
func (f family) projection(rev int64) clinic.Projection {
	p := clinic.Projection{
		Learner: f.learner, Clinic: f.clinic, Folded: started.Add(time.Duration(rev) * time.Minute), Until: started,
		Row: []byte(`{"row":"` + strings.Repeat("x", 500) + `"}`), Nickname: "Kit", Status: "running",
		Flags: []string{"disagreement"}, Urgency: int(rev % 3), Heard: started.Add(time.Duration(rev) * time.Minute),
	}
	for n := range practice.Night(14) {
		changed := int64(n)
		if n == practice.Night(rev/6%14) {
			changed = rev
		}
		p.Nights = append(p.Nights, clinic.ProjectedNight{Night: 20_000 + n, ChangedRev: changed, Print: served.Print{15: byte(changed)}})
	}
	for i := range 3 {
		p.Reminders = append(p.Reminders, clinic.ProjectedReminder{
			ID: uuid.UUID{15: byte(i)}, Kind: "tonight", Night: 20_000, Due: p.Folded.Add(time.Duration(i) * 24 * time.Hour),
		})
	}
	return p
}

func (f family) push(t testing.TB, s *Store) {
	t.Helper()
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		head, err := tx.Head(ctx, f.household)
		if err != nil {
			return err
		}
		if err := tx.AppendEntries(ctx, f.household, f.evening(head), nil); err != nil {
			return err
		}
		return tx.SaveProjection(ctx, f.projection(head.Rev+6), nil)
	}))
}

// BenchmarkEvening appends one evening and saves the projection, in one durable transaction. Each family has the fourteen evenings of its
// programme, so that the average one is in the middle of it.
func BenchmarkEvening(b *testing.B) {
	s := newStore(b)
	var f family
	evenings := 0
	b.ReportAllocs()
	for b.Loop() {
		if evenings%14 == 0 {
			b.StopTimer()
			f = newFamily(b, s)
			b.StartTimer()
		}
		evenings++
		f.push(b, s)
	}
}

// BenchmarkFortnight reads the entries of two caregivers' fortnight.
func BenchmarkFortnight(b *testing.B) {
	s := newStore(b)
	f := newFamily(b, s)
	for range 29 { // 174 entries
		f.push(b, s)
	}
	b.ReportAllocs()
	for b.Loop() {
		require.NoError(b, s.Read(b.Context(), func(ctx context.Context, v clinic.View) error {
			entries, err := v.Entries(ctx, f.household, 0, 0)
			require.Len(b, entries, 174)
			return err
		}))
	}
}

// BenchmarkStandings looks where the households of 500 devices stand, as the server does every two seconds while that many
// listen, each in another household.
func BenchmarkStandings(b *testing.B) {
	s := newStore(b)
	devices := make([]uuid.UUID, 500)
	for i := range devices {
		devices[i] = newFamily(b, s).device
	}
	b.ReportAllocs()
	for b.Loop() {
		require.NoError(b, s.Read(b.Context(), func(ctx context.Context, v clinic.View) error {
			found, err := v.Standings(ctx, devices)
			require.Len(b, found, len(devices))
			return err
		}))
	}
}
