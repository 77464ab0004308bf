package postgres

import (
	"context"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/rowdoc"
)

var (
	addressByID          = statement{"read address", selectAddress + ` FROM address a WHERE a.id = $1`}
	addressesOfCaregiver = statement{"list addresses", selectAddress + `
		FROM address a WHERE a.household = $1 AND a.caregiver = $2 ORDER BY a.id`}
	recipients = statement{"list recipients", selectAddress + `, p.withdrawn,
			(SELECT count(*) FROM device d WHERE d.household = a.household AND d.caregiver = a.caregiver AND d.revoked IS NULL)
		FROM address a JOIN caregiver p ON p.household = a.household AND p.id = a.caregiver
		WHERE a.household = ANY($1) ORDER BY a.id`}
	addAddress = statement{"add address", `
		INSERT INTO address (household, id, caregiver, channel, sent_to, wanted, created, verified, failing,
			code, code_asked, code_wrong)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`}
	setAddress = statement{"set address", `
		UPDATE address SET wanted = $3, verified = $4, failing = $5, code = $6, code_asked = $7, code_wrong = $8
		WHERE household = $1 AND id = $2`}
	removeVerifications = statement{"remove what verifies address", `DELETE FROM delivery WHERE household = $1 AND address = $2`}
	removeAddress       = statement{"remove address", `DELETE FROM address WHERE household = $1 AND id = $2`}

	feedByID         = statement{"read calendar feed", selectFeed + ` WHERE id = $1`}
	feedByHash       = statement{"read calendar feed", selectFeed + ` WHERE hash = $1`}
	feedsOfCaregiver = statement{"list calendar feeds", selectFeed + ` WHERE household = $1 AND caregiver = $2 ORDER BY id`}
	addFeed          = statement{"add calendar feed", `
		INSERT INTO calendar_feed (household, id, caregiver, hash, created) VALUES ($1, $2, $3, $4, $5)`}
	removeFeed = statement{"remove calendar feed", `DELETE FROM calendar_feed WHERE household = $1 AND id = $2`}
)

const selectAddress = `
	SELECT a.household, a.id, a.caregiver, a.channel, a.sent_to, a.wanted, a.created, a.verified, a.failing, a.code, a.code_asked,
		a.code_wrong`

const selectFeed = `SELECT id, household, caregiver, hash, created FROM calendar_feed`

// addressPlaces is where an address goes.
func addressPlaces(a *clinic.Address, w *rowdoc.Wanted) []any {
	return []any{
		&a.Household, &a.ID, &a.Caregiver, (*text)(&a.Channel), (*text)(&a.To), asList(w), (*instant)(&a.Created), (*instant)(&a.Verified),
		(*instant)(&a.Failing), (*optional)(&a.Code.ID), (*instant)(&a.Code.Asked), &a.Code.Wrong,
	}
}

func scanAddress(row scanner, a *clinic.Address) error {
	var w rowdoc.Wanted
	err := row.Scan(addressPlaces(a, &w)...)
	a.Wanted = clinic.Wanted(w)
	return err
}

func scanRecipient(row scanner, r *clinic.Recipient) error {
	var w rowdoc.Wanted
	err := row.Scan(append(addressPlaces(&r.Address, &w), (*instant)(&r.Withdrawn), &r.Devices)...)
	r.Wanted = clinic.Wanted(w)
	return err
}

func scanFeed(row scanner, f *clinic.CalendarFeed) error {
	return row.Scan(&f.ID, &f.Household, &f.Caregiver, (*document)(&f.Hash), (*instant)(&f.Created))
}

func householdOfFeed(f *clinic.CalendarFeed) uuid.UUID { return f.Household }

// Address implements clinic.ReminderView.
func (v view) Address(ctx context.Context, id uuid.UUID) (clinic.Address, error) {
	return single(ctx, v.work, addressByID, scanAddress, func(a *clinic.Address) uuid.UUID { return a.Household }, id)
}

// Addresses implements clinic.ReminderView.
func (v view) Addresses(ctx context.Context, caregiver uuid.UUID) ([]clinic.Address, error) {
	p, err := v.Caregiver(ctx, caregiver)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, addressesOfCaregiver, scanAddress, p.Household, caregiver)
}

// Recipients implements clinic.ReminderView.
func (v view) Recipients(ctx context.Context, households []uuid.UUID) (map[uuid.UUID][]clinic.Recipient, error) {
	if err := v.hold(ctx, households); err != nil {
		return nil, err
	}
	all, err := all(ctx, v.work, recipients, scanRecipient, households)
	found := make(map[uuid.UUID][]clinic.Recipient, len(households))
	for _, r := range all {
		found[r.Household] = append(found[r.Household], r)
	}
	return found, err
}

// AddAddress implements clinic.ReminderTx.
func (t *tx) AddAddress(ctx context.Context, a clinic.Address) error {
	if err := t.caregiverOf(ctx, a.Household, a.Caregiver); err != nil {
		return err
	}
	w := rowdoc.Wanted(a.Wanted)
	return t.execOne(ctx, addAddress, a.Household, a.ID, a.Caregiver, text(a.Channel), text(a.To), asList(&w), ms(a.Created),
		msOrNull(a.Verified), msOrNull(a.Failing), idOrNull(a.Code.ID), msOrNull(a.Code.Asked), a.Code.Wrong)
}

// SetAddress implements clinic.ReminderTx.
func (t *tx) SetAddress(ctx context.Context, a clinic.Address) error {
	before, err := t.Address(ctx, a.ID)
	if err != nil {
		return err
	}
	w := rowdoc.Wanted(a.Wanted)
	return t.execOne(ctx, setAddress, before.Household, a.ID, asList(&w), msOrNull(a.Verified), msOrNull(a.Failing),
		idOrNull(a.Code.ID), msOrNull(a.Code.Asked), a.Code.Wrong)
}

// RemoveAddress implements clinic.ReminderTx.
func (t *tx) RemoveAddress(ctx context.Context, id uuid.UUID) error {
	a, err := t.Address(ctx, id)
	if err != nil {
		return err
	}
	return t.run(ctx, removeVerifications.of(a.Household, id), removeAddress.of(a.Household, id))
}

// CalendarFeeds implements clinic.ReminderView.
func (v view) CalendarFeeds(ctx context.Context, caregiver uuid.UUID) ([]clinic.CalendarFeed, error) {
	p, err := v.Caregiver(ctx, caregiver)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, feedsOfCaregiver, scanFeed, p.Household, caregiver)
}

// CalendarFeed implements clinic.ReminderView.
func (v view) CalendarFeed(ctx context.Context, id uuid.UUID) (clinic.CalendarFeed, error) {
	return single(ctx, v.work, feedByID, scanFeed, householdOfFeed, id)
}

// CalendarFeedByHash implements clinic.ReminderView.
func (v view) CalendarFeedByHash(ctx context.Context, hash []byte) (clinic.CalendarFeed, error) {
	return single(ctx, v.work, feedByHash, scanFeed, householdOfFeed, blob(hash))
}

// AddCalendarFeed implements clinic.ReminderTx.
func (t *tx) AddCalendarFeed(ctx context.Context, f clinic.CalendarFeed) error {
	if err := t.caregiverOf(ctx, f.Household, f.Caregiver); err != nil {
		return err
	}
	return t.execOne(ctx, addFeed, f.Household, f.ID, f.Caregiver, blob(f.Hash), ms(f.Created))
}

// RemoveCalendarFeed implements clinic.ReminderTx.
func (t *tx) RemoveCalendarFeed(ctx context.Context, id uuid.UUID) error {
	f, err := t.CalendarFeed(ctx, id)
	if err != nil {
		return err
	}
	return t.execOne(ctx, removeFeed, f.Household, id)
}
