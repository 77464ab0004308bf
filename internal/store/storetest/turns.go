package storetest

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sync"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

// lockedHeads lets many writers count up in a household's projection, each from what it finds there once it has locked
// the head. None must miss what another wrote, and no reader must see a count without its entry.
func lockedHeads(b *bundle) {
	const writers, rounds = 8, 12
	w := newWorld(b, 1)
	none := w.projection()
	none.Urgency, none.Nights = 0, nil
	save(b, none)
	var writing, reading sync.WaitGroup
	done := make(chan struct{})
	for range 2 {
		reading.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
					assert.NoError(b, b.store.Read(b.ctx, func(ctx context.Context, v clinic.View) error {
						_, err := w.counted(ctx, b, v)
						return err
					}))
				}
			}
		})
	}
	for writer := range writers {
		writing.Go(func() {
			for round := range rounds {
				assert.NoError(b, w.countUp(b, id(anEntry, writer*rounds+round)))
			}
		})
	}
	writing.Wait()
	close(done)
	reading.Wait()
	assert.Equal(b, int64(writers*rounds), get(b, headOf, w.household).Rev)
	assert.Equal(b, writers*rounds, get(b, projectionOf, w.learner).Urgency)
}

// countUp appends an entry, adds one to the projection's count and a night of the entry's revision.
func (w world) countUp(b *bundle, entryID uuid.UUID) error {
	return b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
		head, err := tx.Head(ctx, w.household)
		if err != nil {
			return err
		}
		p, err := w.counted(ctx, b, tx)
		if err != nil {
			return err
		}
		entry := w.entry(head.Rev + 1)
		entry.ID = entryID
		p.Urgency++
		p.Nights = append(p.Nights, clinic.ProjectedNight{Night: practice.Night(entry.Rev), ChangedRev: entry.Rev})
		return errors.Join(tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{entry}, nil), tx.SaveProjection(ctx, p, nil))
	})
}

// counted returns the projection, in which all that counts must agree.
func (w world) counted(ctx context.Context, b *bundle, v clinic.View) (clinic.Projection, error) {
	head, err := v.Head(ctx, w.household)
	if err != nil {
		return clinic.Projection{}, err
	}
	p, err := v.Projection(ctx, w.learner)
	if err != nil {
		return clinic.Projection{}, err
	}
	entries, err := v.Entries(ctx, w.household, 0, 0)
	assert.Equal(b, []int{int(head.Rev), int(head.Rev), int(head.Rev)}, []int{p.Urgency, len(p.Nights), len(entries)})
	return p, err
}

// givingUp lets writers that wait for a head, or are about to, give up when their context ends.
func givingUp(b *bundle) {
	const waiters = 8
	w := newWorld(b, 1)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if _, err := tx.Head(ctx, w.household); err != nil {
			return err
		}
		waiting, cancel := context.WithCancel(b.ctx)
		defer cancel()
		begun, ended := make(chan struct{}, waiters), make(chan error, waiters)
		for range waiters {
			go func() {
				begun <- struct{}{}
				ended <- b.store.InTx(waiting, func(ctx context.Context, tx clinic.Tx) error {
					if err := tx.AddClinic(ctx, sampleClinic(9)); err != nil {
						return err
					}
					_, err := tx.Head(ctx, w.household)
					return err
				})
			}()
		}
		for range waiters {
			<-begun
		}
		cancel()
		for range waiters {
			require.ErrorIs(b, <-ended, context.Canceled)
		}
		return tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(1)}, nil)
	})
	assert.Equal(b, int64(1), get(b, headOf, w.household).Rev, "the one that they waited for is none the worse")
	b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
		_, err := tx.Clinic(ctx, id(aClinic, 9))
		return err
	})
}

// endedContext begins when the context has ended already.
func endedContext(b *bundle) {
	ctx, cancel := context.WithCancel(b.ctx)
	cancel()
	require.ErrorIs(b, b.store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
		return tx.AddClinic(ctx, sampleClinic(1))
	}), context.Canceled)
	require.ErrorIs(b, b.store.Read(ctx, func(ctx context.Context, v clinic.View) error {
		_, err := v.HouseholdIDs(ctx, clinic.Page{Limit: 1})
		return err
	}), context.Canceled)
	assertNoClinic(b)
}

// afterAbsence goes on in a transaction in which something was not there, in every way that there is.
func afterAbsence(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		for _, u := range slices.Concat(absentReads(w), absentWrites(w, other)) {
			require.Equal(b, fault.NotFound, fault.KindOf(u.call(ctx, tx)), u.name)
		}
		return tx.AddClinic(ctx, sampleClinic(9))
	})
	assert.Equal(b, sampleClinic(9), get(b, clinicOf, id(aClinic, 9)))
	assert.Len(b, get(b, devicesOf, w.household), 1, "what failed wrote nothing")
	assert.Zero(b, get(b, headOf, w.household), "what failed wrote nothing")
	assert.Empty(b, get(b, deliveriesOf, w.household), "what failed wrote nothing")
	assert.Empty(b, get(b, addressesOf, w.caregiver), "what failed wrote nothing")
}

// listsAreTheCallers changes the lists and maps that went in and came out. Bytes are left alone: a store may share them.
func listsAreTheCallers(b *bundle) {
	w := newFullWorld(b)
	screening, enrolment := sampleScreening(added, w.learner, w.member), sampleEnrolment(added, w.learner, w.plan)
	screening.At = minutes(99)
	p, batch := w.projection(), []clinic.StoredEntry{w.entry(3), w.entry(4)}
	address, deliveries := w.address(added), []clinic.Delivery{w.delivery(added)}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddScreening(ctx, screening), tx.AddEnrolment(ctx, enrolment),
			tx.AppendEntries(ctx, w.household, batch, nil), tx.SaveProjection(ctx, p, nil), tx.AddAddress(ctx, address),
			tx.SaveDeliveries(ctx, deliveries))
	})
	// As text, since what a store gives out may be the very thing that it keeps.
	seen := func() map[string]string {
		b.Helper()
		texts := map[string]string{}
		for what, answer := range read(b, w.look) {
			texts[what] = fmt.Sprintf("%+v", answer)
		}
		return texts
	}
	want := seen()

	screening.Answers["more"], enrolment.Positions[0], batch[0] = true, practice.Up, clinic.StoredEntry{}
	spoil(&p)
	spoilAddress(address)
	clear(deliveries[0].Tries)
	clear(deliveries)
	assert.Equal(b, want, seen(), "what went in")

	for _, answer := range read(b, w.look) {
		w.spoilAnswer(answer)
	}
	assert.Equal(b, want, seen(), "what came out")
}

// spoilAnswer changes every list and map of an answer.
func (w world) spoilAnswer(answer any) {
	switch answer := answer.(type) {
	case clinic.Screening:
		answer.Answers["more"] = true
	case clinic.Enrolment:
		answer.Positions[0] = practice.Up
	case []clinic.Enrolment:
		answer[0].Positions[0] = practice.Up
	case clinic.Projection:
		spoil(&answer)
	case clinic.Delivery:
		clear(answer.Tries)
	case []clinic.Delivery:
		clear(answer[0].Tries)
	case clinic.Address:
		spoilAddress(answer)
	case []clinic.Address:
		spoilAddress(answer[0])
	case map[uuid.UUID][]clinic.Recipient:
		spoilAddress(answer[w.household][0].Address)
		clear(answer[w.household])
	}
	if v := reflect.ValueOf(answer); v.Kind() == reflect.Slice || v.Kind() == reflect.Map {
		v.Clear()
	}
}

func spoil(p *clinic.Projection) {
	clear(p.Flags)
	clear(p.Nights)
	clear(p.Reminders)
	clear(p.Concerns)
}

func spoilAddress(a clinic.Address) {
	clear(a.Wanted.Kinds)
	clear(a.Wanted.Weekdays)
}
