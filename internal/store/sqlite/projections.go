package sqlite

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

var (
	projectionByKey = statement{"read projection", `
		SELECT p.learner_id, c.id, p.folded, p.until, p.next_due, p.reminders_until, p.reminders_renew, p.status, p.urgency,
			p.nights_wrong, p.heard, p.nickname, p.flags, p.roster_row, p.basis, p.weighed, p.verdict, p.nearness
		FROM projection p JOIN clinic c USING (clinic_key) WHERE p.learner_key = ?`}
	learnerAndClinic = statement{"find learner", `
		SELECT l.learner_key, h.household_key, c.clinic_key, h.id
		FROM learner l JOIN household h USING (household_key) JOIN clinic c USING (clinic_key)
		WHERE l.id = ? AND c.id = ?`}
	saveProjection = statement{"save projection", `
		INSERT INTO projection (learner_key, clinic_key, learner_id, folded, until, next_due, reminders_until, reminders_renew,
			status, urgency, nights_wrong, heard, nickname, nickname_order, flags, roster_row, basis, weighed, verdict, nearness)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (learner_key) DO UPDATE SET folded = excluded.folded, until = excluded.until,
			next_due = excluded.next_due, reminders_until = excluded.reminders_until,
			reminders_renew = excluded.reminders_renew, status = excluded.status,
			urgency = excluded.urgency, nights_wrong = excluded.nights_wrong, heard = excluded.heard,
			nickname = excluded.nickname, nickname_order = excluded.nickname_order, flags = excluded.flags,
			roster_row = excluded.roster_row, basis = excluded.basis, weighed = excluded.weighed,
			verdict = excluded.verdict, nearness = excluded.nearness`}

	nightsOfLearner = statement{"list nights", `
		SELECT night, changed_rev, gone, doc FROM night WHERE learner_key = ? ORDER BY night`}
	insertNights = statement{"save nights", `INSERT INTO night (learner_key, night, changed_rev, gone, doc)`}
	removeNight  = statement{"remove night", `DELETE FROM night WHERE learner_key = ? AND night = ?`}

	staleProjections = statement{"list stale projections", `
		SELECT learner_id FROM projection WHERE clinic_key = ? AND until <= ? ORDER BY until, learner_id LIMIT ?`}
	weighed = statement{"list what was weighed", `
		SELECT learner_id, weighed FROM projection WHERE clinic_key = ? AND weighed IS NOT NULL`}
	unweighed = statement{"list unweighed projections", `
		SELECT learner_id FROM projection WHERE clinic_key = ? AND weighed IS NULL AND learner_id > ? ORDER BY learner_id LIMIT ?`}
)

const replaceNight = ` ON CONFLICT DO UPDATE SET changed_rev = excluded.changed_rev, gone = excluded.gone,
	doc = excluded.doc`

func scanProjection(row scanner, p *clinic.Projection) error {
	return row.Scan(&p.Learner, &p.Clinic, (*instant)(&p.Folded), (*instant)(&p.Until), (*instant)(&p.NextDue),
		(*instant)(&p.RemindersUntil), (*instant)(&p.RemindersRenew), &p.Status, &p.Urgency, &p.NightsWrong, (*instant)(&p.Heard),
		&p.Nickname, asList(&p.Flags), (*document)(&p.Row), (*hash)(&p.Weighed.Basis), (*document)(&p.Weighed.Doc),
		&p.Verdict, &p.Nearness)
}

func scanNight(row scanner, n *clinic.ProjectedNight) error {
	return row.Scan(&n.Night, &n.ChangedRev, &n.Gone, (*document)(&n.Doc))
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
	nights, err := v.nightsOf(ctx, key)
	if err != nil {
		return clinic.Projection{}, err
	}
	p.Nights = slices.Clone(nights)
	if p.Reminders, err = v.remindersOf(ctx, key); err != nil {
		return clinic.Projection{}, err
	}
	concerns, err := v.concernsOf(ctx, key)
	p.Concerns = slices.Clone(concerns)
	return p, err
}

func (w *work) nightsOf(ctx context.Context, learner int64) ([]clinic.ProjectedNight, error) {
	return remembered(w.known.nights, learner, func() ([]clinic.ProjectedNight, error) {
		return all(ctx, w, nightsOfLearner, scanNight, learner)
	})
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
		p.Verdict, p.Nearness)
	if err != nil {
		return err
	}
	if err := t.saveNights(ctx, keys.learner, p.Nights); err != nil {
		return err
	}
	if err := t.saveReminders(ctx, keys, &p); err != nil {
		return err
	}
	return t.saveConcerns(ctx, keys, p.Concerns)
}

// withoutCase is the nickname as the roster's order has it.
func withoutCase(nickname string) string { return strings.ToLower(nickname) }

func (t *tx) saveNights(ctx context.Context, learner int64, nights []clinic.ProjectedNight) error {
	kept, err := t.nightsOf(ctx, learner)
	if err != nil {
		return err
	}
	delete(t.known.nights, learner)
	before := make(map[practice.Night]clinic.ProjectedNight, len(kept))
	for _, n := range kept {
		before[n.Night] = n
	}
	var changed [][]any
	for _, n := range nights {
		if old, ok := before[n.Night]; !ok || old.ChangedRev != n.ChangedRev || old.Gone != n.Gone || !bytes.Equal(old.Doc, n.Doc) {
			changed = append(changed, []any{learner, n.Night, n.ChangedRev, n.Gone, blob(n.Doc)})
		}
		delete(before, n.Night)
	}
	for gone := range before {
		if err := t.execOne(ctx, removeNight, learner, gone); err != nil {
			return err
		}
	}
	return t.writeMany(ctx, insertNights, replaceNight, changed)
}
