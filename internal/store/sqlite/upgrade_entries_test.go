package sqlite

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// TestEntriesOutliveTheUpgrade migrates a database of a version that kept the entries of a household side by side.
func TestEntriesOutliveTheUpgrade(t *testing.T) {
	t.Parallel()
	s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
	known, err := known()
	require.NoError(t, err)
	require.NoError(t, s.migrate(t.Context(), known[:10]))
	one, other := newFormerFamily(t, s), newFormerFamily(t, s)
	want := map[uuid.UUID][]clinic.StoredEntry{}
	for _, f := range []family{one, other} {
		want[f.household] = f.evening(clinic.Head{})
	}
	for _, entries := range want {
		entries[1].Author = practice.Author{Role: practice.Clinician, ID: practice.PersonID{UUID: uuid.New()}}
		entries[1].Device = uuid.Nil
		entries[2].Learner, entries[2].Status, entries[2].Problem = uuid.Nil, practice.Quarantined, []byte(`[]`)
		entries[3].Stored = started.Add(time.Hour)
		entries[4].Author.ID.UUID, entries[4].ClockOffset = uuid.New(), -time.Minute
		for i := range entries {
			if entries[i].Stored.IsZero() {
				entries[i].Stored = started
			}
		}
	}
	for rev := range 6 { // as they come, of one household and the other
		for household, entries := range want {
			e := &entries[rev]
			_, err := s.writer.db.ExecContext(t.Context(), `
				INSERT INTO entry (household_key, rev, id, learner_key, device_key, author_role, author, status, received, stored,
					clock_offset, schema, content, chain, problem, sent)
				VALUES ((SELECT household_key FROM household WHERE id = ?), ?, ?, (SELECT learner_key FROM learner WHERE id = ?),
					(SELECT device_key FROM device WHERE id = ?), ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
				household[:], e.Rev, e.ID[:], e.Learner[:], e.Device[:], e.Author.Role, e.Author.ID.UUID[:], string(e.Status),
				ms(e.Received), ms(e.Stored), int64(e.ClockOffset), e.Schema, e.Content[:], e.Chain[:], blob(e.Problem), e.Sent)
			require.NoError(t, err)
		}
	}
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		for household, entries := range want {
			got, err := v.Entries(ctx, household, 0, 0)
			require.NoError(t, err)
			assert.Equal(t, entries, got)
		}
		return nil
	}))
}

// TestFoldsOutliveTheUpgrade migrates a database of a version that had an index for each way of going stale.
func TestFoldsOutliveTheUpgrade(t *testing.T) {
	t.Parallel()
	s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
	known, err := known()
	require.NoError(t, err)
	require.NoError(t, s.migrate(t.Context(), known[:10]))
	f := newFormerFamily(t, s)
	_, err = s.writer.db.ExecContext(t.Context(), `
		INSERT INTO projection (learner_key, clinic_key, learner_id, folded, until, reminders_until, reminders_renew, status, urgency,
			nights_wrong, heard, nickname, nickname_order, flags, roster_row)
		SELECT learner_key, 1, id, 5000, 9000, 8000, 7000, 'ended', 0, 0, 3000, '', '', '[]', x'' FROM learner`)
	require.NoError(t, err)
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		for second, want := range map[int64][3]int{4: {0, 0, 1}, 5: {}, 6: {}, 7: {0, 0, 1}, 8: {0, 1, 1}, 9: {1, 1, 1}} {
			at := time.Unix(second, 0)
			stale, err := v.StaleProjections(ctx, f.clinic, at, 9)
			require.NoError(t, err)
			lapsed, err := v.LapsedReminders(ctx, f.clinic, at, 9)
			require.NoError(t, err)
			others, err := v.StaleReminders(ctx, f.clinic, at, clinic.Page{Limit: 9})
			require.NoError(t, err)
			assert.Equal(t, want, [3]int{len(stale), len(lapsed), len(others)}, "after %d s", second)
		}
		return nil
	}))
}

// TestWhenPhonesWereHeardFromOutlivesTheUpgrade migrates a database of a version that kept it with each device.
func TestWhenPhonesWereHeardFromOutlivesTheUpgrade(t *testing.T) {
	t.Parallel()
	s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
	known, err := known()
	require.NoError(t, err)
	require.NoError(t, s.migrate(t.Context(), known[:10]))
	id := func(n byte) uuid.UUID { return uuid.UUID{15: n} }
	_, err = s.writer.db.ExecContext(t.Context(), `
		INSERT INTO clinic (clinic_key, id, name, timezone, second_factor, created) VALUES (1, zeroblob(16), '', 'Etc/UTC', 'none', 0);
		INSERT INTO household (household_key, id, clinic_key, label, created) SELECT value, unhex(format('%032x', value)), 1, '', 0
		FROM json_each('[1, 2]');
		INSERT INTO caregiver (caregiver_key, id, household_key, name, consent_version, created)
		SELECT household_key, id, household_key, '', '', 0 FROM household;
		INSERT INTO device (id, household_key, caregiver_key, name, platform, enrolled, heard)
		SELECT unhex(format('%032x', value)), (value + 1) / 2, (value + 1) / 2, '', '', 0, nullif(7000 * (value - 1), 0)
		FROM json_each('[1, 2, 3]')`)
	require.NoError(t, err)
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		heard := func() (all []time.Time) {
			for n := range byte(3) {
				d, err := tx.Device(ctx, id(n+1))
				require.NoError(t, err)
				all = append(all, d.Heard)
			}
			return all
		}
		at := func(seconds int64) time.Time { return time.Unix(seconds, 0).UTC() }
		assert.Equal(t, []time.Time{{}, at(7), at(14)}, heard())
		require.NoError(t, tx.Heard(ctx, id(1), at(21)))
		require.NoError(t, tx.Heard(ctx, id(3), at(28)))
		assert.Equal(t, []time.Time{at(21), at(7), at(28)}, heard())
		return nil
	}))
}
