package sqlite

import (
	"bytes"
	"context"
	"maps"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/rowdoc"
)

var (
	addressByID          = statement{"read address", selectAddress + fromAddress + ` WHERE a.id = ?`}
	addressesOfCaregiver = statement{"list addresses", selectAddress + fromAddress + ` WHERE a.caregiver_key = ? ORDER BY a.id`}
	// As with entries, the keys come as one JSON array. The households themselves are not read: in a large clinic each is another
	// page of the file.
	recipients = statement{"list recipients", `
		SELECT a.household_key, a.id, p.id, ` + restOfAddress + `, p.withdrawn,
			(SELECT count(*) FROM device d
			WHERE d.household_key = a.household_key AND d.caregiver_key = a.caregiver_key AND d.revoked IS NULL)
		FROM address a JOIN caregiver p USING (caregiver_key)
		WHERE a.household_key IN (SELECT value FROM json_each(?))`}
	addAddress = statement{"add address", `
		INSERT INTO address (id, household_key, caregiver_key, channel, sent_to, wanted, created, verified, failing,
			code, code_asked, code_wrong)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`}
	setAddress = statement{"set address", `
		UPDATE address SET wanted = ?, verified = ?, failing = ?, code = ?, code_asked = ?, code_wrong = ? WHERE id = ?`}
	householdOfAddress  = statement{"find address", `SELECT household_key FROM address WHERE id = ?`}
	removeVerifications = statement{"remove what verifies address", `DELETE FROM delivery WHERE household_key = ? AND address = ?`}
	removeAddress       = statement{"remove address", `DELETE FROM address WHERE household_key = ? AND id = ?`}

	feedByID         = statement{"read calendar feed", selectFeed + ` WHERE f.id = ?`}
	feedByHash       = statement{"read calendar feed", selectFeed + ` WHERE f.hash = ?`}
	feedsOfCaregiver = statement{"list calendar feeds", selectFeed + ` WHERE f.caregiver_key = ? ORDER BY f.id`}
	addFeed          = statement{"add calendar feed", `
		INSERT INTO calendar_feed (id, household_key, caregiver_key, hash, created) VALUES (?, ?, ?, ?, ?)`}
	removeFeed = statement{"remove calendar feed", `DELETE FROM calendar_feed WHERE id = ?`}
)

const selectAddress = `
	SELECT h.id, a.id, p.id, ` + restOfAddress

const restOfAddress = `a.channel, a.sent_to, a.wanted, a.created, a.verified, a.failing, a.code, a.code_asked, a.code_wrong`

const fromAddress = `
	FROM address a JOIN household h USING (household_key) JOIN caregiver p USING (caregiver_key)`

const selectFeed = `
	SELECT f.id, h.id, p.id, f.hash, f.created
	FROM calendar_feed f JOIN household h USING (household_key) JOIN caregiver p USING (caregiver_key)`

// addressPlaces is where an address goes whose household goes to the first place.
func addressPlaces(household any, a *clinic.Address, w *rowdoc.Wanted) []any {
	return []any{
		household, &a.ID, &a.Caregiver, &a.Channel, &a.To, asList(w), (*instant)(&a.Created), (*instant)(&a.Verified),
		(*instant)(&a.Failing), &a.Code.ID, (*instant)(&a.Code.Asked), &a.Code.Wrong,
	}
}

func scanAddress(row scanner, a *clinic.Address) error {
	var w rowdoc.Wanted
	err := row.Scan(addressPlaces(&a.Household, a, &w)...)
	a.Wanted = clinic.Wanted(w)
	return err
}

func scanRecipient(row scanner, household *int64, r *clinic.Recipient) error {
	var w rowdoc.Wanted
	err := row.Scan(append(addressPlaces(household, &r.Address, &w), (*instant)(&r.Withdrawn), &r.Devices)...)
	r.Wanted = clinic.Wanted(w)
	return err
}

func scanFeed(row scanner, f *clinic.CalendarFeed) error {
	return row.Scan(&f.ID, &f.Household, &f.Caregiver, (*document)(&f.Hash), (*instant)(&f.Created))
}

// Address implements clinic.ReminderView.
func (v view) Address(ctx context.Context, id uuid.UUID) (clinic.Address, error) {
	return one(ctx, v.work, addressByID, scanAddress, id[:])
}

// Addresses implements clinic.ReminderView.
func (v view) Addresses(ctx context.Context, caregiver uuid.UUID) ([]clinic.Address, error) {
	return listOf(ctx, v, caregiverKey, addressesOfCaregiver, scanAddress, caregiver)
}

// Recipients implements clinic.ReminderView.
func (v view) Recipients(ctx context.Context, households []uuid.UUID) (map[uuid.UUID][]clinic.Recipient, error) {
	named, err := v.householdKeys(ctx, households)
	if err != nil {
		return nil, err
	}
	keys := slices.Collect(maps.Keys(named))
	found := make(map[uuid.UUID][]clinic.Recipient, len(keys))
	err = v.each(ctx, recipients, func(row scanner) error {
		var household int64
		var r clinic.Recipient
		err := scanRecipient(row, &household, &r)
		r.Household = named[household]
		found[r.Household] = append(found[r.Household], r)
		return err
	}, asList(&keys))
	for _, of := range found {
		slices.SortFunc(of, func(a, b clinic.Recipient) int { return bytes.Compare(a.ID[:], b.ID[:]) })
	}
	return found, err
}

// AddAddress implements clinic.ReminderTx.
func (t *tx) AddAddress(ctx context.Context, a clinic.Address) error {
	household, caregiver, err := t.keysOfCaregiver(ctx, a.Household, a.Caregiver)
	if err != nil {
		return err
	}
	w := rowdoc.Wanted(a.Wanted)
	return t.execOne(ctx, addAddress, a.ID[:], household, caregiver, a.Channel, a.To, asList(&w), ms(a.Created),
		msOrNull(a.Verified), msOrNull(a.Failing), idOrNull(a.Code.ID), msOrNull(a.Code.Asked), a.Code.Wrong)
}

// keysOfCaregiver returns the keys of a household and of one of its caregivers.
func (t *tx) keysOfCaregiver(ctx context.Context, household, caregiver uuid.UUID) (ofHousehold, ofCaregiver int64, err error) {
	if ofHousehold, err = t.key(ctx, householdKey, household); err != nil {
		return 0, 0, err
	}
	ofCaregiver, err = t.key(ctx, caregiverOfHousehold, caregiver, ofHousehold)
	return ofHousehold, ofCaregiver, err
}

// SetAddress implements clinic.ReminderTx.
func (t *tx) SetAddress(ctx context.Context, a clinic.Address) error {
	w := rowdoc.Wanted(a.Wanted)
	return t.execOne(ctx, setAddress, asList(&w), msOrNull(a.Verified), msOrNull(a.Failing),
		idOrNull(a.Code.ID), msOrNull(a.Code.Asked), a.Code.Wrong, a.ID[:])
}

// RemoveAddress implements clinic.ReminderTx.
func (t *tx) RemoveAddress(ctx context.Context, id uuid.UUID) error {
	household, err := t.key(ctx, householdOfAddress, id)
	if err != nil {
		return err
	}
	if _, err := t.exec(ctx, removeVerifications, household, id[:]); err != nil {
		return err
	}
	return t.execOne(ctx, removeAddress, household, id[:])
}

// CalendarFeeds implements clinic.ReminderView.
func (v view) CalendarFeeds(ctx context.Context, caregiver uuid.UUID) ([]clinic.CalendarFeed, error) {
	return listOf(ctx, v, caregiverKey, feedsOfCaregiver, scanFeed, caregiver)
}

// CalendarFeed implements clinic.ReminderView.
func (v view) CalendarFeed(ctx context.Context, id uuid.UUID) (clinic.CalendarFeed, error) {
	return one(ctx, v.work, feedByID, scanFeed, id[:])
}

// CalendarFeedByHash implements clinic.ReminderView.
func (v view) CalendarFeedByHash(ctx context.Context, hash []byte) (clinic.CalendarFeed, error) {
	return one(ctx, v.work, feedByHash, scanFeed, blob(hash))
}

// AddCalendarFeed implements clinic.ReminderTx.
func (t *tx) AddCalendarFeed(ctx context.Context, f clinic.CalendarFeed) error {
	household, caregiver, err := t.keysOfCaregiver(ctx, f.Household, f.Caregiver)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addFeed, f.ID[:], household, caregiver, blob(f.Hash), ms(f.Created))
}

// RemoveCalendarFeed implements clinic.ReminderTx.
func (t *tx) RemoveCalendarFeed(ctx context.Context, id uuid.UUID) error {
	return t.execOne(ctx, removeFeed, id[:])
}
