package memory_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

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
			head, err := tx.Head(ctx, f.household)
			if done = head.Rev >= upTo; done || err != nil {
				return err
			}
			return tx.AppendEntries(ctx, f.household, f.batch(head.Rev, history), nil)
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
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		head, err := tx.Head(ctx, f.household)
		require.NoError(t, err)
		require.NoError(t, tx.AppendEntries(ctx, f.household, f.batch(head.Rev, history)[:1], nil))
		require.NoError(t, tx.RenewEpoch(ctx, uuid.New()))
		require.NoError(t, tx.AddDevice(ctx, clinic.Device{
			ID: entryID(history, head.Rev), Household: f.household, Caregiver: f.caregivers[0],
		}))
		require.NoError(t, tx.Heard(ctx, f.devices[0], started.Add(time.Duration(head.Rev)*time.Minute)))
		return tx.SaveProjection(ctx, f.projection(head.Rev<<8+int64(history)), nil)
	}))
}

// TestRestore goes on from every place of a history in several ways, each of which adds in the same places.
func TestRestore(t *testing.T) {
	t.Parallel()
	s := memory.New(uuid.New())
	f := newFamily(t, s)
	type backup struct {
		of    memory.Snapshot
		holds held
	}
	var backups []backup
	keep := func() { backups = append(backups, backup{s.Snapshot(), holds(t, s, f)}) }
	keep()
	for range 9 {
		change(t, s, f, 1)
		keep()
	}
	for i, from := range backups[:10] {
		for history := byte(2); history < 4; history++ {
			s.Restore(from.of)
			require.Equal(t, from.holds, holds(t, s, f), "from %d", i)
			for range 3 {
				change(t, s, f, history)
				keep()
			}
		}
	}
	for i, b := range backups {
		s.Restore(b.of)
		assert.Equal(t, b.holds, holds(t, s, f), "backup %d", i)
	}
}

// TestFrom lets stores that begin with one snapshot write at the same time.
func TestFrom(t *testing.T) {
	t.Parallel()
	first := memory.New(uuid.New())
	f := newFamily(t, first)
	change(t, first, f, 1)
	begin, atBegin := first.Snapshot(), holds(t, first, f)

	const rounds = 50
	stores := []*memory.Store{first, memory.From(begin), memory.From(begin)}
	t.Run("writers", func(t *testing.T) {
		for i, s := range stores {
			t.Run("", func(t *testing.T) {
				t.Parallel()
				for range rounds {
					change(t, s, f, byte(2+i))
				}
			})
		}
	})
	for i, s := range stores {
		got := holds(t, s, f)
		require.Len(t, got.entries, 1+rounds)
		assert.Equal(t, atBegin.entries, got.entries[:1])
		for _, e := range got.entries[1:] {
			assert.Equal(t, entryID(byte(2+i), e.Rev), e.ID, "store %d", i)
		}
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
		require.NoError(t, tx.AppendEntries(ctx, f.household, f.batch(0, 1), nil))
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

// TestAWaitingWriterGivesUp makes sure that it waits, which the suite, knowing nothing of how a store waits, cannot.
func TestAWaitingWriterGivesUp(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := memory.New(uuid.New())
		require.NoError(t, s.InTx(t.Context(), func(context.Context, clinic.Tx) error {
			waiting, cancel := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			go func() {
				ended <- s.InTx(waiting, func(context.Context, clinic.Tx) error {
					assert.Fail(t, "it is not its turn")
					return nil
				})
			}()
			synctest.Wait()
			assert.Empty(t, ended)
			cancel()
			synctest.Wait()
			require.Len(t, ended, 1)
			require.ErrorIs(t, <-ended, context.Canceled)
			return nil
		}))
		require.NoError(t, s.InTx(t.Context(), func(context.Context, clinic.Tx) error { return nil }), "the next has its turn")
	})
}
