package postgres

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/rowdoc"
)

var (
	deliveryByID          = statement{"read delivery", selectDelivery + ` WHERE id = $1`}
	deliveriesByID        = statement{"find deliveries", selectDelivery + ` WHERE id = ANY($1)`}
	householdsOfIDs       = statement{"find deliveries", `SELECT DISTINCT household FROM delivery WHERE id = ANY($1)`}
	deliveriesOfHousehold = statement{"list deliveries", selectDelivery + `
		WHERE household = $1 AND learner IS NOT NULL ORDER BY due, id`}
	readyCodes      = statement{"list ready codes", selectDelivery + whereCodeReady + ` ORDER BY ready, id LIMIT $3`}
	readyCodesAmong = statement{"list ready codes", selectDelivery + whereCodeReady + ` AND household = ANY($4) ORDER BY ready, id LIMIT $3`}

	// How many of the deliveries are of what is there, in the clinic and the household that they name.
	countPlaced = statement{"find what deliveries are of", `
		SELECT count(*) FROM unnest($1::uuid[], $2::uuid[], $3::uuid[], $4::uuid[]) AS n (household, clinic, learner, address)
			JOIN household h ON h.id = n.household AND h.clinic = n.clinic
		WHERE (n.learner IS NULL OR EXISTS (SELECT 1 FROM learner l WHERE l.household = n.household AND l.id = n.learner))
			AND (n.address IS NULL OR EXISTS (SELECT 1 FROM address a WHERE a.household = n.household AND a.id = n.address))`}
	saveDeliveries = statement{"save deliveries", `
		INSERT INTO delivery (household, clinic, learner, address, id, kind, night, due, lapses, state, claim, until, repeatable, claims,
			changed, ready, tries)
		SELECT n.* FROM unnest($1::uuid[], $2::uuid[], $3::uuid[], $4::uuid[], $5::uuid[], $6::text[], $7::integer[], $8::bigint[],
			$9::bigint[], $10::text[], $11::uuid[], $12::bigint[], $13::boolean[], $14::bigint[], $15::bigint[], $16::bigint[],
			$17::bytea[]) AS n
		ON CONFLICT (id) DO UPDATE SET household = excluded.household, due = excluded.due,
			clinic = excluded.clinic, learner = excluded.learner, address = excluded.address,
			kind = excluded.kind, night = excluded.night, lapses = excluded.lapses, state = excluded.state, claim = excluded.claim,
			until = excluded.until, repeatable = excluded.repeatable, claims = excluded.claims, changed = excluded.changed,
			ready = excluded.ready, tries = excluded.tries`}
	readyAsDelivered = statement{"note when reminders are ready", `
		UPDATE reminder r SET ready = n.ready FROM unnest($1::uuid[], $2::uuid[], $3::uuid[], $4::bigint[]) AS n (household, learner, id, ready)
		WHERE r.household = n.household AND r.learner = n.learner AND r.id = n.id`}
)

const selectDelivery = `
	SELECT id, clinic, household, learner, address, kind, night, due, lapses, state, claim, until, repeatable, claims, changed, tries
	FROM delivery`

const whereCodeReady = ` WHERE clinic = $1 AND learner IS NULL AND ready <= $2 AND lapses > $2`

func scanDelivery(row scanner, d *clinic.Delivery) error {
	var docs []rowdoc.Try
	err := row.Scan(&d.ID, &d.Clinic, &d.Household, (*optional)(&d.Learner), (*optional)(&d.Address), &d.Kind, &d.Night,
		(*instant)(&d.Due), (*instant)(&d.Lapses), &d.State, (*optional)(&d.Claim), (*instant)(&d.Until), &d.Repeatable, &d.Sends,
		(*instant)(&d.Changed), asList(&docs))
	d.Tries = rowdoc.Tries(docs)
	return err
}

// Delivery implements clinic.ReminderView.
func (v view) Delivery(ctx context.Context, id uuid.UUID) (clinic.Delivery, error) {
	return single(ctx, v.work, deliveryByID, scanDelivery, func(d *clinic.Delivery) uuid.UUID { return d.Household }, id)
}

// DeliveriesByID implements clinic.ReminderView.
func (v view) DeliveriesByID(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]clinic.Delivery, error) {
	found := make(map[uuid.UUID]clinic.Delivery, len(ids))
	if v.writes {
		households, err := all(ctx, v.work, householdsOfIDs, value[uuid.UUID], ids)
		if err != nil {
			return nil, err
		}
		if err := v.hold(ctx, households); err != nil {
			return nil, err
		}
	}
	all, err := all(ctx, v.work, deliveriesByID, scanDelivery, ids)
	for _, d := range all {
		found[d.ID] = d
	}
	return found, err
}

// Deliveries implements clinic.ReminderView.
func (v view) Deliveries(ctx context.Context, household uuid.UUID) ([]clinic.Delivery, error) {
	return listOf(ctx, v.work, deliveriesOfHousehold, scanDelivery, household)
}

// ReadyCodes implements clinic.ReminderView. In a transaction that may write it does as ReadyReminders does.
func (v view) ReadyCodes(ctx context.Context, of uuid.UUID, at time.Time, limit int) ([]clinic.Delivery, error) {
	if !v.writes {
		return ofClinic(ctx, v.work, readyCodes, scanDelivery, of, ms(at), limit)
	}
	if err := v.run(ctx, claimTurn.of(turnOf(toClaim, of))); err != nil {
		return nil, err
	}
	found, err := ofClinic(ctx, v.work, readyCodes, scanDelivery, of, ms(at), limit)
	if err != nil || len(found) == 0 {
		return found, err
	}
	households := make([]uuid.UUID, len(found))
	for i := range found {
		households[i] = found[i].Household
	}
	if err := v.hold(ctx, households); err != nil {
		return nil, err
	}
	return all(ctx, v.work, readyCodesAmong, scanDelivery, of, ms(at), limit, households)
}

// SaveDeliveries implements clinic.ReminderTx.
func (t *tx) SaveDeliveries(ctx context.Context, deliveries []clinic.Delivery) error {
	if len(deliveries) == 0 {
		return nil
	}
	c := deliveryColumns(deliveries)
	if err := t.hold(ctx, c.households); err != nil {
		return err
	}
	placed, err := one(ctx, t.work, countPlaced, value[int], c.households, c.clinics, c.learners, c.addresses)
	if err == nil && placed < len(deliveries) {
		err = absent(countPlaced)
	}
	if err != nil {
		return err
	}
	if err := t.changes(c.households...); err != nil {
		return err
	}
	return t.run(ctx, saveDeliveries.of(c.households, c.clinics, c.learners, c.addresses, c.ids, c.kinds, c.nights, c.due, c.lapses,
		c.states, c.claims, c.until, c.repeatable, c.sends, c.changed, c.ready, c.tries),
		readyAsDelivered.of(c.households, c.learners, c.ids, c.ready))
}

// columns are deliveries as the columns of what is to be saved: one text of SQL does for any number of them.
type columns struct {
	households, clinics, ids    []uuid.UUID
	learners, addresses, claims []*uuid.UUID
	kinds, states               []string
	nights                      []int32
	due, lapses, sends          []int64
	until, changed, ready       []*int64
	repeatable                  []bool
	tries                       []list[[]rowdoc.Try]
}

func deliveryColumns(deliveries []clinic.Delivery) (c columns) {
	for i := range deliveries {
		d := &deliveries[i]
		docs := rowdoc.TriesOf(d.Tries)
		c.households, c.clinics, c.ids = append(c.households, d.Household), append(c.clinics, d.Clinic), append(c.ids, d.ID)
		c.learners, c.addresses = append(c.learners, idOrNull(d.Learner)), append(c.addresses, idOrNull(d.Address))
		c.claims, c.kinds = append(c.claims, idOrNull(d.Claim)), append(c.kinds, string(d.Kind))
		c.states, c.nights = append(c.states, string(d.State)), append(c.nights, int32(d.Night))
		c.due, c.lapses, c.sends = append(c.due, ms(d.Due)), append(c.lapses, ms(d.Lapses)), append(c.sends, int64(d.Sends))
		c.until, c.changed = append(c.until, msOrNull(d.Until)), append(c.changed, msOrNull(d.Changed))
		c.ready, c.repeatable = append(c.ready, msOrNull(d.Ready())), append(c.repeatable, d.Repeatable)
		c.tries = append(c.tries, asList(&docs))
	}
	return c
}
