package postgres

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

// projected adds a learner, the only one of a clinic, with a projection that holds for an hour, and returns it.
func projected(t *testing.T, s *Store, p clinic.Projection) clinic.Projection {
	t.Helper()
	c, household := aClinic(), uuid.New()
	p.Learner, p.Clinic, p.Folded, p.Heard = uuid.New(), c.ID, started, started
	p.Until, p.RemindersRenew = started.Add(time.Hour), started.Add(time.Hour)
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddClinic(ctx, c), tx.AddHousehold(ctx, clinic.Household{ID: household, Clinic: c.ID, Created: started}),
			tx.AddLearner(ctx, clinic.Learner{ID: p.Learner, Household: household, Clinic: c.ID, Created: started}),
			tx.SaveProjection(ctx, p, nil))
	}))
	return p
}

// TestAnUploadMovesNoIndex saves a fold as an upload leaves it, with all that the orders go by being others than before, and looks
// whether the row stays in every index where it was, which the server calls a hot update; and as a weighing leaves it, which moves it.
func TestAnUploadMovesNoIndex(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	known := projected(t, s, clinic.Projection{Nickname: "A", Weighed: clinic.Weighed{Doc: []byte(`{}`)}})
	save := func(change func(p *clinic.Projection)) (hot int64) {
		p := known
		change(&p)
		require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, store clinic.Tx) error {
			inside, ok := store.(*tx)
			require.True(t, ok)
			look := statement{"look", `SELECT pg_stat_get_xact_tuples_hot_updated('projection'::regclass)`}
			before, err := one(ctx, inside.work, look, value[int64])
			require.NoError(t, err)
			require.NoError(t, store.SaveProjection(ctx, p, &known))
			after, err := one(ctx, inside.work, look, value[int64])
			hot = after - before
			return err
		}))
		known = p
		return hot
	}
	upload := func(p *clinic.Projection) {
		p.Heard, p.Folded, p.Until = p.Heard.Add(time.Minute), p.Folded.Add(time.Minute), p.Until.Add(time.Minute)
		p.RemindersRenew = p.RemindersRenew.Add(time.Minute)
		p.Urgency++
		p.NightsWrong++
		p.Weighed.Doc, p.Nearness = nil, 0
	}
	assert.Equal(t, int64(1), save(upload))
	assert.Equal(t, int64(1), save(upload))
	assert.Zero(t, save(func(p *clinic.Projection) { p.Weighed.Doc, p.Nearness = []byte(`{}`), 6 }))
	assert.Equal(t, int64(1), save(upload))
}

// TestWhoIsNotWhereTheRosterLooksIsFound alters by hand where a learner is looked for.
func TestWhoIsNotWhereTheRosterLooksIsFound(t *testing.T) {
	t.Parallel()
	for name, alter := range map[string]string{
		"not among the unweighed": `DELETE FROM unweighed`,
		"weighed":                 `UPDATE projection SET weighed = '{}'`,
		"nobody":                  `INSERT INTO unweighed (household, learner, clinic) SELECT household, household, clinic FROM projection`,
		"in a wrong place":        `WITH weighed AS (DELETE FROM unweighed) UPDATE projection SET weighed = '{}', heard_place = heard_place + 1`,
		"stale too late":          `UPDATE projection SET stale_place = until + 1`,
		"never stale":             `UPDATE projection SET stale_place = NULL`,
		"with others too late":    `UPDATE projection SET renew_place = reminders_renew + 1`,
		"never with others":       `UPDATE projection SET renew_place = NULL`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStore(t)
			projected(t, s, clinic.Projection{Urgency: 3})
			faults, err := s.Inspect(t.Context())
			require.NoError(t, err)
			require.Empty(t, faults)
			s.run(t, alter)
			faults, err = s.Inspect(t.Context())
			require.NoError(t, err)
			assert.Len(t, faults, 1)
		})
	}
}
