package sqlite

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

var (
	remindersOfLearner = statement{"list reminders", `
		SELECT id, kind, night, due, lapses, run, ready FROM reminder WHERE learner_key = ? ORDER BY due, id`}
	removeReminders = statement{"remove reminders", `DELETE FROM reminder WHERE learner_key = ?`}
	insertReminders = statement{"save reminders", `
		INSERT INTO reminder (clinic_key, due, id, household_key, learner_key, household_id, learner_id, kind, night, run, heard,
			lapses, ready)`}
	reminderContact = statement{"note contact with reminders", `
		UPDATE reminder SET heard = ?1 WHERE learner_key = ?2 AND heard <> ?1`}

	// A page comes as one value, its rows' answers one after the other: what goes from SQLite to Go column by column takes three
	// times as long.
	dueReminders = statement{"list due reminders", `
		SELECT CAST(group_concat(answer, x'0a') AS BLOB) FROM (
			SELECT answer FROM reminder
			WHERE clinic_key = ?1 AND due <= ?2 AND (due, id) > (?3, ?4) AND lapses > ?2
			ORDER BY due, id LIMIT ?5) AS named`}
	readyReminders = statement{"list ready reminders", `
		SELECT CAST(group_concat(answer, x'0a') AS BLOB) FROM (
			SELECT answer FROM reminder
			WHERE clinic_key = ?1 AND ready <= ?2 AND due <= ?2 AND lapses > ?2 AND kind IN (SELECT value FROM json_each(?3))
			ORDER BY ready, id LIMIT ?4) AS named`}
	staleReminders = statement{"list stale reminders", `
		SELECT learner_id FROM projection
		WHERE clinic_key = ?1 AND (reminders_renew <= ?2 OR folded > ?2) AND learner_id > ?3
		ORDER BY learner_id LIMIT ?4`}
	lapsedReminders = statement{"list lapsed reminders", `
		SELECT learner_id FROM projection WHERE clinic_key = ? AND reminders_until <= ?
		ORDER BY reminders_until, learner_id LIMIT ?`}
)

func scanReminder(row scanner, r *clinic.ProjectedReminder) error {
	return row.Scan(&r.ID, &r.Kind, &r.Night, (*instant)(&r.Due), (*instant)(&r.Lapses), &r.Run, (*instant)(&r.Ready))
}

// answerSize is the length of an answer up to its kind: three ids and six numbers.
const answerSize = 3*16 + 6*8

// answers reads what a query for reminders has put together.
func (w *work) answers(ctx context.Context, st statement, args ...any) ([]clinic.DueReminder, error) {
	var found []clinic.DueReminder
	err := w.each(ctx, st, func(row scanner) error {
		var rest sql.RawBytes
		if err := row.Scan(&rest); err != nil {
			return err
		}
		found = slices.Grow(found, len(rest)/answerSize)
		for len(rest) > 0 {
			if len(rest) < answerSize {
				return fmt.Errorf("read reminder from %d bytes", len(rest))
			}
			kind, others, _ := bytes.Cut(rest[answerSize:], newline)
			found = append(found, answer(rest, string(kind)))
			rest = others
		}
		return nil
	}, args...)
	return found, err
}

var newline = []byte{'\n'}

// answer reads one answer up to its kind.
func answer(from []byte, kind string) clinic.DueReminder {
	number := func(i int) int64 { return int64(binary.BigEndian.Uint64(from[48+8*i:])) } //nolint:gosec // SQLite wrote it as unsigned
	at := func(i int) time.Time { return time.UnixMilli(number(i)).UTC() }
	r := clinic.DueReminder{
		ProjectedReminder: clinic.ProjectedReminder{
			Kind: kind, Due: at(0), Lapses: at(1), Ready: at(3), Night: practice.Night(number(4)), Run: int(number(5)), //nolint:gosec // nights fit
		},
		Heard: at(2),
	}
	copy(r.ID[:], from)
	copy(r.Learner[:], from[16:])
	copy(r.Household[:], from[32:])
	return r
}

// after is a place in an order of instants, then ids, as the indexes have it.
func after(place *clinic.DueKey) (at int64, id uuid.UUID) {
	if place == nil {
		return start, uuid.Nil
	}
	return ms(place.Due), place.ID
}

// DueReminders implements clinic.ProjectionView.
func (v view) DueReminders(
	ctx context.Context, of uuid.UUID, at time.Time, from *clinic.DueKey, limit int,
) ([]clinic.DueReminder, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	due, id := after(from)
	found, err := v.answers(ctx, dueReminders, key, ms(at), due, id[:], limit)
	// In the order in which they came, as a rule; SQLite promises none for what it puts together.
	slices.SortFunc(found, func(a, b clinic.DueReminder) int {
		return cmp.Or(a.Due.Compare(b.Due), bytes.Compare(a.ID[:], b.ID[:]))
	})
	return found, err
}

// ReadyReminders implements clinic.ProjectionView.
func (v view) ReadyReminders(
	ctx context.Context, of uuid.UUID, at time.Time, kinds []string, limit int,
) ([]clinic.DueReminder, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	found, err := v.answers(ctx, readyReminders, key, ms(at), asList(&kinds), limit)
	slices.SortFunc(found, func(a, b clinic.DueReminder) int {
		return cmp.Or(a.Ready.Compare(b.Ready), bytes.Compare(a.ID[:], b.ID[:]))
	})
	return found, err
}

// RemindersOf implements clinic.ProjectionView.
func (v view) RemindersOf(ctx context.Context, learner uuid.UUID) ([]clinic.ProjectedReminder, error) {
	return listOf(ctx, v, learnerKey, remindersOfLearner, scanReminder, learner)
}

// StaleReminders implements clinic.ProjectionView.
func (v view) StaleReminders(
	ctx context.Context, of uuid.UUID, at time.Time, page clinic.Page,
) ([]uuid.UUID, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, staleReminders, value[uuid.UUID], key, ms(at), page.After[:], page.Limit)
}

// LapsedReminders implements clinic.ProjectionView. Those that lapsed first come first.
func (v view) LapsedReminders(ctx context.Context, of uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, lapsedReminders, value[uuid.UUID], key, ms(at), limit)
}

// saveReminders replaces a learner's reminders, where they are others than before.
func (t *tx) saveReminders(ctx context.Context, keys projectionKeys, p *clinic.Projection) error {
	before, err := all(ctx, t.work, remindersOfLearner, scanReminder, keys.learner)
	if err != nil {
		return err
	}
	reminders := keptReminders(p.Reminders)
	if slices.Equal(before, reminders) {
		if len(reminders) > 0 {
			_, err = t.exec(ctx, reminderContact, ms(p.Heard), keys.learner)
		}
		return err
	}
	if _, err := t.exec(ctx, removeReminders, keys.learner); err != nil {
		return err
	}
	rows := make([][]any, len(reminders))
	for i, r := range reminders {
		rows[i] = []any{
			keys.clinic, ms(r.Due), r.ID[:], keys.household, keys.learner, keys.householdID[:], p.Learner[:], r.Kind, r.Night,
			r.Run, ms(p.Heard), ms(r.Lapses), msOrNull(r.Ready),
		}
	}
	return t.writeMany(ctx, insertReminders, "", rows)
}

// keptReminders returns reminders as they come back.
func keptReminders(reminders []clinic.ProjectedReminder) []clinic.ProjectedReminder {
	reminders = slices.Clone(reminders)
	for i := range reminders {
		r := &reminders[i]
		r.Due, r.Lapses, r.Ready = kept(r.Due), kept(r.Lapses), kept(r.Ready)
	}
	slices.SortFunc(reminders, func(a, b clinic.ProjectedReminder) int {
		return cmp.Or(a.Due.Compare(b.Due), bytes.Compare(a.ID[:], b.ID[:]))
	})
	return reminders
}
