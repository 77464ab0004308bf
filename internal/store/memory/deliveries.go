package memory

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// delivery returns where a delivery of the household is among them.
func (h *household) delivery(id uuid.UUID) int {
	return slices.IndexFunc(h.deliveries, func(d *clinic.Delivery) bool { return d.ID == id })
}

// Delivery implements clinic.ReminderView.
func (v view) Delivery(_ context.Context, id uuid.UUID) (clinic.Delivery, error) {
	h, err := v.home(deliveries, id)
	if err != nil {
		return clinic.Delivery{}, err
	}
	return copyOfDelivery(h.deliveries[h.delivery(id)]), nil
}

// DeliveriesByID implements clinic.ReminderView.
func (v view) DeliveriesByID(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]clinic.Delivery, error) {
	found := map[uuid.UUID]clinic.Delivery{}
	for _, id := range ids {
		d, err := v.Delivery(ctx, id)
		if fault.KindOf(err) == fault.NotFound {
			continue
		}
		if err != nil {
			return nil, err
		}
		found[id] = d
	}
	return found, nil
}

// Deliveries implements clinic.ReminderView.
func (v view) Deliveries(_ context.Context, household uuid.UUID) ([]clinic.Delivery, error) {
	h, err := v.household(household)
	if err != nil {
		return nil, err
	}
	var found []clinic.Delivery
	for _, d := range h.deliveries {
		if d.Learner != uuid.Nil {
			found = append(found, copyOfDelivery(d))
		}
	}
	return found, nil
}

// ReadyCodes implements clinic.ReminderView.
func (v view) ReadyCodes(_ context.Context, of uuid.UUID, at time.Time, limit int) ([]clinic.Delivery, error) {
	if !v.clinics.has(of) {
		return nil, absent("clinic")
	}
	at = kept(at)
	var ready []clinic.Delivery
	for _, h := range v.households.rows {
		if h.Clinic != of {
			continue
		}
		for _, d := range h.deliveries {
			if d.Learner == uuid.Nil && d.Claimable(at) {
				ready = append(ready, copyOfDelivery(d))
			}
		}
	}
	slices.SortFunc(ready, func(a, b clinic.Delivery) int {
		return cmp.Or(a.Ready().Compare(b.Ready()), compareIDs(a.ID, b.ID))
	})
	return first(ready, limit), nil
}

// SaveDeliveries implements clinic.ReminderTx.
func (t *tx) SaveDeliveries(_ context.Context, list []clinic.Delivery) error {
	for i := range list {
		if err := t.checkDelivery(&list[i]); err != nil {
			return err
		}
	}
	for i := range list {
		d := keptDelivery(&list[i])
		if was, err := t.home(deliveries, d.ID); err == nil {
			was = t.own(was)
			was.deliveries = without(was.deliveries, was.delivery(d.ID))
		}
		h := t.own(t.households.rows[d.Household])
		at, _ := slices.BinarySearchFunc(h.deliveries, &d, func(a, b *clinic.Delivery) int {
			return cmp.Or(a.Due.Compare(b.Due), compareIDs(a.ID, b.ID))
		})
		h.deliveries = with(h.deliveries, at, &d)
		t.settle(deliveries, d.ID, h)
		t.readyAt(h, d.Learner, d.ID, d.Ready())
	}
	return nil
}

// checkDelivery requires that all that a delivery is of is there.
func (t *tx) checkDelivery(d *clinic.Delivery) error {
	h, err := t.household(d.Household)
	switch {
	case err != nil:
		return err
	case h.Clinic != d.Clinic:
		return absent("household of the clinic")
	case d.Learner != uuid.Nil && !h.hasLearner(d.Learner):
		return absent("learner of the household")
	case d.Address != uuid.Nil && !h.hasAddress(d.Address):
		return absent("address of the household")
	}
	return nil
}

// keptDelivery returns a delivery as the store keeps it.
func keptDelivery(d *clinic.Delivery) clinic.Delivery {
	c := copyOfDelivery(d)
	c.Due, c.Lapses, c.Until, c.Changed = kept(c.Due), kept(c.Lapses), kept(c.Until), kept(c.Changed)
	for i := range c.Tries {
		c.Tries[i].At = kept(c.Tries[i].At)
	}
	if len(c.Tries) == 0 {
		c.Tries = nil
	}
	return c
}
