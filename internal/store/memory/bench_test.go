package memory_test

import (
	"context"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/memory"
)

// BenchmarkPush appends three entries, marks a device heard and saves a projection, in one transaction. It begins a
// programme anew when one has 150 entries.
func BenchmarkPush(b *testing.B) {
	s := memory.New(uuid.New())
	f := newFamily(b, s)
	var batches [][]clinic.StoredEntry
	for rev := int64(0); rev < 150; rev += 3 {
		batches = append(batches, f.batch(rev, 1))
	}
	begin, projection, next := s.Snapshot(), f.projection(1), 0
	push := func(ctx context.Context, tx clinic.Tx) error {
		if _, err := tx.Head(ctx, f.household); err != nil {
			return err
		}
		if err := tx.AppendEntries(ctx, f.household, batches[next], nil); err != nil {
			return err
		}
		if err := tx.Heard(ctx, f.devices[next%len(f.devices)], started); err != nil {
			return err
		}
		return tx.SaveProjection(ctx, projection, nil)
	}
	ctx := b.Context()
	b.ReportAllocs()
	for b.Loop() {
		if err := s.InTx(ctx, push); err != nil {
			b.Fatal(err)
		}
		if next++; next == len(batches) {
			next = 0
			s.Restore(begin)
		}
	}
}

// BenchmarkLook reads a head and an epoch, as a snapshot and in a transaction that writes nothing.
func BenchmarkLook(b *testing.B) {
	s := memory.New(uuid.New())
	f := newFamily(b, s)
	look := func(ctx context.Context, v clinic.View) error {
		if _, err := v.Head(ctx, f.household); err != nil {
			return err
		}
		_, err := v.Epoch(ctx)
		return err
	}
	b.Run("snapshot", func(b *testing.B) {
		ctx := b.Context()
		b.ReportAllocs()
		for b.Loop() {
			require.NoError(b, s.Read(ctx, look))
		}
	})
	b.Run("transaction", func(b *testing.B) {
		ctx := b.Context()
		b.ReportAllocs()
		for b.Loop() {
			require.NoError(b, s.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error { return look(ctx, tx) }))
		}
	})
}

// BenchmarkEntries reads all entries of a household at the end of its programme.
func BenchmarkEntries(b *testing.B) {
	s := memory.New(uuid.New())
	f := newFamily(b, s)
	fill(b, s, f, 150, 1)
	ctx := b.Context()
	b.ReportAllocs()
	for b.Loop() {
		require.NoError(b, s.Read(ctx, func(ctx context.Context, v clinic.View) error {
			_, err := v.Entries(ctx, f.household, 0, 0)
			return err
		}))
	}
}
