package postgres

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	projectionByKey        = statement{"read projection", selectProjection + ` WHERE household = $1 AND learner = $2`}
	projectionsOfHousehold = statement{"read projections", selectProjection + ` WHERE household = $1 ORDER BY learner`}
	// Where it is in the orders in which an upload would move it: not where it belongs until it is weighed, which is soon.
	saveProjection = statement{"save projection", `
		INSERT INTO projection (household, learner, clinic, folded, until, next_due, reminders_until, reminders_renew,
			status, urgency, nights_wrong, heard, nickname, nickname_order, flags, roster_row, basis, weighed, verdict, nearness, nights,
			urgency_place, wrong_place, heard_place, nearness_place, folded_place, stale_place, renew_place)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21,
			-$10::bigint, -$11::bigint, $12, -$20::bigint, $4, least($5::bigint, $7::bigint), $8)
		ON CONFLICT (household, learner) DO UPDATE SET folded = excluded.folded, until = excluded.until,
			next_due = excluded.next_due, reminders_until = excluded.reminders_until,
			reminders_renew = excluded.reminders_renew, status = excluded.status,
			urgency = excluded.urgency, nights_wrong = excluded.nights_wrong, heard = excluded.heard,
			nickname = excluded.nickname, nickname_order = excluded.nickname_order, flags = excluded.flags,
			roster_row = excluded.roster_row, basis = excluded.basis, weighed = excluded.weighed,
			verdict = excluded.verdict, nearness = excluded.nearness, nights = excluded.nights,
			urgency_place = CASE WHEN excluded.weighed IS NULL THEN projection.urgency_place ELSE excluded.urgency_place END,
			wrong_place = CASE WHEN excluded.weighed IS NULL THEN projection.wrong_place ELSE excluded.wrong_place END,
			heard_place = CASE WHEN excluded.weighed IS NULL THEN projection.heard_place ELSE excluded.heard_place END,
			nearness_place = CASE WHEN excluded.weighed IS NULL THEN projection.nearness_place ELSE excluded.nearness_place END,
			folded_place = CASE WHEN excluded.weighed IS NULL THEN projection.folded_place ELSE excluded.folded_place END,
			stale_place = CASE WHEN excluded.weighed IS NULL THEN least(projection.stale_place, excluded.stale_place)
				ELSE excluded.stale_place END,
			renew_place = CASE WHEN excluded.weighed IS NULL THEN least(projection.renew_place, excluded.renew_place)
				ELSE excluded.renew_place END`}
	// Of one that is known to be there, which is quicker than to look whether it is.
	changeProjection = statement{"save projection", `
		UPDATE projection SET folded = $4, until = $5, next_due = $6, reminders_until = $7, reminders_renew = $8, status = $9, urgency = $10,
			nights_wrong = $11, heard = $12, nickname = $13, nickname_order = $14, flags = $15, roster_row = $16, basis = $17, weighed = $18,
			verdict = $19, nearness = $20, nights = $21,
			urgency_place = CASE WHEN $18::bytea IS NULL THEN urgency_place ELSE -$10::bigint END,
			wrong_place = CASE WHEN $18::bytea IS NULL THEN wrong_place ELSE -$11::bigint END,
			heard_place = CASE WHEN $18::bytea IS NULL THEN heard_place ELSE $12 END,
			nearness_place = CASE WHEN $18::bytea IS NULL THEN nearness_place ELSE -$20::bigint END,
			folded_place = CASE WHEN $18::bytea IS NULL THEN folded_place ELSE $4 END,
			stale_place = least(CASE WHEN $18::bytea IS NULL THEN stale_place END, $5::bigint, $7::bigint),
			renew_place = least(CASE WHEN $18::bytea IS NULL THEN renew_place END, $8::bigint)
		WHERE household = $1 AND learner = $2 AND clinic = $3`}
	toWeigh = statement{"save projection", `
		INSERT INTO unweighed (household, learner, clinic) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING`}
	isWeighed = statement{"save projection", `DELETE FROM unweighed WHERE household = $1 AND learner = $2`}

	anyToRenew = statement{"look for projections to renew", `
		SELECT EXISTS (SELECT 1 FROM projection WHERE clinic = $1 AND stale_place <= $2 AND until <= $2)
			OR EXISTS (SELECT 1 FROM unweighed WHERE clinic = $1)
		FROM clinic WHERE id = $1`}
	staleProjections = statement{"list stale projections", `
		SELECT learner FROM projection WHERE clinic = $1 AND stale_place <= $2 AND until <= $2 ORDER BY stale_place, learner LIMIT $3`}
	weighed = statement{"list what was weighed", `
		SELECT learner, weighed FROM projection WHERE clinic = $1 AND weighed IS NOT NULL`}
	unweighed = statement{"list unweighed projections", `
		SELECT learner FROM unweighed WHERE clinic = $1 AND learner > $2 ORDER BY learner LIMIT $3`}
)

const selectProjection = `
	SELECT learner, clinic, folded, until, next_due, reminders_until, reminders_renew, status, urgency,
		nights_wrong, heard, nickname, flags, roster_row, basis, weighed, verdict, nearness, nights
	FROM projection`

func scanProjection(row scanner, p *clinic.Projection) error {
	var flags []document
	err := row.Scan(&p.Learner, &p.Clinic, (*instant)(&p.Folded), (*instant)(&p.Until), (*instant)(&p.NextDue),
		(*instant)(&p.RemindersUntil), (*instant)(&p.RemindersRenew), (*text)(&p.Status), &p.Urgency, &p.NightsWrong,
		(*instant)(&p.Heard), (*text)(&p.Nickname), &flags, (*document)(&p.Row), (*hash)(&p.Weighed.Basis),
		(*document)(&p.Weighed.Doc), (*text)(&p.Verdict), &p.Nearness, (*nights)(&p.Nights))
	for _, flag := range flags {
		p.Flags = append(p.Flags, string(flag))
	}
	return err
}

// Projection implements clinic.ProjectionView.
func (v view) Projection(ctx context.Context, learner uuid.UUID) (clinic.Projection, error) {
	at, err := v.learner(ctx, learner)
	if err != nil {
		return clinic.Projection{}, err
	}
	var found []clinic.Projection
	var k keptOf
	err = v.within(ctx, at.household, append([]call{into(&found, projectionByKey, scanProjection, at.household, learner)},
		k.calls(at.household, learner)...)...)
	p, err := first[clinic.Projection](projectionByKey)(found, err)
	p.Reminders, p.Concerns = projectedOf(k.reminders), slices.Clone(k.concerns)
	return p, err
}

// AnyToRenew implements clinic.ProjectionView.
func (v view) AnyToRenew(ctx context.Context, of uuid.UUID, at time.Time) (bool, error) {
	return one(ctx, v.work, anyToRenew, value[bool], of, ms(at))
}

// StaleProjections implements clinic.ProjectionView.
func (v view) StaleProjections(ctx context.Context, of uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error) {
	return ofClinic(ctx, v.work, staleProjections, value[uuid.UUID], of, ms(at), limit)
}

// Unweighed implements clinic.ProjectionView.
func (v view) Unweighed(ctx context.Context, of uuid.UUID, page clinic.Page) ([]uuid.UUID, error) {
	return ofClinic(ctx, v.work, unweighed, value[uuid.UUID], of, page.After, page.Limit)
}

// Weighed implements clinic.ProjectionView.
func (v view) Weighed(ctx context.Context, of uuid.UUID) (map[uuid.UUID][]byte, error) {
	type kept struct {
		learner uuid.UUID
		doc     document
	}
	found, err := ofClinic(ctx, v.work, weighed, func(row scanner, k *kept) error { return row.Scan(&k.learner, &k.doc) }, of)
	docs := make(map[uuid.UUID][]byte, len(found))
	for _, k := range found {
		docs[k.learner] = k.doc
	}
	return docs, err
}

// keptOf is what is kept beside a learner's projection.
type keptOf struct {
	reminders []clinic.DueReminder
	concerns  []clinic.ProjectedConcern
}

// calls read what is kept.
func (k *keptOf) calls(household, learner uuid.UUID) []call {
	return []call{
		into(&k.reminders, remindersOfLearner, scanReminder, household, learner),
		into(&k.concerns, concernsOfLearner, scanConcern, household, learner),
	}
}

// SaveProjection implements clinic.ProjectionTx. What is the same as before is not written again.
func (t *tx) SaveProjection(ctx context.Context, p clinic.Projection, replaced *clinic.Projection) error {
	at, err := t.learner(ctx, p.Learner)
	if err == nil && at.clinic != p.Clinic {
		err = absent(placeOfLearner)
	}
	if err != nil {
		return err
	}
	before, err := t.keptBefore(ctx, at, p.Learner, replaced)
	if err != nil {
		return err
	}
	if err := t.changes(at.household); err != nil {
		return err
	}
	flags := make([]text, len(p.Flags))
	for i, flag := range p.Flags {
		flags[i] = text(flag)
	}
	saving := saveProjection
	if replaced != nil {
		saving = changeProjection
	}
	save := saving.of(at.household, p.Learner, p.Clinic, ms(p.Folded), msOrNull(p.Until), msOrNull(p.NextDue),
		msOrNull(p.RemindersUntil), msOrNull(p.RemindersRenew), text(p.Status), p.Urgency, p.NightsWrong, ms(p.Heard),
		text(p.Nickname), text(withoutCase(p.Nickname)), flags, blob(p.Row), p.Weighed.Basis[:], p.Weighed.Doc, text(p.Verdict),
		p.Nearness, blob(clinic.PackNights(p.Nights)))
	return t.write(slices.Concat([]call{save}, weighingCalls(at, &p, replaced), reminderCalls(at, &p, before.reminders), concernCalls(at, &p, before.concerns))...)
}

// weighingCalls note whether a learner is to be weighed, where that is not known to be so already.
func weighingCalls(at place, p, before *clinic.Projection) []call {
	weighed := p.Weighed.Doc != nil
	switch {
	case before != nil && (before.Weighed.Doc != nil) == weighed:
		return nil
	case weighed:
		return []call{isWeighed.of(at.household, p.Learner)}
	}
	return []call{toWeigh.of(at.household, p.Learner, p.Clinic)}
}

// keptBefore returns what is kept beside a learner's projection, from the projection itself where that has been read.
func (t *tx) keptBefore(ctx context.Context, at place, learner uuid.UUID, read *clinic.Projection) (k keptOf, err error) {
	if read != nil {
		k = keptOf{remindersToKeep(at, read), concernsToKeep(read.Concerns)}
		return k, t.within(ctx, at.household)
	}
	err = t.within(ctx, at.household, k.calls(at.household, learner)...)
	return k, err
}

// withoutCase is the nickname as the roster's order has it.
func withoutCase(nickname string) string { return strings.ToLower(nickname) }
