package storetest

import (
	"context"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

// folder compares what is read of a household at once with its parts, in a view and in a transaction that may write.
func folder(b *bundle) {
	w := newFullWorld(b)
	parts := read(b, func(ctx context.Context, v clinic.View) (clinic.Folder, error) {
		return clinic.FolderOf(ctx, v, w.household)
	})
	for what, empty := range map[string]bool{
		"learners": len(parts.Learners) == 0, "enrolments": len(parts.Enrolments) == 0, "plans": len(parts.Plans) == 0,
		"devices": len(parts.Devices) == 0, "entries": len(parts.Entries) == 0, "deliveries": len(parts.Deliveries) == 0,
		"follow-ups": len(parts.FollowUps) == 0,
		"caregivers": len(parts.Caregivers) == 0, "projections": len(parts.Projections) == 0,
	} {
		require.False(b, empty, what)
	}
	assert.Equal(b, parts, read(b, func(ctx context.Context, v clinic.View) (clinic.Folder, error) { return v.Folder(ctx, w.household) }))
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		atOnce, err := tx.Folder(ctx, w.household)
		assert.Equal(b, parts, atOnce)
		return err
	})
}
