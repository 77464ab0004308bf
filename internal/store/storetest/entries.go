package storetest

import (
	"context"
	"crypto/sha256"
	"errors"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

func entriesOf(b *bundle, household uuid.UUID, after int64, limit int) []clinic.StoredEntry {
	b.Helper()
	return read(b, func(ctx context.Context, v clinic.View) ([]clinic.StoredEntry, error) {
		return v.Entries(ctx, household, after, limit)
	})
}

func entries(b *bundle) {
	w := newWorld(b, 1)
	assert.Empty(b, entriesOf(b, w.household, 0, 0))

	byClinician := w.entry(2)
	byClinician.Author = practice.Author{Role: practice.Clinician, ID: practice.PersonID{UUID: w.member}}
	byClinician.Device, byClinician.ClockOffset = uuid.Nil, 0
	bad := w.entry(3)
	bad.Status, bad.Learner, bad.Problem = practice.Quarantined, uuid.Nil, []byte(`{"pointer": "/body/ease"}`)
	parked := w.entry(4)
	parked.Status, parked.Schema = practice.Parked, 7
	want := []clinic.StoredEntry{w.entry(1), byClinician, bad, parked, w.entry(5)}
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AppendEntries(ctx, w.household, want, nil) })

	for after := range int64(7) {
		rest := want[min(after, 5):]
		for limit := 1; limit <= 6; limit++ {
			got := entriesOf(b, w.household, after, limit)
			assert.Equal(b, slices.Clip(rest[:min(limit, len(rest))]), append([]clinic.StoredEntry{}, got...))
		}
		assert.Equal(b, rest, append([]clinic.StoredEntry{}, entriesOf(b, w.household, after, 0)...), "0 means all")
	}
}

func heads(b *bundle) {
	w := newWorld(b, 1)
	assert.Zero(b, get(b, headOf, w.household))

	want := w.fill(b, 3)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.AppendEntries(ctx, w.household, nil, nil)
	})
	assert.Equal(b, clinic.Head{Rev: 3, Chain: want[2].Chain}, get(b, headOf, w.household), "none appended, none moved")
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		locked, err := tx.Head(ctx, w.household)
		assert.Equal(b, clinic.Head{Rev: 3, Chain: want[2].Chain}, locked)
		return err
	})
}

func standings(b *bundle) {
	one, other := newWorld(b, 1), newWorld(b, 2)
	look := func(devices ...uuid.UUID) map[uuid.UUID]clinic.Standing {
		b.Helper()
		return read(b, func(ctx context.Context, v clinic.View) (map[uuid.UUID]clinic.Standing, error) {
			return v.Standings(ctx, devices)
		})
	}
	assert.Empty(b, look())
	assert.Empty(b, look(nobody))
	assert.Equal(b, map[uuid.UUID]clinic.Standing{one.device: {}, other.device: {}}, look(one.device, nobody, other.device, one.device))
	second := sampleDevice(10, one.household, one.caregiver)
	one.fill(b, 3)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddDevice(ctx, second), tx.RevokeDevice(ctx, one.device, minutes(9)))
	})
	assert.Equal(b, map[uuid.UUID]clinic.Standing{
		one.device: {Head: 3, Revoked: minutes(9)}, second.ID: {Head: 3}, other.device: {},
	}, look(one.device, second.ID, other.device))
}

func gaps(b *bundle) {
	w := newWorld(b, 1)
	w.fill(b, 2)
	for name, revs := range map[string][]int64{
		"none left": {2}, "one left out": {4}, "one left out within": {3, 5}, "turned round": {4, 3}, "twice": {3, 3}, "zero": {0},
	} {
		err := b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
			var batch []clinic.StoredEntry
			for i, rev := range revs {
				entry := w.entry(rev)
				entry.ID = id(anEntry, 100+i)
				batch = append(batch, entry)
			}
			return tx.AppendEntries(ctx, w.household, batch, nil)
		})
		require.Error(b, err, name)
		assert.Equal(b, fault.Internal, fault.KindOf(err), "%s: a mistake of the caller", name)
	}
	assert.Equal(b, int64(2), get(b, headOf, w.household).Rev)
}

// manyEntries appends as many as one upload may hold.
func manyEntries(b *bundle) {
	const count = 1000
	w := newWorld(b, 1)
	want := w.fill(b, count)
	assert.Equal(b, want, entriesOf(b, w.household, 0, 0))
}

// entriesStoredAtAnyTime are stored at the instant at which they were received, at another, and at none.
func entriesStoredAtAnyTime(b *bundle) {
	w := newWorld(b, 1)
	want := []clinic.StoredEntry{w.entry(1), w.entry(2), w.entry(3), w.entry(4)}
	want[1].Stored = want[1].Received
	want[2].Stored = time.Time{}
	want[3].Received, want[3].Stored = time.Time{}, time.Time{}
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AppendEntries(ctx, w.household, want, nil) })
	assert.Equal(b, want, entriesOf(b, w.household, 0, 0))
}

// entriesAlike are those of one upload, alike in all but what they say, among which are some that differ from their neighbours in one thing
// more: what a store writes once for many must not be taken for theirs.
func entriesAlike(b *bundle) {
	w, first := newWorld(b, 1), newWorld(b, 2).entry(1)
	alike := func(n int) clinic.StoredEntry {
		e := w.entry(int64(n))
		e.Received, e.Stored = first.Received, first.Stored
		return e
	}
	second := sampleCaregiver(10, w.household)
	device := sampleDevice(10, w.household, second.ID)
	learner := w.addLearners(b, 1)[0]
	changes := []func(e *clinic.StoredEntry){
		func(*clinic.StoredEntry) {},
		func(e *clinic.StoredEntry) { e.Learner = learner },
		func(e *clinic.StoredEntry) { e.Learner = uuid.Nil },
		func(e *clinic.StoredEntry) { e.Status = practice.Parked },
		func(e *clinic.StoredEntry) { e.Author.ID.UUID = second.ID },
		func(e *clinic.StoredEntry) { e.Author.Role = practice.Clinician },
		func(e *clinic.StoredEntry) { e.Device = device.ID },
		func(e *clinic.StoredEntry) { e.Device = uuid.Nil },
		func(e *clinic.StoredEntry) { e.Received = e.Received.Add(time.Millisecond) },
		func(e *clinic.StoredEntry) { e.Stored = e.Stored.Add(time.Millisecond) },
		func(e *clinic.StoredEntry) { e.ClockOffset += time.Millisecond },
		func(e *clinic.StoredEntry) { e.Schema++ },
		func(e *clinic.StoredEntry) { e.Problem = []byte(`{"pointer": "/body/ease"}`) },
		func(e *clinic.StoredEntry) { e.Sent = nil },
	}
	var want []clinic.StoredEntry
	for _, change := range changes {
		e := alike(len(want) + 1)
		change(&e)
		want = append(want, e, alike(len(want)+2), alike(len(want)+3))
	}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddCaregiver(ctx, second), tx.AddDevice(ctx, device), tx.AppendEntries(ctx, w.household, want, nil))
	})
	assert.Equal(b, want, entriesOf(b, w.household, 0, 0))
}

// link is the chain after an entry.
func link(before [32]byte, e *clinic.StoredEntry) [32]byte {
	return sha256.Sum256(slices.Concat(before[:], e.Content[:]))
}

// concurrentWriters lets many append to one household at once while others read. Each writer takes the revisions after
// the head that it has locked.
func concurrentWriters(b *bundle) {
	const writers, rounds = 16, 6
	w := newWorld(b, 1)
	var writing, reading sync.WaitGroup
	done := make(chan struct{})
	for reader := range 2 {
		reading.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
					assertChained(b, w, reader)
				}
			}
		})
	}
	for writer := range writers {
		writing.Go(func() {
			for round := range rounds {
				assert.NoError(b, w.appendSome(b, 1+(writer+round)%3, writer*rounds+round))
			}
		})
	}
	writing.Wait()
	close(done)
	reading.Wait()
	assert.Len(b, assertChained(b, w, 0), writers*rounds*2)
}

// appendSome appends some entries after the head; the round is one that no other call has.
func (w world) appendSome(b *bundle, count, round int) error {
	return b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
		head, err := tx.Head(ctx, w.household)
		if err != nil {
			return err
		}
		var batch []clinic.StoredEntry
		for i := range count {
			entry := w.entry(head.Rev + 1)
			entry.ID = id(anEntry, round*10+i)
			entry.Chain = link(head.Chain, &entry)
			head = clinic.Head{Rev: entry.Rev, Chain: entry.Chain}
			batch = append(batch, entry)
		}
		return tx.AppendEntries(ctx, w.household, batch, nil)
	})
}

// assertChained reads a household in one snapshot: revisions without a gap, a whole chain, the head at its end.
func assertChained(b *bundle, w world, reader int) []clinic.StoredEntry {
	b.Helper()
	var found []clinic.StoredEntry
	err := b.store.Read(b.ctx, func(ctx context.Context, v clinic.View) error {
		head, err := v.Head(ctx, w.household)
		if err != nil {
			return err
		}
		if found, err = v.Entries(ctx, w.household, 0, 0); err != nil {
			return err
		}
		var chain [32]byte
		for i := range found {
			assert.Equal(b, int64(i)+1, found[i].Rev)
			chain = link(chain, &found[i])
			assert.Equal(b, chain, found[i].Chain)
		}
		assert.Equal(b, clinic.Head{Rev: int64(len(found)), Chain: chain}, head)
		return nil
	})
	assert.NoError(b, err, "reader %d", reader)
	return found
}
