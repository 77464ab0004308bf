package postgres

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
		SELECT learner, clinic, folded, until, next_due, reminders_until, reminders_renew, status, urgency,
			nights_wrong, heard, nickname, flags, roster_row, basis, weighed, verdict, nearness
		FROM projection WHERE household = $1 AND learner = $2`}
	saveProjection = statement{"save projection", `
		INSERT INTO projection (household, learner, clinic, folded, until, next_due, reminders_until, reminders_renew,
			status, urgency, nights_wrong, heard, nickname, nickname_order, flags, roster_row, basis, weighed, verdict, nearness)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)
		ON CONFLICT (household, learner) DO UPDATE SET folded = excluded.folded, until = excluded.until,
			next_due = excluded.next_due, reminders_until = excluded.reminders_until,
			reminders_renew = excluded.reminders_renew, status = excluded.status,
			urgency = excluded.urgency, nights_wrong = excluded.nights_wrong, heard = excluded.heard,
			nickname = excluded.nickname, nickname_order = excluded.nickname_order, flags = excluded.flags,
			roster_row = excluded.roster_row, basis = excluded.basis, weighed = excluded.weighed,
			verdict = excluded.verdict, nearness = excluded.nearness`}

	nightsOfLearner = statement{"list nights", `
		SELECT night, changed_rev, gone, doc FROM night WHERE household = $1 AND learner = $2 ORDER BY night`}
	saveNights = statement{"save nights", `
		INSERT INTO night (household, learner, night, changed_rev, gone, doc)
		SELECT $1, $2, n.* FROM unnest($3::integer[], $4::bigint[], $5::boolean[], $6::bytea[]) AS n
		ON CONFLICT (household, learner, night) DO UPDATE SET changed_rev = excluded.changed_rev, gone = excluded.gone,
			doc = excluded.doc`}
	removeNights = statement{"remove nights", `DELETE FROM night WHERE household = $1 AND learner = $2 AND night = ANY($3)`}

	staleProjections = statement{"list stale projections", `
		SELECT learner FROM projection WHERE clinic = $1 AND until <= $2 ORDER BY until, learner LIMIT $3`}
	weighed = statement{"list what was weighed", `
		SELECT learner, weighed FROM projection WHERE clinic = $1 AND weighed IS NOT NULL`}
	unweighed = statement{"list unweighed projections", `
		SELECT learner FROM projection WHERE clinic = $1 AND weighed IS NULL AND learner > $2 ORDER BY learner LIMIT $3`}
)

func scanProjection(row scanner, p *clinic.Projection) error {
	var flags []document
	err := row.Scan(&p.Learner, &p.Clinic, (*instant)(&p.Folded), (*instant)(&p.Until), (*instant)(&p.NextDue),
		(*instant)(&p.RemindersUntil), (*instant)(&p.RemindersRenew), (*text)(&p.Status), &p.Urgency, &p.NightsWrong,
		(*instant)(&p.Heard), (*text)(&p.Nickname), &flags, (*document)(&p.Row), (*hash)(&p.Weighed.Basis),
		(*document)(&p.Weighed.Doc), (*text)(&p.Verdict), &p.Nearness)
	for _, flag := range flags {
		p.Flags = append(p.Flags, string(flag))
	}
	return err
}

func scanNight(row scanner, n *clinic.ProjectedNight) error {
	return row.Scan(&n.Night, &n.ChangedRev, &n.Gone, (*document)(&n.Doc))
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
	if err == nil {
		v.kept[learner] = k
	}
	p, err := first[clinic.Projection](projectionByKey)(found, err)
	p.Nights, p.Reminders, p.Concerns = slices.Clone(k.nights), projectedOf(k.reminders), slices.Clone(k.concerns)
	return p, err
}

// StaleProjections implements clinic.ProjectionView. Those that went stale first come first.
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
	nights    []clinic.ProjectedNight
	reminders []clinic.DueReminder
	concerns  []clinic.ProjectedConcern
}

// calls read what is kept.
func (k *keptOf) calls(household, learner uuid.UUID) []call {
	return []call{
		into(&k.nights, nightsOfLearner, scanNight, household, learner),
		into(&k.reminders, remindersOfLearner, scanReminder, household, learner),
		into(&k.concerns, concernsOfLearner, scanConcern, household, learner),
	}
}

// SaveProjection implements clinic.ProjectionTx. What is the same as before is not written again.
func (t *tx) SaveProjection(ctx context.Context, p clinic.Projection) error {
	at, err := t.learner(ctx, p.Learner)
	if err == nil && at.clinic != p.Clinic {
		err = absent(placeOfLearner)
	}
	if err != nil {
		return err
	}
	before, known := t.kept[p.Learner]
	if !known {
		if err := t.within(ctx, at.household, before.calls(at.household, p.Learner)...); err != nil {
			return err
		}
	}
	delete(t.kept, p.Learner)
	flags := make([]text, len(p.Flags))
	for i, flag := range p.Flags {
		flags[i] = text(flag)
	}
	save := saveProjection.of(at.household, p.Learner, p.Clinic, ms(p.Folded), msOrNull(p.Until), msOrNull(p.NextDue),
		msOrNull(p.RemindersUntil), msOrNull(p.RemindersRenew), text(p.Status), p.Urgency, p.NightsWrong, ms(p.Heard),
		text(p.Nickname), text(withoutCase(p.Nickname)), flags, blob(p.Row), p.Weighed.Basis[:], p.Weighed.Doc, text(p.Verdict),
		p.Nearness)
	return t.write(slices.Concat([]call{save}, nightCalls(at, p.Learner, before.nights, p.Nights),
		reminderCalls(at, &p, before.reminders), concernCalls(at, &p, before.concerns))...)
}

// withoutCase is the nickname as the roster's order has it.
func withoutCase(nickname string) string { return strings.ToLower(nickname) }

// nightCalls replaces a learner's nights, where they are others than before.
func nightCalls(at place, learner uuid.UUID, kept, nights []clinic.ProjectedNight) (calls []call) {
	before := make(map[practice.Night]clinic.ProjectedNight, len(kept))
	for _, n := range kept {
		before[n.Night] = n
	}
	var numbers []int32
	var revs []int64
	var gone []bool
	var docs [][]byte
	for _, n := range nights {
		if old, ok := before[n.Night]; !ok || old.ChangedRev != n.ChangedRev || old.Gone != n.Gone || !bytes.Equal(old.Doc, n.Doc) {
			numbers, revs, gone, docs = append(numbers, int32(n.Night)), append(revs, n.ChangedRev), append(gone, n.Gone), append(docs, blob(n.Doc))
		}
		delete(before, n.Night)
	}
	if len(before) > 0 {
		var others []int32
		for night := range before {
			others = append(others, int32(night))
		}
		calls = append(calls, removeNights.of(at.household, learner, others))
	}
	if len(numbers) > 0 {
		calls = append(calls, saveNights.of(at.household, learner, numbers, revs, gone, docs))
	}
	return calls
}
