package storetest

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

func ready(b *bundle) {
	require.NoError(b, b.store.Ready(b.ctx))
}

func epoch(b *bundle) {
	first := read(b, func(ctx context.Context, v clinic.View) (uuid.UUID, error) { return v.Epoch(ctx) })
	second := read(b, func(ctx context.Context, v clinic.View) (uuid.UUID, error) { return v.Epoch(ctx) })
	assert.NotEqual(b, uuid.Nil, first)
	assert.Equal(b, first, second)

	want := id(anEpoch, 1)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.RenewEpoch(ctx, want) })
	assert.Equal(b, want, read(b, func(ctx context.Context, v clinic.View) (uuid.UUID, error) { return v.Epoch(ctx) }))
}

func journal(b *bundle) {
	now := func(ctx context.Context, v clinic.View) (uuid.UUID, error) { return v.Journal(ctx) }
	assert.Zero(b, read(b, now), "none begun")
	for n := range 2 {
		want := id(aJournal, n)
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SetJournal(ctx, want) })
		assert.Equal(b, want, read(b, now))
	}
}

func commit(b *bundle) {
	want := sampleClinic(1)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if err := tx.AddClinic(ctx, want); err != nil {
			return err
		}
		within, err := tx.Clinic(ctx, want.ID)
		assert.Equal(b, want, within, "a transaction sees what it wrote")
		return err
	})
	assert.Equal(b, want, get(b, clinicOf, want.ID))
}

// assertNoClinic requires that nothing of sampleClinic(1) is there, and that the store still works.
func assertNoClinic(b *bundle) {
	b.Helper()
	b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
		_, err := tx.Clinic(ctx, id(aClinic, 1))
		return err
	})
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, sampleClinic(2)) })
}

func rollbackOnError(b *bundle) {
	reason := errors.New("the caller's own")
	err := b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(b, tx.AddClinic(ctx, sampleClinic(1)))
		return reason
	})
	assert.Same(b, reason, err, "returned unchanged")
	assertNoClinic(b)

	err = b.store.Read(b.ctx, func(context.Context, clinic.View) error { return reason })
	assert.Same(b, reason, err, "returned unchanged")
}

func rollbackOnPanic(b *bundle) {
	assert.PanicsWithValue(b, "the caller's own", func() {
		_ = b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
			require.NoError(b, tx.AddClinic(ctx, sampleClinic(1)))
			panic("the caller's own")
		})
	})
	assert.PanicsWithValue(b, "the caller's own", func() {
		_ = b.store.Read(b.ctx, func(context.Context, clinic.View) error { panic("the caller's own") })
	})
	assertNoClinic(b)
}

func rollbackOnCancellation(b *bundle) {
	ctx, cancel := context.WithCancel(b.ctx)
	defer cancel()
	err := b.store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(b, tx.AddClinic(ctx, sampleClinic(1)))
		cancel()
		return nil
	})
	require.ErrorIs(b, err, context.Canceled)
	assertNoClinic(b)
}

func snapshot(b *bundle) {
	w := newWorld(b, 1)
	w.fill(b, 2)
	err := b.store.Read(b.ctx, func(ctx context.Context, v clinic.View) error {
		before, err := v.Head(ctx, w.household)
		require.NoError(b, err)
		assert.Equal(b, int64(2), before.Rev)

		w.fill(b, 5)

		after, err := v.Head(ctx, w.household)
		require.NoError(b, err)
		assert.Equal(b, before, after, "a snapshot stays as it was")
		entries, err := v.Entries(ctx, w.household, 0, 0)
		require.NoError(b, err)
		assert.Len(b, entries, 2)
		return nil
	})
	require.NoError(b, err)
	head := read(b, func(ctx context.Context, v clinic.View) (clinic.Head, error) { return v.Head(ctx, w.household) })
	assert.Equal(b, int64(5), head.Rev, "the next one sees the commit")
}

func uncommittedIsUnseen(b *bundle) {
	w := newWorld(b, 1)
	written, looked, done := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		done <- b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
			err := tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(1)}, nil)
			close(written)
			<-looked
			return err
		})
	}()
	<-written
	head := func(ctx context.Context, v clinic.View) (clinic.Head, error) { return v.Head(ctx, w.household) }
	during := read(b, head)
	close(looked)
	require.NoError(b, <-done)
	assert.Zero(b, during.Rev, "readers don't wait for a writer and don't see what it has not committed")
	assert.Equal(b, int64(1), read(b, head).Rev)
}

// precision stores instants with more digits than are kept, in another zone than UTC and before 1970.
// ownWrites reads in a transaction, writes, and reads again.
func ownWrites(b *bundle) {
	w := newWorld(b, 1)
	w.fill(b, 2)
	p := w.projection()
	save(b, p)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		holds := func(rev int64) {
			head, err := tx.Head(ctx, w.household)
			require.NoError(b, err)
			assert.Equal(b, rev, head.Rev)
			got, err := tx.Projection(ctx, w.learner)
			require.NoError(b, err)
			assert.Equal(b, p, got)
			reminders, err := tx.RemindersOf(ctx, w.learner)
			require.NoError(b, err)
			assert.Equal(b, p.Reminders, reminders)
		}
		holds(2)
		require.NoError(b, tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(3)}, nil))
		holds(3)
		p.Nights, p.Reminders, p.Concerns = p.Nights[1:], p.Reminders[:1], p.Concerns[1:]
		p.Reminders[0].Ready = minutes(33)
		require.NoError(b, tx.SaveProjection(ctx, p, nil))
		holds(3)
		d := w.delivery(1)
		d.ID, d.Due = p.Reminders[0].ID, p.Reminders[0].Due
		require.NoError(b, tx.SaveDeliveries(ctx, []clinic.Delivery{d}))
		p.Reminders[0].Ready = d.Ready()
		holds(3)
		return nil
	})
}

func precision(b *bundle) {
	w := newWorld(b, 1)
	zone := time.FixedZone("", -4*60*60)
	for n, c := range []struct{ given, kept time.Time }{
		{
			time.Date(2027, time.March, 2, 19, 42, 10, 123_999_999, zone),
			time.Date(2027, time.March, 2, 23, 42, 10, 123_000_000, time.UTC),
		},
		{
			time.Date(1969, time.December, 31, 23, 59, 59, 999_900_000, time.UTC),
			time.Date(1969, time.December, 31, 23, 59, 59, 999_000_000, time.UTC),
		},
	} {
		device := sampleDevice(10+n, w.household, w.caregiver)
		device.Enrolled, device.Heard, device.Revoked = c.given, c.given, c.given
		entry := w.entry(int64(n) + 1)
		entry.Received, entry.Stored, entry.ClockOffset = c.given, c.given, 1_234_567_891
		p := w.projection()
		setInstants(&p, c.given)
		address, delivery := w.address(n), w.delivery(n)
		setDates(&address, &delivery, c.given)
		feed, followUp := w.feed(n), w.followUp(n)
		feed.Created, followUp.At = c.given, c.given
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			return errors.Join(tx.AddDevice(ctx, device), tx.SaveProjection(ctx, p, nil),
				tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{entry}, nil), tx.AddAddress(ctx, address),
				tx.SaveDeliveries(ctx, []clinic.Delivery{delivery}), tx.AddCalendarFeed(ctx, feed), tx.AddFollowUp(ctx, followUp))
		})

		device.Enrolled, device.Heard, device.Revoked = c.kept, c.kept, c.kept
		assert.Equal(b, device, get(b, deviceOf, device.ID))
		entry.Received, entry.Stored = c.kept, c.kept
		assert.Equal(b, entry, entriesOf(b, w.household, int64(n), 1)[0], "the offset is no instant and is kept whole")
		setInstants(&p, c.kept)
		assert.Equal(b, p, get(b, projectionOf, w.learner))
		setDates(&address, &delivery, c.kept)
		assert.Equal(b, address, get(b, addressOf, address.ID))
		assert.Equal(b, delivery, get(b, deliveryOf, delivery.ID))
		feed.Created, followUp.At = c.kept, c.kept
		assert.Equal(b, feed, get(b, feedOf, feed.ID))
		assert.Contains(b, get(b, followUpsOf, w.household), followUp)
	}
}

// setInstants sets every instant of a projection.
func setInstants(p *clinic.Projection, at time.Time) {
	p.Folded, p.Until, p.Heard, p.NextDue, p.RemindersUntil, p.RemindersRenew = at, at, at, at, at, at
	for i := range p.Reminders {
		r := &p.Reminders[i]
		r.Due, r.Lapses, r.Ready = at.Add(time.Duration(i)*time.Second), at, at
		p.Concerns[i].Since = at.Add(time.Duration(i) * time.Second)
	}
}

// setDates sets every instant of an address and of a delivery.
func setDates(a *clinic.Address, d *clinic.Delivery, at time.Time) {
	a.Created, a.Verified, a.Failing, a.Code.Asked = at, at, at, at
	d.Due, d.Lapses, d.Until, d.Changed = at, at, at, at
	for i := range d.Tries {
		d.Tries[i].At = at
	}
}
