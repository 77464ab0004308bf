package sqlite

import (
	"context"
	"database/sql"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/rowdoc"
)

var (
	deliveryByID          = statement{"read delivery", selectDelivery + ` WHERE d.id = ?`}
	deliveriesByID        = statement{"find deliveries", selectDelivery + ` WHERE d.id IN (SELECT unhex(value, '-') FROM json_each(?))`}
	deliveriesOfHousehold = statement{"list deliveries", selectDelivery + `
		WHERE d.household_key = ? AND d.learner_key IS NOT NULL ORDER BY d.due, d.id`}
	readyCodes = statement{"list ready codes", selectDelivery + `
		WHERE d.clinic_key = ?1 AND d.learner_key IS NULL AND d.ready <= ?2 AND d.lapses > ?2
		ORDER BY d.ready, d.id LIMIT ?3`}

	insertDeliveries = statement{"save deliveries", `
		INSERT INTO delivery (household_key, due, id, clinic_key, learner_key, address, kind, night, lapses, state, claim,
			until, repeatable, claims, changed, ready, tries)`}
	// A reminder is due when its delivery is, unless the reminder time has been moved since: then it is found by its learner. As with
	// entries, the ids come as one JSON array.
	readyWhenDue = statement{"note when reminders are ready", `
		UPDATE reminder SET ready = named.column5, claimed = named.column5 IS NOT reminder.due FROM (`}
	readyAsDelivered = statement{"note when reminders are ready", `
		WITH named AS MATERIALIZED (
			SELECT r.clinic_key, r.claimed, r.due, r.id, d.ready
			FROM delivery d CROSS JOIN projection p ON p.learner_key = d.learner_key
				CROSS JOIN json_each(p.reminders) AS named ON unhex(named.key) = d.id CROSS JOIN reminder r ON ` + placeNamed + `
			WHERE d.id IN (SELECT unhex(value, '-') FROM json_each(?)))
		UPDATE reminder SET ready = named.ready, claimed = named.ready IS NOT named.due FROM named
		WHERE reminder.clinic_key = named.clinic_key AND reminder.claimed = named.claimed AND reminder.due = named.due
			AND reminder.id = named.id`}

	// The ids that deliveries name come one after the other in one value, as idsOf puts them, so that one statement finds the keys
	// for any number of deliveries. When they are due comes as a JSON array. What has just been read as ready lies side by side in
	// the table of reminders, while its household and its learner may be anywhere.
	keysOfReminders = statement{"find reminders", `
		SELECT named.key, r.household_key, r.clinic_key, r.learner_key, r.claimed
		FROM json_each(?2) AS named CROSS JOIN clinic c ON c.id = substr(?1, 80 * named.key + 17, 16)
			CROSS JOIN reminder r ON r.clinic_key = c.clinic_key AND r.claimed IN (0, 1) AND r.due = named.value
				AND r.id = substr(?1, 80 * named.key + 65, 16)
		WHERE substr(r.answer, 33, 16) = substr(?1, 80 * named.key + 1, 16)
			AND substr(r.answer, 17, 16) = substr(?1, 80 * named.key + 33, 16)
			AND substr(?1, 80 * named.key + 49, 16) = zeroblob(16)`}
	keysOfDeliveries = statement{"find what deliveries are of", `
		SELECT named.key, h.household_key, h.clinic_key, l.learner_key, NULL
		FROM json_each(?2) AS named CROSS JOIN household h ON h.id = substr(?1, 80 * named.key + 1, 16)
			CROSS JOIN clinic c ON c.clinic_key = h.clinic_key AND c.id = substr(?1, 80 * named.key + 17, 16)
			LEFT JOIN learner l ON l.id = substr(?1, 80 * named.key + 33, 16) AND l.household_key = h.household_key
			LEFT JOIN address a ON a.id = substr(?1, 80 * named.key + 49, 16) AND a.household_key = h.household_key
		WHERE (l.id IS NULL) = (substr(?1, 80 * named.key + 33, 16) = zeroblob(16))
			AND (a.id IS NULL) = (substr(?1, 80 * named.key + 49, 16) = zeroblob(16))`}
)

const selectDelivery = `
	SELECT d.id, c.id, h.id, l.id, d.address, d.kind, d.night, d.due, d.lapses, d.state, d.claim, d.until, d.repeatable, d.claims,
		d.changed, d.tries
	FROM delivery d JOIN clinic c USING (clinic_key) JOIN household h USING (household_key)
		LEFT JOIN learner l USING (learner_key)`

const wherePlaceIsTheSame = `) AS named
	WHERE reminder.clinic_key = named.column1 AND reminder.claimed = named.column2 AND reminder.due = named.column3
		AND reminder.id = named.column4`

const replaceDelivery = ` ON CONFLICT (id) DO UPDATE SET household_key = excluded.household_key, due = excluded.due,
	clinic_key = excluded.clinic_key, learner_key = excluded.learner_key, address = excluded.address,
	kind = excluded.kind, night = excluded.night, lapses = excluded.lapses, state = excluded.state, claim = excluded.claim,
	until = excluded.until, repeatable = excluded.repeatable, claims = excluded.claims, changed = excluded.changed,
	ready = excluded.ready, tries = excluded.tries, edition = delivery.edition + 1`

func scanDelivery(row scanner, d *clinic.Delivery) error {
	var docs []rowdoc.Try
	err := row.Scan(&d.ID, &d.Clinic, &d.Household, &d.Learner, &d.Address, &d.Kind, &d.Night, (*instant)(&d.Due),
		(*instant)(&d.Lapses), &d.State, &d.Claim, (*instant)(&d.Until), &d.Repeatable, &d.Sends, (*instant)(&d.Changed),
		asList(&docs))
	d.Tries = rowdoc.Tries(docs)
	return err
}

// Delivery implements clinic.ReminderView.
func (v view) Delivery(ctx context.Context, id uuid.UUID) (clinic.Delivery, error) {
	return one(ctx, v.work, deliveryByID, scanDelivery, id[:])
}

// DeliveriesByID implements clinic.ReminderView.
func (v view) DeliveriesByID(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]clinic.Delivery, error) {
	found := make(map[uuid.UUID]clinic.Delivery, len(ids))
	all, err := all(ctx, v.work, deliveriesByID, scanDelivery, asList(&ids))
	for _, d := range all {
		found[d.ID] = d
	}
	return found, err
}

// Deliveries implements clinic.ReminderView.
func (v view) Deliveries(ctx context.Context, household uuid.UUID) ([]clinic.Delivery, error) {
	return listOf(ctx, v, householdKey, deliveriesOfHousehold, scanDelivery, household)
}

// ReadyCodes implements clinic.ReminderView.
func (v view) ReadyCodes(ctx context.Context, of uuid.UUID, at time.Time, limit int) ([]clinic.Delivery, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, readyCodes, scanDelivery, key, ms(at), limit)
}

// SaveDeliveries implements clinic.ReminderTx.
func (t *tx) SaveDeliveries(ctx context.Context, deliveries []clinic.Delivery) error {
	keys, err := t.keysOf(ctx, deliveries)
	if err != nil {
		return err
	}
	clear(t.known.reminders) // when they are ready changes
	clear(t.known.heads)     // which have the editions
	rows := make([][]any, len(deliveries))
	var places [][]any
	var others []uuid.UUID // whose reminder, if there is one, is not due when they are
	for i := range deliveries {
		d, k := &deliveries[i], keys[i]
		ready, tries := msOrNull(d.Ready()), rowdoc.TriesOf(d.Tries)
		rows[i] = []any{
			k.household, ms(d.Due), d.ID[:], k.clinic, k.learner, idOrNull(d.Address), string(d.Kind), d.Night, ms(d.Lapses),
			string(d.State), idOrNull(d.Claim), msOrNull(d.Until), d.Repeatable, d.Sends, msOrNull(d.Changed), ready, asList(&tries),
		}
		switch {
		case k.claimed.Valid:
			places = append(places, []any{k.clinic, k.claimed, ms(d.Due), d.ID[:], ready})
		case k.learner.Valid:
			others = append(others, d.ID)
		}
	}
	if err := t.writeMany(ctx, insertDeliveries, replaceDelivery, rows); err != nil {
		return err
	}
	if err := t.writeMany(ctx, readyWhenDue, wherePlaceIsTheSame, places); err != nil || len(others) == 0 {
		return err
	}
	_, err = t.exec(ctx, readyAsDelivered, asList(&others))
	return err
}

// deliveryKeys are the keys under which a delivery is kept.
type deliveryKeys struct {
	household, clinic int64
	learner           sql.NullInt64
	claimed           sql.NullBool // so is its reminder, where that is there and due when the delivery is
	found             bool
}

// keysOf finds the keys of all that deliveries are of; NotFound where anything is not there, or not in the clinic or household
// named.
func (t *tx) keysOf(ctx context.Context, deliveries []clinic.Delivery) ([]deliveryKeys, error) {
	ids, due := idsOf(deliveries)
	keys := make([]deliveryKeys, len(deliveries))
	found := 0
	read := func(st statement) error {
		return t.each(ctx, st, func(row scanner) error {
			var i int
			var k deliveryKeys
			err := row.Scan(&i, &k.household, &k.clinic, &k.learner, &k.claimed)
			if err == nil && !keys[i].found {
				k.found = true
				keys[i] = k
				found++
			}
			return err
		}, ids, asList(&due))
	}
	err := read(keysOfReminders)
	if err == nil && found < len(deliveries) {
		err = read(keysOfDeliveries)
	}
	if err == nil && found < len(deliveries) {
		err = t.failed(keysOfDeliveries, sql.ErrNoRows)
	}
	return keys, err
}

// idsOf puts the ids that each delivery names one after the other, and lists when they are due.
func idsOf(deliveries []clinic.Delivery) (ids []byte, due []int64) {
	ids, due = make([]byte, 0, 80*len(deliveries)), make([]int64, len(deliveries))
	for i := range deliveries {
		d := &deliveries[i]
		for _, id := range [...]uuid.UUID{d.Household, d.Clinic, d.Learner, d.Address, d.ID} {
			ids = append(ids, id[:]...)
		}
		due[i] = ms(d.Due)
	}
	return ids, due
}
