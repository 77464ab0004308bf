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
)

// upTo returns a store with the migrations up to a version.
func upTo(t *testing.T, version int) *Store {
	t.Helper()
	known, err := known()
	require.NoError(t, err)
	s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, s.migrate(t.Context(), known[:version]))
	return s
}

func (s *Store) run(t *testing.T, statements ...string) {
	t.Helper()
	for _, st := range statements {
		_, err := s.writer.db.ExecContext(t.Context(), st)
		require.NoError(t, err, st)
	}
}

// TestNightsAreCarriedOver upgrades a store that keeps nights as they were served.
func TestNightsAreCarriedOver(t *testing.T) {
	t.Parallel()
	s := upTo(t, 9)
	s.run(t, `INSERT INTO clinic (clinic_key, id, name, timezone, second_factor, created) VALUES (1, zeroblob(16), 'C', 'UTC', 'off', 0)`,
		`INSERT INTO household (household_key, id, clinic_key, label, created) VALUES (1, zeroblob(16), 1, 'H', 0)`,
		`INSERT INTO learner (learner_key, id, household_key, nickname, birth_month, created)
			VALUES (1, unhex(printf('%032x', 1)), 1, 'A', '2020-01', 0), (2, unhex(printf('%032x', 2)), 1, 'B', '2020-01', 0)`,
		`INSERT INTO projection (learner_key, clinic_key, learner_id, folded, status, urgency, nights_wrong, heard, nickname,
			nickname_order, flags, roster_row) SELECT learner_key, 1, id, 0, 'none', 0, 0, 0, nickname, nickname, '[]', x'7b7d' FROM learner`,
		`INSERT INTO night VALUES (1, 20000, 4294967299, 0, x'7b7d'), (1, -2, 5, 1, x'7b7d'), (1, 19999, 0, 0, x'7b7d')`)
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
