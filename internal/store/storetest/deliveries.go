package storetest

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/reminder"
)

func deliveryOf(v clinic.View) finder[clinic.Delivery]     { return v.Delivery }
func deliveriesOf(v clinic.View) finder[[]clinic.Delivery] { return v.Deliveries }

// delivery returns a delivery with everything in it, about the world's learner.
func (w world) delivery(n int) clinic.Delivery {
	return clinic.Delivery{
		Delivery: reminder.Delivery{
			ID: id(aDelivery, 100*w.number+n), Kind: reminder.Tonight, Night: 20_002, Due: minutes(30), Lapses: minutes(120),
			State: reminder.Waiting, Claim: id(aClaim, n), Until: minutes(50), Repeatable: true, Sends: 2, Changed: minutes(40),
			Tries: []reminder.Try{
				{At: minutes(38), Destination: id(anAddress, 9), Channel: "email", Outcome: reminder.WasFailed, Permanent: true, Detail: "no “such” box 🦋\n"},
				{At: minutes(39), Outcome: reminder.WasSkipped},
			},
		},
		Clinic: w.clinic, Household: w.household, Learner: w.learner,
	}
}

// code returns a delivery that verifies an address of the world.
func (w world) code(n int) clinic.Delivery {
	d := w.delivery(50 + n)
	d.Kind, d.Night, d.Learner, d.Address = "verification", 0, uuid.Nil, w.address(n).ID
	d.State, d.Claim, d.Until, d.Sends, d.Changed, d.Tries = reminder.Unclaimed, uuid.Nil, time.Time{}, 0, time.Time{}, nil
	return d
}

// deliver saves deliveries.
func deliver(b *bundle, list ...clinic.Delivery) {
	b.Helper()
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SaveDeliveries(ctx, list) })
}

func deliveriesKept(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	deliver(b)
	assert.Empty(b, get(b, deliveriesOf, w.household))

	late, bare, early, elsewhere := w.delivery(1), w.delivery(2), w.delivery(3), other.delivery(4)
	bare.Delivery = reminder.Delivery{ID: bare.ID, Kind: reminder.Missed, Due: late.Due, Lapses: late.Lapses}
	early.Due = late.Due.Add(-time.Millisecond)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddAddress(ctx, w.address(1)) })
	deliver(b, late, w.code(1), bare, early, elsewhere)
	assert.Equal(b, []clinic.Delivery{early, late, bare}, get(b, deliveriesOf, w.household), "none that verifies an address")
	assert.Equal(b, []clinic.Delivery{elsewhere}, get(b, deliveriesOf, other.household))
	assert.Equal(b, w.code(1), get(b, deliveryOf, w.code(1).ID))
	assert.Equal(b, bare, get(b, deliveryOf, bare.ID))

	bare.Delivery = bare.ClaimedBy(id(aClaim, 7), time.Minute, minutes(31))
	late.Kind, late.Night, late.Due, late.Lapses = reminder.Missed, 20_003, minutes(20), minutes(121)
	late.State, late.Tries = reminder.Sent, late.Tries[:1]
	early.Repeatable, early.Tries = false, []reminder.Try{}
	deliver(b, bare, early, late)
	early.Tries = nil
	assert.Equal(b, []clinic.Delivery{late, early, bare}, get(b, deliveriesOf, w.household), "replaced, and due at other times")
	assert.Equal(b, late, get(b, deliveryOf, late.ID))
}

// deliveriesMoved gives deliveries to others, or tries to.
func deliveriesMoved(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	sister := w.addLearners(b, 1)[0]
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddAddress(ctx, other.address(1)) })
	d, projected := w.delivery(1), w.delivery(3)
	p := w.projectionFor(w.learner)
	p.Reminders = []clinic.ProjectedReminder{{ID: projected.ID, Kind: "tonight", Due: projected.Due, Lapses: projected.Lapses, Ready: minutes(1)}}
	save(b, p)
	deliver(b, d)
	for what, change := range map[string]func(d *clinic.Delivery){
		"no household": func(d *clinic.Delivery) { d.Household = nobody }, "no learner": func(d *clinic.Delivery) { d.Learner = nobody },
		"no clinic": func(d *clinic.Delivery) { d.Clinic = nobody }, "no address": func(d *clinic.Delivery) { d.Address = nobody },
		"another's clinic":  func(d *clinic.Delivery) { d.Clinic = other.clinic },
		"another's learner": func(d *clinic.Delivery) { d.Learner = other.learner },
		"another's address": func(d *clinic.Delivery) { d.Address = other.address(1).ID },
	} {
		for _, changed := range []clinic.Delivery{d, projected} {
			changed.State = reminder.Sent
			change(&changed)
			b.write(func(ctx context.Context, tx clinic.Tx) error {
				err := tx.SaveDeliveries(ctx, []clinic.Delivery{w.delivery(2), changed})
				assert.Equal(b, fault.NotFound, fault.KindOf(err), what)
				return nil
			})
		}
		assert.Equal(b, []clinic.Delivery{d}, get(b, deliveriesOf, w.household), "%s: nothing was written", what)
		assert.Equal(b, p.Reminders, get(b, remindersOf, w.learner), "%s: nothing was written", what)
	}
	d.Learner = sister
	deliver(b, d)
	assert.Equal(b, d, get(b, deliveryOf, d.ID))
	d.Clinic, d.Household, d.Learner, d.Address = other.clinic, other.household, uuid.Nil, other.address(1).ID
	deliver(b, d)
	assert.Equal(b, d, get(b, deliveryOf, d.ID))
	assert.Empty(b, get(b, deliveriesOf, w.household))
}

// deliveriesMakeReady looks at the projected reminders of deliveries.
func deliveriesMakeReady(b *bundle) {
	w := newWorld(b, 1)
	p, sisters := w.projection(), w.projectionFor(w.addLearners(b, 1)[0])
	sisters.Reminders = []clinic.ProjectedReminder{{ID: id(aReminder, 7), Kind: "missed", Due: minutes(30), Lapses: minutes(99), Ready: minutes(30)}}
	save(b, p)
	save(b, sisters)
	holds := func(why string) {
		b.Helper()
		assert.Equal(b, p, get(b, projectionOf, p.Learner), why)
		assert.Equal(b, sisters, get(b, projectionOf, sisters.Learner), why)
	}
	d, hers, unknown := w.delivery(1), w.delivery(2), w.delivery(3)
	d.ID, d.Due = p.Reminders[0].ID, minutes(-5) // the reminder time has been moved since
	hers.ID, hers.Learner = sisters.Reminders[0].ID, sisters.Learner
	hers.Until = minutes(51)
	deliver(b, hers, unknown, d)
	p.Reminders[0].Ready, sisters.Reminders[0].Ready = d.Ready(), hers.Ready()
	holds("each as its delivery, and no other")
	due := dueOf(b, w.clinic, minutes(30), nil, 9)
	assert.Equal(b, []time.Time{d.Ready(), hers.Ready()}, []time.Time{due[0].Ready, due[1].Ready})

	hers.State = reminder.Sent
	deliver(b, hers)
	sisters.Reminders[0].Ready = time.Time{}
	holds("not ready any more")
	save(b, p)
	holds("as it was saved")
	p.Reminders[0].Ready = minutes(33)
	save(b, p)
	holds("as it was saved last")
	assert.Equal(b, d, get(b, deliveryOf, d.ID))
}

// manyDeliveries saves more than go into one statement, then other ones of the same ids.
func manyDeliveries(b *bundle) {
	w := newWorld(b, 1)
	p := w.projection()
	p.Reminders = nil
	want := make([]clinic.Delivery, 99)
	for i := range want {
		want[i] = w.delivery(i)
		want[i].Due = minutes(i / 2)
		p.Reminders = append(p.Reminders, clinic.ProjectedReminder{ID: want[i].ID, Due: want[i].Due, Ready: want[i].Due})
	}
	save(b, p)
	for round := range 2 {
		for i := range want {
			want[i].Sends, want[i].Until = round+i%3, minutes(i+100*round)
			p.Reminders[i].Ready = want[i].Until
		}
		deliver(b, slices.Concat(want[40:], want[:40])...)
		assert.Equal(b, want, get(b, deliveriesOf, w.household))
		some := read(b, func(ctx context.Context, v clinic.View) (map[uuid.UUID]clinic.Delivery, error) {
			return v.DeliveriesByID(ctx, []uuid.UUID{want[3].ID, nobody, want[77].ID})
		})
		assert.Equal(b, map[uuid.UUID]clinic.Delivery{want[3].ID: want[3], want[77].ID: want[77]}, some)
		assert.Equal(b, p.Reminders, get(b, remindersOf, w.learner))
	}
}

func readyCodes(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	at := minutes(60)
	add := func(w world, n int, change func(d *clinic.Delivery)) clinic.Delivery {
		d := w.code(n)
		d.Due, d.Lapses = minutes(50), minutes(99)
		change(&d)
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			a := w.address(n)
			if err := tx.AddAddress(ctx, a); err != nil {
				return err
			}
			return tx.SaveDeliveries(ctx, []clinic.Delivery{d})
		})
		return d
	}
	waiting := add(w, 1, func(d *clinic.Delivery) { d.State, d.Until = reminder.Waiting, at })
	tied := add(w, 2, func(*clinic.Delivery) {})
	tie := add(w, 3, func(d *clinic.Delivery) { d.Due, d.State, d.Until = minutes(1), reminder.Claimed, minutes(50) })
	lapsing := add(w, 4, func(d *clinic.Delivery) { d.Due, d.Lapses = minutes(51), at.Add(time.Millisecond) })
	add(w, 5, func(d *clinic.Delivery) { d.Lapses = at })
	add(w, 6, func(d *clinic.Delivery) { d.Due = at.Add(time.Millisecond) })
	add(w, 7, func(d *clinic.Delivery) { d.State = reminder.Sent })
	add(w, 8, func(d *clinic.Delivery) {
		d.State, d.Repeatable, d.Until, d.Sends = reminder.Sending, true, minutes(50), reminder.MaxSends
	})
	add(other, 9, func(*clinic.Delivery) {})
	deliver(b, w.delivery(1)) // of a reminder, and ready
	want := []clinic.Delivery{tied, tie, lapsing, waiting}
	for limit := range len(want) + 2 {
		got := read(b, func(ctx context.Context, v clinic.View) ([]clinic.Delivery, error) {
			return v.ReadyCodes(ctx, w.clinic, at, limit)
		})
		assert.Equal(b, append([]clinic.Delivery(nil), want[:min(limit, len(want))]...), got, "%d of them", limit)
	}
}
