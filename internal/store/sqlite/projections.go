package sqlite

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	projectionByKey = statement{"read projection", `
		SELECT p.learner_id, c.id, p.folded, p.until, p.next_due, p.reminders_until, p.reminders_renew, p.status, p.urgency,
			p.nights_wrong, p.heard, p.nickname, p.flags, p.roster_row, p.basis, p.weighed, p.verdict, p.nearness, p.nights,
			p.refolded, p.heard_place, p.nearness_place, p.stale, p.renew_place
		FROM projection p JOIN clinic c USING (clinic_key) WHERE p.learner_key = ?`}
	learnerAndClinic = statement{"find learner", `
		SELECT l.learner_key, h.household_key, c.clinic_key, h.id
		FROM learner l JOIN household h USING (household_key) JOIN clinic c USING (clinic_key)
		WHERE l.id = ? AND c.id = ?`}
	writtenOf = statement{"read projection", `
		SELECT heard, nickname, refolded, weighed, heard_place, nearness_place, stale, renew_place FROM projection WHERE learner_key = ?`}
	// Both are followed by what else is to be said.
	addProjection = statement{"save projection", `
		INSERT INTO projection (learner_key, clinic_key, learner_id, folded, until, next_due, reminders_until, reminders_renew, status,
			urgency, nights_wrong, flags, roster_row, basis, verdict, nearness, nights, reminders, heard, nickname, nickname_order, refolded, weighed)`}
	changeProjection = statement{"save projection", `
		UPDATE projection SET folded = ?2, until = ?3, next_due = ?4, reminders_until = ?5, reminders_renew = ?6, status = ?7,
			urgency = ?8, nights_wrong = ?9, flags = ?10, roster_row = ?11, basis = ?12, verdict = ?13, nearness = ?14, nights = ?15, reminders = ?16,
			heard_before = ?17, nearness_before = ?18, stale_before = ?19, renew_before = ?20`}

	// The clinic's key comes along for whatever is read next.
	anyToRenew = statement{"look for projections to renew", `
		SELECT clinic_key, EXISTS (SELECT 1 FROM projection WHERE clinic_key = clinic.clinic_key AND stale <= ?2 AND until <= ?2)
			OR EXISTS (SELECT 1 FROM ` + unweighedRows + ` WHERE clinic_key = clinic.clinic_key AND weighed IS NULL)
		FROM clinic WHERE id = ?1`}
	staleProjections = statement{"list stale projections", `
		SELECT learner_id FROM projection WHERE clinic_key = ?1 AND stale <= ?2 AND until <= ?2 LIMIT ?3`}
	weighed = statement{"list what was weighed", `
		SELECT learner_id, weighed FROM projection WHERE clinic_key = ? AND weighed IS NOT NULL`}
	unweighed = statement{"list unweighed projections", `
		SELECT learner_id FROM projection WHERE clinic_key = ? AND weighed IS NULL AND learner_id > ? ORDER BY learner_id LIMIT ?`}
)

// keptProjection is a projection without its reminders and concerns, and what else there is in its row.
type keptProjection struct {
	clinic.Projection
	refolded instant
	places   places
}

func scanProjection(row scanner, p *keptProjection) error {
	return row.Scan(&p.Learner, &p.Clinic, (*instant)(&p.Folded), (*instant)(&p.Until), (*instant)(&p.NextDue),
		(*instant)(&p.RemindersUntil), (*instant)(&p.RemindersRenew), &p.Status, &p.Urgency, &p.NightsWrong, (*instant)(&p.Heard),
		&p.Nickname, asList(&p.Flags), (*document)(&p.Row), (*hash)(&p.Weighed.Basis), (*document)(&p.Weighed.Doc),
		&p.Verdict, &p.Nearness, (*nights)(&p.Nights), &p.refolded,
		&p.places.heard, &p.places.nearness, &p.places.stale, &p.places.renew)
}

// Projection implements clinic.ProjectionView.
func (v view) Projection(ctx context.Context, learner uuid.UUID) (clinic.Projection, error) {
	key, err := v.key(ctx, learnerKey, learner)
	if err != nil {
		return clinic.Projection{}, err
	}
	kept, err := one(ctx, v.work, projectionByKey, scanProjection, key)
	if err != nil {
		return clinic.Projection{}, err
	}
	p := kept.Projection
	v.known.written.note(key, written{ms(p.Heard), p.Nickname, ms(time.Time(kept.refolded)), p.Weighed.Doc, kept.places})
	if p.Reminders, err = v.remindersOf(ctx, key); err != nil {
		return clinic.Projection{}, err
	}
	concerns, err := v.concernsOf(ctx, key)
	p.Concerns = slices.Clone(concerns)
	return p, err
}

// AnyToRenew implements clinic.ProjectionView.
func (v view) AnyToRenew(ctx context.Context, of uuid.UUID, at time.Time) (any bool, err error) {
	key, err := one(ctx, v.work, anyToRenew, func(row scanner, key *int64) error { return row.Scan(key, &any) }, of[:], ms(at))
	if err == nil {
		v.known.clinics.note(of, key)
	}
	return any, err
}

// StaleProjections implements clinic.ProjectionView.
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
func (t *tx) SaveProjection(ctx context.Context, p clinic.Projection, before *clinic.Projection) error {
	keys, err := one(ctx, t.work, learnerAndClinic, scanProjectionKeys, p.Learner[:], p.Clinic[:])
	if err != nil {
		return err
	}
	if before != nil {
		t.noteBeside(keys, before)
	}
	if err := t.changes(ctx, keys.household); err != nil {
		return err
	}
	if err := t.saveReminders(ctx, keys, &p); err != nil {
		return err
	}
	if err := t.saveRow(ctx, keys, &p); err != nil {
		return err
	}
	return t.saveConcerns(ctx, keys, p.Concerns)
}

// withoutCase is the nickname as the roster's order has it.
func withoutCase(nickname string) string { return strings.ToLower(nickname) }

// written is what is in a row, of the columns that are written only where they change: whatever a statement names, it writes to every
// index that has it, the same or not. Indexes of columns that SQLite works out itself it leaves alone where nothing changes.
type written struct {
	heard    int64
	nickname string
	refolded int64
	weighed  []byte
	places   places
}

func scanWritten(row scanner, w *written) error {
	return row.Scan(&w.heard, &w.nickname, &w.refolded, (*document)(&w.weighed),
		&w.places.heard, &w.places.nearness, &w.places.stale, &w.places.renew)
}

// places are where a row is in the indexes that an evening's upload would move it in, each onto other pages. Until it is weighed, which
// is soon and with others, it stays where it was, and whoever reads those orders looks at the unweighed beside them.
type places struct {
	heard, nearness, stale, renew int64
}

// noteBeside remembers what there is beside the row of a projection, as whoever replaces it has read it. What is in the row alone is not in
// what they have read.
func (t *tx) noteBeside(keys projectionKeys, p *clinic.Projection) {
	t.known.concerns.note(keys.learner, concernsToKeep(p.Concerns))
	t.known.reminders.note(keys.learner, remindersToKeep(keys, p))
}

// saveRow writes the row of a projection.
func (t *tx) saveRow(ctx context.Context, keys projectionKeys, p *clinic.Projection) error {
	before, err := t.known.written.or(keys.learner, func() (written, error) {
		return one(ctx, t.work, writtenOf, scanWritten, keys.learner)
	})
	absent := errors.Is(err, errAbsent)
	if err != nil && !absent {
		return err
	}
	delete(t.known.written, keys.learner)
	due, err := dueOf(p.Reminders)
	if err != nil {
		return err
	}
	now := written{ms(p.Heard), p.Nickname, ms(p.Folded), p.Weighed.Doc, places{}}
	values := []any{
		keys.learner, now.refolded, msOrNull(p.Until), msOrNull(p.NextDue), msOrNull(p.RemindersUntil), msOrNull(p.RemindersRenew),
		p.Status, p.Urgency, p.NightsWrong, asList(&p.Flags), blob(p.Row), p.Weighed.Basis[:], p.Verdict, p.Nearness,
		blob(clinic.PackNights(p.Nights)), due,
	}
	if absent {
		row := slices.Insert(values, 1, any(keys.clinic), any(p.Learner[:]))
		row = append(row, now.heard, now.nickname, withoutCase(now.nickname), now.refolded, now.weighed)
		return t.writeMany(ctx, addProjection, "", [][]any{row})
	}
	if now.refolded == now.heard && before.refolded <= now.refolded {
		now.refolded = before.refolded
	}
	values = append(values, before.places.heard, before.places.nearness, before.places.stale, before.places.renew)
	changed, values := now.after(before, values)
	return t.execOne(ctx, statement{changeProjection.task, changeProjection.text + changed + ` WHERE learner_key = ?1`}, values...)
}

// after returns what else is to be set in a row, and the values to bind with it.
func (w written) after(before written, values []any) (set string, all []any) {
	for _, column := range []struct {
		name    string
		changed bool
		value   any
	}{
		{"heard", w.heard != before.heard, w.heard},
		{"nickname", w.nickname != before.nickname, w.nickname},
		{"nickname_order", w.nickname != before.nickname, withoutCase(w.nickname)},
		{"refolded", w.refolded != before.refolded, w.refolded},
		{"weighed", !bytes.Equal(w.weighed, before.weighed), w.weighed},
	} {
		if column.changed {
			values = append(values, column.value)
			set += fmt.Sprintf(", %s = ?%d", column.name, len(values))
		}
	}
	return set, values
}
