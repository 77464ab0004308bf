package sqlite

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	projectionByKey = statement{"read projection", `
		SELECT p.learner_id, c.id, p.folded, p.until, p.next_due, p.reminders_until, p.reminders_renew, p.status, p.urgency,
			p.nights_wrong, p.heard, p.nickname, p.flags, p.roster_row, p.basis, p.weighed, p.verdict, p.nearness, p.nights
		FROM projection p JOIN clinic c USING (clinic_key) WHERE p.learner_key = ?`}
	learnerAndClinic = statement{"find learner", `
		SELECT l.learner_key, h.household_key, c.clinic_key, h.id
		FROM learner l JOIN household h USING (household_key) JOIN clinic c USING (clinic_key)
		WHERE l.id = ? AND c.id = ?`}
	saveProjection = statement{"save projection", `
		INSERT INTO projection (learner_key, clinic_key, learner_id, folded, until, next_due, reminders_until, reminders_renew,
			status, urgency, nights_wrong, heard, nickname, nickname_order, flags, roster_row, basis, weighed, verdict, nearness, nights)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (learner_key) DO UPDATE SET folded = excluded.folded, until = excluded.until,
			next_due = excluded.next_due, reminders_until = excluded.reminders_until,
			reminders_renew = excluded.reminders_renew, status = excluded.status,
			urgency = excluded.urgency, nights_wrong = excluded.nights_wrong, heard = excluded.heard,
			nickname = excluded.nickname, nickname_order = excluded.nickname_order, flags = excluded.flags,
			roster_row = excluded.roster_row, basis = excluded.basis, weighed = excluded.weighed,
			verdict = excluded.verdict, nearness = excluded.nearness, nights = excluded.nights`}

	staleProjections = statement{"list stale projections", `
		SELECT learner_id FROM projection WHERE clinic_key = ? AND until <= ? ORDER BY until, learner_id LIMIT ?`}
	weighed = statement{"list what was weighed", `
		SELECT learner_id, weighed FROM projection WHERE clinic_key = ? AND weighed IS NOT NULL`}
	unweighed = statement{"list unweighed projections", `
		SELECT learner_id FROM projection WHERE clinic_key = ? AND weighed IS NULL AND learner_id > ? ORDER BY learner_id LIMIT ?`}
)

func scanProjection(row scanner, p *clinic.Projection) error {
	return row.Scan(&p.Learner, &p.Clinic, (*instant)(&p.Folded), (*instant)(&p.Until), (*instant)(&p.NextDue),
		(*instant)(&p.RemindersUntil), (*instant)(&p.RemindersRenew), &p.Status, &p.Urgency, &p.NightsWrong, (*instant)(&p.Heard),
		&p.Nickname, asList(&p.Flags), (*document)(&p.Row), (*hash)(&p.Weighed.Basis), (*document)(&p.Weighed.Doc),
		&p.Verdict, &p.Nearness, (*nights)(&p.Nights))
}

// Projection implements clinic.ProjectionView.
func (v view) Projection(ctx context.Context, learner uuid.UUID) (clinic.Projection, error) {
	key, err := v.key(ctx, learnerKey, learner)
	if err != nil {
		return clinic.Projection{}, err
	}
	p, err := one(ctx, v.work, projectionByKey, scanProjection, key)
	if err != nil {
		return clinic.Projection{}, err
	}
	if p.Reminders, err = v.remindersOf(ctx, key); err != nil {
		return clinic.Projection{}, err
	}
	concerns, err := v.concernsOf(ctx, key)
	p.Concerns = slices.Clone(concerns)
	return p, err
}

// StaleProjections implements clinic.ProjectionView. Those that went stale first come first.
func (v view) StaleProjections(ctx context.Context, of uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, staleProjections, value[uuid.UUID], key, ms(at), limit)
}

// Unweighed implements clinic.ProjectionView.
func (v view) Unweighed(ctx context.Context, of uuid.UUID, page clinic.Page) ([]uuid.UUID, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, unweighed, value[uuid.UUID], key, page.After[:], page.Limit)
}

// Weighed implements clinic.ProjectionView.
func (v view) Weighed(ctx context.Context, of uuid.UUID) (map[uuid.UUID][]byte, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	docs := map[uuid.UUID][]byte{}
	err = v.each(ctx, weighed, func(row scanner) error {
		var learner uuid.UUID
		var doc document
		err := row.Scan(&learner, &doc)
		docs[learner] = doc
		return err
	}, key)
	return docs, err
}

// projectionKeys are the keys under which a projection is kept, and whose it is.
type projectionKeys struct {
	learner, household, clinic int64
	householdID                uuid.UUID
}

func scanProjectionKeys(row scanner, k *projectionKeys) error {
	return row.Scan(&k.learner, &k.household, &k.clinic, &k.householdID)
}

// SaveProjection implements clinic.ProjectionTx. What is the same as before is not written again.
func (t *tx) SaveProjection(ctx context.Context, p clinic.Projection) error {
	keys, err := one(ctx, t.work, learnerAndClinic, scanProjectionKeys, p.Learner[:], p.Clinic[:])
	if err != nil {
		return err
	}
	err = t.execOne(ctx, saveProjection, keys.learner, keys.clinic, p.Learner[:], ms(p.Folded), msOrNull(p.Until),
		msOrNull(p.NextDue), msOrNull(p.RemindersUntil), msOrNull(p.RemindersRenew), p.Status, p.Urgency, p.NightsWrong,
		ms(p.Heard), p.Nickname, withoutCase(p.Nickname), asList(&p.Flags), blob(p.Row), p.Weighed.Basis[:], p.Weighed.Doc,
		p.Verdict, p.Nearness, blob(clinic.PackNights(p.Nights)))
	if err != nil {
		return err
	}
	if err := t.saveReminders(ctx, keys, &p); err != nil {
		return err
	}
	return t.saveConcerns(ctx, keys, p.Concerns)
}

// withoutCase is the nickname as the roster's order has it.
func withoutCase(nickname string) string { return strings.ToLower(nickname) }
