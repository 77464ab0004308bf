package postgres

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/postgres/postgrestest"
)

// upTo returns a store with the migrations up to a version.
func upTo(t *testing.T, version int) *Store {
	t.Helper()
	known, err := known()
	require.NoError(t, err)
	s := openAt(t, postgrestest.Empty(t))
	require.NoError(t, s.migrate(t.Context(), known[:version]))
	return s
}

func (s *Store) run(t *testing.T, statements ...string) {
	t.Helper()
	for _, st := range statements {
		_, err := s.pool.Exec(t.Context(), st)
		require.NoError(t, err, st)
	}
}

// TestNightsAreCarriedOver upgrades a store that keeps nights as they were served.
func TestNightsAreCarriedOver(t *testing.T) {
	t.Parallel()
	s := upTo(t, 1)
	const zero, one, two = `'00000000-0000-0000-0000-000000000000'`, `'00000000-0000-0000-0000-000000000001'`, `'00000000-0000-0000-0000-000000000002'`
	s.run(t, `INSERT INTO clinic VALUES (`+zero+`, 'C', 'UTC', 'off', 0, 0)`,
		`INSERT INTO household (id, clinic, label, created) VALUES (`+zero+`, `+zero+`, 'H', 0)`,
		`INSERT INTO learner VALUES (`+zero+`, `+one+`, 'A', '2020-01', 0), (`+zero+`, `+two+`, 'B', '2020-01', 0)`,
		`INSERT INTO projection (household, learner, clinic, folded, status, urgency, nights_wrong, heard, nickname, nickname_order, flags,
			roster_row, basis, verdict, nearness) SELECT household, id, household, 0, 'none', 0, 0, 0, nickname, nickname, '{}', '{}',
			decode(repeat('00', 32), 'hex'), '', 0 FROM learner`,
		`INSERT INTO night VALUES (`+zero+`, `+one+`, 20000, 4294967299, false, '{}'), (`+zero+`, `+one+`, -2, 5, true, '{}'),
			(`+zero+`, `+one+`, 19999, 0, false, '{}')`)
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		first, err := v.Projection(ctx, uuid.UUID{15: 1})
		require.NoError(t, err)
		assert.Equal(t, []clinic.ProjectedNight{
			{Night: -2, ChangedRev: 5, Gone: true}, {Night: 19_999}, {Night: 20_000, ChangedRev: 4_294_967_299},
		}, first.Nights)
		second, err := v.Projection(ctx, uuid.UUID{15: 2})
		require.NoError(t, err)
		assert.Empty(t, second.Nights)
		stale, err := v.StaleProjections(ctx, uuid.UUID{}, time.Unix(0, 0), 9)
		assert.Equal(t, []uuid.UUID{{15: 1}, {15: 2}}, stale, "they are folded anew, and printed")
		return err
	}))
}

// TestPlacesAreCarriedOver upgrades a store whose orders go by the values themselves, of one learner who is weighed and one who isn't.
func TestPlacesAreCarriedOver(t *testing.T) {
	t.Parallel()
	s := upTo(t, 3)
	const zero, one, two = `'00000000-0000-0000-0000-000000000000'`, `'00000000-0000-0000-0000-000000000001'`, `'00000000-0000-0000-0000-000000000002'`
	s.run(t, `INSERT INTO clinic VALUES (`+zero+`, 'C', 'UTC', 'off', 0, 0)`,
		`INSERT INTO household (id, clinic, label, created) VALUES (`+zero+`, `+zero+`, 'H', 0)`,
		`INSERT INTO learner VALUES (`+zero+`, `+one+`, 'A', '2020-01', 0), (`+zero+`, `+two+`, 'B', '2020-01', 0)`,
		`INSERT INTO projection (household, learner, clinic, folded, until, reminders_until, reminders_renew, status, urgency, nights_wrong, heard, nickname,
			nickname_order, flags, roster_row, basis, weighed, verdict, nearness)
		VALUES (`+zero+`, `+one+`, `+zero+`, 5000, 9000, 7000, 8000, 'none', 3, 1, 4000, 'A', 'a', '{}', '{}', decode(repeat('00', 32), 'hex'), '{}', 'ready', 6),
			(`+zero+`, `+two+`, `+zero+`, 6000, NULL, NULL, NULL, 'none', 2, 2, 3000, 'B', 'b', '{}', '{}', decode(repeat('00', 32), 'hex'), NULL, '', 0)`)
	require.NoError(t, s.Migrate(t.Context()))
	a, b := uuid.UUID{15: 1}, uuid.UUID{15: 2}
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		for order, want := range map[string][]uuid.UUID{
			"needs_call": {a, b}, "missed": {b, a}, "verdict": {a, b}, "last_heard": {b, a}, "nickname": {a, b},
		} {
			rows, err := v.Roster(ctx, clinic.RosterQuery{Clinic: uuid.UUID{}, Order: order, Limit: 9})
			require.NoError(t, err)
			require.Len(t, rows, 2, order)
			assert.Equal(t, want, []uuid.UUID{rows[0].Key.Learner, rows[1].Key.Learner}, order)
		}
		unweighed, err := v.Unweighed(ctx, uuid.UUID{}, clinic.Page{Limit: 9})
		require.NoError(t, err)
		assert.Equal(t, []uuid.UUID{b}, unweighed)
		stale, err := v.StaleProjections(ctx, uuid.UUID{}, time.UnixMilli(9000), 9)
		require.NoError(t, err)
		assert.Equal(t, []uuid.UUID{a}, stale)
		lapsed, err := v.LapsedReminders(ctx, uuid.UUID{}, time.UnixMilli(7000), 9)
		require.NoError(t, err)
		assert.Equal(t, []uuid.UUID{a}, lapsed)
		folded, err := v.StaleReminders(ctx, uuid.UUID{}, time.UnixMilli(5500), clinic.Page{Limit: 9})
		require.NoError(t, err)
		assert.Equal(t, []uuid.UUID{b}, folded)
		for at, want := range map[int64][]uuid.UUID{7999: nil, 8000: {a}} {
			others, err := v.StaleReminders(ctx, uuid.UUID{}, time.UnixMilli(at), clinic.Page{Limit: 9})
			require.NoError(t, err)
			assert.Equal(t, want, others, "at %d", at)
		}
		return nil
	}))
}
