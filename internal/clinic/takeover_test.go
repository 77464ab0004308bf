package clinic_test

import (
	"context"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/sqlite"
)

// mistakenStore saves projections otherwise than it is told to.
type mistakenStore struct {
	clinic.Store
	change func(p *clinic.Projection)
}

func (s mistakenStore) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	return s.Store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error { return fn(ctx, mistakenTx{tx, s.change}) })
}

type mistakenTx struct {
	clinic.Tx
	change func(p *clinic.Projection)
}

func (t mistakenTx) SaveProjection(ctx context.Context, p clinic.Projection, before *clinic.Projection) error {
	p.Nights, p.Reminders, p.Concerns = slices.Clone(p.Nights), slices.Clone(p.Reminders), slices.Clone(p.Concerns)
	t.change(&p)
	return t.Tx.SaveProjection(ctx, p, nil)
}

// projectionIn returns what a store keeps of the family's fold.
func (h *house) projectionIn(store clinic.Store) (p clinic.Projection) {
	h.t.Helper()
	require.NoError(h.t, store.Read(h.t.Context(), func(ctx context.Context, view clinic.View) (err error) {
		p, err = view.Projection(ctx, h.learner)
		return err
	}))
	return p
}

// TestFoldsAreTakenOver into a store that has all but them, as they were, and any that do not arrive as they were are noticed.
func TestFoldsAreTakenOver(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	h.push(started.Add(time.Minute), h.evening()...)
	from := h.Store
	want := h.projectionIn(from)
	require.NotEmpty(t, want.Nights)
	require.NotEmpty(t, want.Reminders)

	copied := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, from.(*sqlite.Store).BackUp(t.Context(), copied))
	h.open(copied)
	whole := h.Store
	for name, change := range map[string]func(p *clinic.Projection){
		"another revision":   func(p *clinic.Projection) { p.Nights[0].ChangedRev++ },
		"a night gone":       func(p *clinic.Projection) { p.Nights[0].Gone = true },
		"a night left out":   func(p *clinic.Projection) { p.Nights = p.Nights[1:] },
		"another instant":    func(p *clinic.Projection) { p.Folded = p.Folded.Add(time.Millisecond) },
		"another reminder":   func(p *clinic.Projection) { p.Reminders[0].Run++ },
		"another line":       func(p *clinic.Projection) { p.Urgency++ },
		"another weighing":   func(p *clinic.Projection) { p.Weighed.Doc = []byte(`{}`) },
		"a concern too many": func(p *clinic.Projection) { p.Concerns = append(p.Concerns, clinic.ProjectedConcern{ID: uuid.New()}) },
	} {
		h.Store = mistakenStore{whole, change}
		_, err := h.TakeFolds(t.Context(), from, func(clinic.Folds) {})
		require.ErrorContains(t, err, "what was taken is not what is kept", name)
	}
	h.Store = whole
	var told []int64
	taken, err := h.TakeFolds(t.Context(), from, func(taken clinic.Folds) { told = append(told, taken.Projections) })
	require.NoError(t, err)
	assert.Equal(t, []int64{1}, told)
	assert.Equal(t, clinic.Folds{Projections: 1, Reminders: int64(len(want.Reminders)), Concerns: int64(len(want.Concerns))}, taken)
	assert.Equal(t, want, h.projectionIn(whole))
	assert.Empty(t, h.found())
}

// TestAHistoryThatBeginsElsewhereIsTold on the trail, and has a name of its own.
func TestAHistoryThatBeginsElsewhereIsTold(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	var before, after, epoch uuid.UUID
	require.NoError(t, h.Store.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) (err error) {
		if before, err = tx.Epoch(ctx); err != nil {
			return err
		}
		if epoch, err = h.BeginElsewhere(ctx, tx, started.Add(time.Hour)); err != nil {
			return err
		}
		after, err = tx.Epoch(ctx)
		return err
	}))
	assert.Equal(t, epoch, after)
	assert.NotEqual(t, before, after)
	require.NoError(t, h.Store.Read(t.Context(), func(ctx context.Context, view clinic.View) error {
		rows, err := view.AuditRows(ctx, clinic.AuditQuery{Clinic: h.clinic.ID, Newest: true, Limit: 1})
		require.NoError(t, err)
		require.Len(t, rows, 1)
		assert.Equal(t, "transfer", rows[0].Did)
		assert.Equal(t, epoch, rows[0].Thing)
		return nil
	}))
	report, err := h.VerifyAudit(t.Context(), nil)
	require.NoError(t, err)
	assert.Empty(t, report.Faults)
}
