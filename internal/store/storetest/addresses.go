package storetest

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

func addressOf(v clinic.View) finder[clinic.Address]      { return v.Address }
func addressesOf(v clinic.View) finder[[]clinic.Address]  { return v.Addresses }
func feedOf(v clinic.View) finder[clinic.CalendarFeed]    { return v.CalendarFeed }
func feedsOf(v clinic.View) finder[[]clinic.CalendarFeed] { return v.CalendarFeeds }

// address returns an address of the world's caregiver with everything in it.
func (w world) address(n int) clinic.Address {
	return clinic.Address{
		ID: id(anAddress, 100*w.number+n), Household: w.household, Caregiver: w.caregiver, Channel: "email",
		To: "mum" + string(rune('a'+n)) + "@example.org",
		Wanted: clinic.Wanted{
			Kinds: []string{"tonight", "missed"}, Weekdays: []int{1, 7}, QuietFrom: 21 * 60, QuietUntil: 8*60 + 30, Timezone: "Asia/Kathmandu",
		},
		Created: minutes(1), Verified: minutes(2), Failing: minutes(3),
		Code: clinic.AddressCode{ID: id(aDelivery, 7), Asked: minutes(4), Wrong: 2},
	}
}

// feed returns a calendar feed of the world's caregiver.
func (w world) feed(n int) clinic.CalendarFeed {
	return clinic.CalendarFeed{
		ID: id(aFeed, 100*w.number+n), Household: w.household, Caregiver: w.caregiver, Hash: []byte{byte(w.number), byte(n), 0, 9},
		Created: minutes(n),
	}
}

// addDad adds a second caregiver to the world's household and returns the id.
func (w world) addDad(b *bundle) uuid.UUID {
	b.Helper()
	dad := sampleCaregiver(100*w.number+20, w.household)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddCaregiver(ctx, dad) })
	return dad.ID
}

// keep adds addresses.
func keep(b *bundle, addresses ...clinic.Address) {
	b.Helper()
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		var err error
		for _, a := range addresses {
			err = errors.Join(err, tx.AddAddress(ctx, a))
		}
		return err
	})
}

func addressesKept(b *bundle) {
	w := newWorld(b, 1)
	dad := w.addDad(b)
	assert.Empty(b, get(b, addressesOf, w.caregiver))
	second, bare, his := w.address(2), w.address(1), w.address(3)
	bare.Wanted, bare.Verified, bare.Failing, bare.Code = clinic.Wanted{}, time.Time{}, time.Time{}, clinic.AddressCode{}
	his.Caregiver, his.To = dad, second.To
	otherChannel := w.address(4)
	otherChannel.Channel, otherChannel.To = "letter", second.To
	keep(b, second, his, otherChannel, bare)
	assert.Equal(b, []clinic.Address{bare, second, otherChannel}, get(b, addressesOf, w.caregiver))
	assert.Equal(b, []clinic.Address{his}, get(b, addressesOf, dad))
	assert.Equal(b, bare, get(b, addressOf, bare.ID))

	changed := w.address(1)
	changed.Household, changed.Caregiver, changed.Channel, changed.To, changed.Created = nobody, nobody, "", second.To, minutes(99)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SetAddress(ctx, changed) })
	bare.Wanted, bare.Verified, bare.Failing, bare.Code = changed.Wanted, changed.Verified, changed.Failing, changed.Code
	assert.Equal(b, []clinic.Address{bare, second, otherChannel}, get(b, addressesOf, w.caregiver), "what can't change has not")

	second.Wanted = clinic.Wanted{Kinds: []string{}, Weekdays: []int{}}
	second.Verified, second.Failing, second.Code = time.Time{}, time.Time{}, clinic.AddressCode{}
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SetAddress(ctx, second) })
	assert.Equal(b, second, get(b, addressOf, second.ID))
}

func addressesRemoved(b *bundle) {
	w := newWorld(b, 1)
	keep(b, w.address(1), w.address(2))
	finished := w.code(1)
	finished.ID, finished.State = id(aDelivery, 199), "sent"
	deliver(b, w.code(1), finished, w.code(2), w.delivery(1))
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.RemoveAddress(ctx, w.address(1).ID) })
	assert.Equal(b, []clinic.Address{w.address(2)}, get(b, addressesOf, w.caregiver))
	for _, gone := range []uuid.UUID{w.code(1).ID, finished.ID} {
		b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
			_, err := tx.Delivery(ctx, gone)
			return err
		})
	}
	b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
		_, err := tx.Address(ctx, w.address(1).ID)
		return err
	})
	assert.Equal(b, w.code(2), get(b, deliveryOf, w.code(2).ID), "another address's")
	assert.Equal(b, w.delivery(1), get(b, deliveryOf, w.delivery(1).ID), "a reminder's")

	keep(b, w.address(1))
	deliver(b, w.code(1))
	assert.Equal(b, []clinic.Address{w.address(1), w.address(2)}, get(b, addressesOf, w.caregiver), "and again")
	assert.Equal(b, w.code(1), get(b, deliveryOf, w.code(1).ID))
}

func recipients(b *bundle) {
	w, other, bare := newWorld(b, 1), newWorld(b, 2), newWorld(b, 3)
	dad := w.addDad(b)
	first, his, last := w.address(1), w.address(2), w.address(3)
	his.Caregiver = dad
	keep(b, last, other.address(1), his, first)
	second, revoked := sampleDevice(10, w.household, w.caregiver), sampleDevice(11, w.household, w.caregiver)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddDevice(ctx, second), tx.AddDevice(ctx, revoked), tx.RevokeDevice(ctx, revoked.ID, minutes(1)),
			tx.WithdrawConsent(ctx, dad, minutes(9)))
	})
	of := func(households ...uuid.UUID) map[uuid.UUID][]clinic.Recipient {
		b.Helper()
		return read(b, func(ctx context.Context, v clinic.View) (map[uuid.UUID][]clinic.Recipient, error) {
			return v.Recipients(ctx, households)
		})
	}
	ours := []clinic.Recipient{{Address: first, Devices: 2}, {Address: his, Withdrawn: minutes(9)}, {Address: last, Devices: 2}}
	theirs := []clinic.Recipient{{Address: other.address(1), Devices: 1}}
	assert.Equal(b, map[uuid.UUID][]clinic.Recipient{w.household: ours, other.household: theirs},
		of(other.household, nobody, bare.household, w.household))
	assert.Equal(b, map[uuid.UUID][]clinic.Recipient{w.household: ours}, of(w.household, w.household), "once each")
	assert.Empty(b, of(bare.household, nobody))
	assert.Empty(b, of())
}

func calendarFeeds(b *bundle) {
	w := newWorld(b, 1)
	his := w.feed(2)
	his.Caregiver = w.addDad(b)
	assert.Empty(b, get(b, feedsOf, w.caregiver))
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddCalendarFeed(ctx, w.feed(3)), tx.AddCalendarFeed(ctx, his), tx.AddCalendarFeed(ctx, w.feed(1)))
	})
	byHash := func(hash []byte) clinic.CalendarFeed {
		b.Helper()
		return read(b, func(ctx context.Context, v clinic.View) (clinic.CalendarFeed, error) {
			return v.CalendarFeedByHash(ctx, hash)
		})
	}
	assert.Equal(b, []clinic.CalendarFeed{w.feed(1), w.feed(3)}, get(b, feedsOf, w.caregiver))
	assert.Equal(b, []clinic.CalendarFeed{his}, get(b, feedsOf, his.Caregiver))
	assert.Equal(b, w.feed(3), get(b, feedOf, w.feed(3).ID))
	assert.Equal(b, his, byHash(his.Hash))

	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.RemoveCalendarFeed(ctx, w.feed(3).ID) })
	assert.Equal(b, []clinic.CalendarFeed{w.feed(1)}, get(b, feedsOf, w.caregiver))
	for _, hash := range [][]byte{nil, {}, w.feed(3).Hash, his.Hash[:3]} {
		b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
			_, err := tx.CalendarFeedByHash(ctx, hash)
			return err
		})
	}
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddCalendarFeed(ctx, w.feed(3)) })
	assert.Equal(b, w.feed(3), byHash(w.feed(3).Hash), "and again")
}
