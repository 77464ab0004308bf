package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/fault"
	"swallowtail/internal/reminder"
)

// told notes that a family has been reminded of something, or may have been, so that it is not reminded of it again.
func (r *replay) told(ctx context.Context, e FamilyTold, at time.Time) error {
	learner, err := r.tx.Learner(ctx, e.Learner)
	if fault.KindOf(err) == fault.NotFound {
		r.done.Homeless++
		return nil
	}
	if err != nil {
		return err
	}
	d, err := r.tx.Delivery(ctx, e.Reminder)
	if err != nil && fault.KindOf(err) != fault.NotFound {
		return err
	}
	if d.State.Final() {
		return nil
	}
	d.Clinic, d.Household, d.Learner = learner.Clinic, learner.Household, learner.ID
	d.ID, d.Kind, d.Night, d.Due = e.Reminder, reminder.Kind(e.Kind), e.Night, e.Due
	d.State, d.Changed = reminder.Unclear, at
	if d.Lapses.IsZero() {
		d.Lapses = at
	}
	r.done.Told++
	r.touched[learner.Household] = true
	return r.tx.SaveDeliveries(ctx, []Delivery{d})
}

func (r *replay) removed(ctx context.Context, e AddressRemoved) error {
	return r.closed(ctx, e.Address, func() error {
		_, err := r.tx.Address(ctx, e.Address)
		return err
	}, r.tx.RemoveAddress)
}

func (r *replay) feedRevoked(ctx context.Context, e CalendarFeedRevoked) error {
	return r.closed(ctx, e.Feed, func() error {
		_, err := r.tx.CalendarFeed(ctx, e.Feed)
		return err
	}, r.tx.RemoveCalendarFeed)
}

// closed removes a thing where it is there.
func (r *replay) closed(ctx context.Context, id uuid.UUID, look func() error, remove func(context.Context, uuid.UUID) error) error {
	err := look()
	if fault.KindOf(err) == fault.NotFound {
		return nil
	}
	if err != nil {
		return err
	}
	r.done.Channels++
	return remove(ctx, id)
}
