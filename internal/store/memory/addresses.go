package memory

import (
	"bytes"
	"context"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// Address implements clinic.ReminderView.
func (v view) Address(_ context.Context, id uuid.UUID) (clinic.Address, error) {
	h, err := v.home(addresses, id)
	if err != nil {
		return clinic.Address{}, err
	}
	at, _ := place(h.addresses, id, idOfAddress)
	return copyOfAddress(h.addresses[at]), nil
}

// Addresses implements clinic.ReminderView.
func (v view) Addresses(_ context.Context, caregiver uuid.UUID) ([]clinic.Address, error) {
	h, err := v.home(caregivers, caregiver)
	if err != nil {
		return nil, err
	}
	var found []clinic.Address
	for _, a := range h.addresses {
		if a.Caregiver == caregiver {
			found = append(found, copyOfAddress(a))
		}
	}
	return found, nil
}

// Recipients implements clinic.ReminderView.
func (v view) Recipients(_ context.Context, households []uuid.UUID) (map[uuid.UUID][]clinic.Recipient, error) {
	found := map[uuid.UUID][]clinic.Recipient{}
	for _, id := range households {
		if h := v.households.rows[id]; h != nil && len(h.addresses) > 0 {
			found[id] = listed(h.addresses, h.recipient)
		}
	}
	return found, nil
}

func (h *household) recipient(a clinic.Address) clinic.Recipient {
	at, _ := place(h.caregivers, a.Caregiver, idOfCaregiver)
	r := clinic.Recipient{Address: copyOfAddress(a), Withdrawn: h.caregivers[at].Withdrawn}
	for _, d := range h.devices {
		if d.Caregiver == a.Caregiver && d.Revoked.IsZero() {
			r.Devices++
		}
	}
	return r
}

// AddAddress implements clinic.ReminderTx.
func (t *tx) AddAddress(_ context.Context, a clinic.Address) error {
	h, err := t.household(a.Household)
	if err != nil {
		return err
	}
	if !h.hasCaregiver(a.Caregiver) {
		return absent("caregiver")
	}
	if t.homes[addresses].has(a.ID) {
		return taken("address")
	}
	for _, other := range h.addresses {
		if other.Caregiver == a.Caregiver && other.Channel == a.Channel && other.To == a.To {
			return taken("address")
		}
	}
	a = keptAddress(a)
	h = t.own(h)
	at, _ := place(h.addresses, a.ID, idOfAddress)
	h.addresses = with(h.addresses, at, a)
	t.settle(addresses, a.ID, h)
	return nil
}

// keptAddress returns an address as the store keeps it.
func keptAddress(a clinic.Address) clinic.Address {
	a = copyOfAddress(a)
	a.Created, a.Verified, a.Failing, a.Code.Asked = kept(a.Created), kept(a.Verified), kept(a.Failing), kept(a.Code.Asked)
	return a
}

// SetAddress implements clinic.ReminderTx.
func (t *tx) SetAddress(_ context.Context, a clinic.Address) error {
	h, err := t.home(addresses, a.ID)
	if err != nil {
		return err
	}
	a = keptAddress(a)
	h = t.own(h)
	at, _ := place(h.addresses, a.ID, idOfAddress)
	is := h.addresses[at]
	is.Wanted, is.Verified, is.Failing, is.Code = a.Wanted, a.Verified, a.Failing, a.Code
	h.addresses = changed(h.addresses, at, is)
	return nil
}

// RemoveAddress implements clinic.ReminderTx.
func (t *tx) RemoveAddress(_ context.Context, id uuid.UUID) error {
	h, err := t.home(addresses, id)
	if err != nil {
		return err
	}
	h = t.own(h)
	var left []*clinic.Delivery
	for _, d := range h.deliveries {
		if d.Address == id {
			t.unsettle(deliveries, d.ID)
		} else {
			left = append(left, d)
		}
	}
	h.deliveries = left
	at, _ := place(h.addresses, id, idOfAddress)
	h.addresses = without(h.addresses, at)
	t.unsettle(addresses, id)
	return nil
}

// CalendarFeeds implements clinic.ReminderView.
func (v view) CalendarFeeds(_ context.Context, caregiver uuid.UUID) ([]clinic.CalendarFeed, error) {
	h, err := v.home(caregivers, caregiver)
	if err != nil {
		return nil, err
	}
	var found []clinic.CalendarFeed
	for _, f := range h.feeds {
		if f.Caregiver == caregiver {
			found = append(found, f)
		}
	}
	return found, nil
}

// CalendarFeed implements clinic.ReminderView.
func (v view) CalendarFeed(_ context.Context, id uuid.UUID) (clinic.CalendarFeed, error) {
	h, err := v.home(feeds, id)
	if err != nil {
		return clinic.CalendarFeed{}, err
	}
	at, _ := place(h.feeds, id, idOfFeed)
	return h.feeds[at], nil
}

// CalendarFeedByHash implements clinic.ReminderView.
func (v view) CalendarFeedByHash(_ context.Context, hash []byte) (clinic.CalendarFeed, error) {
	for _, h := range v.households.rows {
		for _, f := range h.feeds {
			if bytes.Equal(f.Hash, hash) {
				return f, nil
			}
		}
	}
	return clinic.CalendarFeed{}, absent("calendar feed")
}

// AddCalendarFeed implements clinic.ReminderTx.
func (t *tx) AddCalendarFeed(ctx context.Context, f clinic.CalendarFeed) error {
	h, err := t.household(f.Household)
	if err != nil {
		return err
	}
	if !h.hasCaregiver(f.Caregiver) {
		return absent("caregiver")
	}
	if _, err := t.CalendarFeedByHash(ctx, f.Hash); err == nil || t.homes[feeds].has(f.ID) {
		return taken("calendar feed")
	}
	f.Hash, f.Created = document(f.Hash), kept(f.Created)
	h = t.own(h)
	at, _ := place(h.feeds, f.ID, idOfFeed)
	h.feeds = with(h.feeds, at, f)
	t.settle(feeds, f.ID, h)
	return nil
}

// RemoveCalendarFeed implements clinic.ReminderTx.
func (t *tx) RemoveCalendarFeed(_ context.Context, id uuid.UUID) error {
	h, err := t.home(feeds, id)
	if err != nil {
		return err
	}
	h = t.own(h)
	at, _ := place(h.feeds, id, idOfFeed)
	h.feeds = without(h.feeds, at)
	t.unsettle(feeds, id)
	return nil
}
