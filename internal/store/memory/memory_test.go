package memory_test

import (
	"context"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/memory"
	"swallowtail/internal/store/storetest"
)

func TestStore(t *testing.T) {
	t.Parallel()
	storetest.Exercise(t, func(*testing.T) clinic.Store { return memory.New(uuid.New()) })
}

// TestStoreFromSnapshot holds a store that shares its beginning with another to the same.
func TestStoreFromSnapshot(t *testing.T) {
	t.Parallel()
	empty := memory.New(uuid.New()).Snapshot()
	storetest.Exercise(t, func(*testing.T) clinic.Store { return memory.From(empty) })
}

// fill appends entries of a history until the household's head is at a revision, a multiple of three.
func fill(t testing.TB, s *memory.Store, f family, upTo int64, history byte) {
	t.Helper()
	for {
		done := false
		require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
			head, err := tx.LockHead(ctx, f.household)
			if done = head.Rev >= upTo; done || err != nil {
				return err
			}
			return tx.AppendEntries(ctx, f.household, f.batch(head.Rev, history))
		}))
		if done {
			return
		}
	}
}

// held is what a store holds of a family, as far as these tests change it.
type held struct {
	epoch      uuid.UUID
	head       clinic.Head
	entries    []clinic.StoredEntry
	ids        []uuid.UUID
	devices    []clinic.Device
	projection clinic.Projection // the zero one where there is none
}

func holds(t testing.TB, s *memory.Store, f family) held {
	t.Helper()
	var h held
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		var err error
		h.epoch, err = v.Epoch(ctx)
		require.NoError(t, err)
		h.head, err = v.Head(ctx, f.household)
		require.NoError(t, err)
		h.entries, err = v.Entries(ctx, f.household, 0, 0)
		require.NoError(t, err)
		h.ids, err = v.EntryIDs(ctx, f.household, h.head.Rev)
		require.NoError(t, err)
		h.devices, err = v.Devices(ctx, f.household)
		require.NoError(t, err)
		h.projection, _ = v.Projection(ctx, f.learners[0])
		return nil
	}))
	return h
}

// change writes to everything that held looks at.
func change(t testing.TB, s *memory.Store, f family, history byte) {
	t.Helper()
	fill(t, s, f, holds(t, s, f).head.Rev+6, history)
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(t, tx.RenewEpoch(ctx, uuid.New()))
		require.NoError(t, tx.Heard(ctx, f.devices[0], started))
		return tx.SaveProjection(ctx, f.projection(int64(history)))
	}))
}

// TestRestore takes a snapshot in the middle of a history and goes on from it in several ways, each of which appends in
// the same place.
func TestRestore(t *testing.T) {
	t.Parallel()
	s := memory.New(uuid.New())
	f := newFamily(t, s)
	change(t, s, f, 1)
	early, atEarly := s.Snapshot(), holds(t, s, f)
	change(t, s, f, 1)
	late, atLate := s.Snapshot(), holds(t, s, f)
	require.NotEqual(t, atEarly, atLate)

	for history := byte(2); history < 5; history++ {
		s.Restore(early)
		assert.Equal(t, atEarly, holds(t, s, f), "history %d", history)
		change(t, s, f, history)
		other := holds(t, s, f)
		assert.NotEqual(t, atLate.head, other.head)
		assert.NotEqual(t, atLate.epoch, other.epoch)

		s.Restore(late)
		assert.Equal(t, atLate, holds(t, s, f), "history %d", history)
	}
	s.Restore(early)
	assert.Equal(t, atEarly, holds(t, s, f))
}

// TestFrom lets stores that begin with one snapshot write at the same time.
func TestFrom(t *testing.T) {
	t.Parallel()
	first := memory.New(uuid.New())
	f := newFamily(t, first)
	change(t, first, f, 1)
	begin, atBegin := first.Snapshot(), holds(t, first, f)

	stores := []*memory.Store{first, memory.From(begin), memory.From(begin)}
	t.Run("writers", func(t *testing.T) {
		for i, s := range stores {
			t.Run("", func(t *testing.T) {
				t.Parallel()
				for range 20 {
					change(t, s, f, byte(2+i))
				}
			})
		}
	})
	for i, s := range stores {
		got := holds(t, s, f)
		assert.Equal(t, atBegin.entries, got.entries[:atBegin.head.Rev])
		for _, e := range got.entries[atBegin.head.Rev:] {
			assert.Equal(t, entryID(byte(2+i), e.Rev), e.ID, "store %d", i)
		}
		assert.Len(t, got.entries, int(atBegin.head.Rev)+20*6)
	}
	assert.Equal(t, atBegin, holds(t, memory.From(begin), f))
}

func TestSnapshotLeavesOutWhatIsNotCommitted(t *testing.T) {
	t.Parallel()
	s := memory.New(uuid.New())
	f := newFamily(t, s)
	before := holds(t, s, f)
	var within memory.Snapshot
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(t, tx.AppendEntries(ctx, f.household, f.batch(0, 1)))
		within = s.Snapshot()
		return tx.Heard(ctx, f.devices[0], started)
	}))
	assert.NotEqual(t, before, holds(t, s, f))
	assert.Equal(t, before, holds(t, memory.From(within), f))
}

// TestUseAfterTheEnd keeps a transaction that has escaped from changing what is committed.
func TestUseAfterTheEnd(t *testing.T) {
	t.Parallel()
	s := memory.New(uuid.New())
	f := newFamily(t, s)
	var escaped clinic.Tx
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		escaped = tx
		return tx.Heard(ctx, f.devices[0], started)
	}))
	before := holds(t, s, f)
	assert.Panics(t, func() { _ = escaped.Heard(t.Context(), f.devices[1], started) })
	assert.Panics(t, func() { _ = escaped.RenewEpoch(t.Context(), uuid.New()) })
	assert.Equal(t, before, holds(t, s, f))
}
