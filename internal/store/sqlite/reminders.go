package sqlite

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	remindersOfLearner = statement{"list reminders", `
		SELECT id, kind, night, due, run FROM reminder WHERE learner_key = ? ORDER BY due, id`}
	removeReminders = statement{"remove reminders", `DELETE FROM reminder WHERE learner_key = ?`}
	insertReminders = statement{"save reminders", `
		INSERT INTO reminder (clinic_key, due, id, learner_key, kind, night, run)`}

	dueReminders = statement{"list due reminders", `
		SELECT r.id, r.kind, r.night, r.due, r.run, p.learner_id, h.id, p.heard
		FROM reminder r JOIN projection p USING (learner_key)
			JOIN learner l USING (learner_key) JOIN household h USING (household_key)
		WHERE r.clinic_key = ?1 AND r.due <= ?2 AND (r.due, r.id) > (?3, ?4)
			AND (p.reminders_until IS NULL OR p.reminders_until > ?2)
		ORDER BY r.due, r.id LIMIT ?5`}
	staleReminders = statement{"list stale reminders", `
		SELECT learner_id FROM projection
		WHERE clinic_key = ?1 AND (reminders_until <= ?2 OR folded > ?2) AND learner_id > ?3
		ORDER BY learner_id LIMIT ?4`}
)

func scanReminder(row scanner, r *clinic.ProjectedReminder) error {
	return row.Scan(&r.ID, &r.Kind, &r.Night, (*instant)(&r.Due), &r.Run)
}

func scanDueReminder(row scanner, r *clinic.DueReminder) error {
	return row.Scan(&r.ID, &r.Kind, &r.Night, (*instant)(&r.Due), &r.Run, &r.Learner, &r.Household, (*instant)(&r.Heard))
}

// DueReminders implements clinic.ProjectionView.
func (v view) DueReminders(
	ctx context.Context, of uuid.UUID, at time.Time, after *clinic.DueKey, limit int,
) ([]clinic.DueReminder, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	due, id := start, uuid.Nil
	if after != nil {
		due, id = ms(after.Due), after.ID
	}
	return all(ctx, v.work, dueReminders, scanDueReminder, key, ms(at), due, id[:], limit)
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

// saveReminders replaces a learner's reminders, where they are others than before.
func (t *tx) saveReminders(ctx context.Context, keys projectionKeys, reminders []clinic.ProjectedReminder) error {
	kept, err := all(ctx, t.work, remindersOfLearner, scanReminder, keys.learner)
	if err != nil {
		return err
	}
	reminders = slices.SortedFunc(slices.Values(reminders), compareReminders)
	if sameReminders(kept, reminders) {
		return nil
	}
	if _, err := t.exec(ctx, removeReminders, keys.learner); err != nil {
		return err
	}
	rows := make([][]any, len(reminders))
	for i, r := range reminders {
		rows[i] = []any{keys.clinic, ms(r.Due), r.ID[:], keys.learner, r.Kind, r.Night, r.Run}
	}
	return t.insertMany(ctx, insertReminders, "", rows)
}

func compareReminders(a, b clinic.ProjectedReminder) int {
	return cmp.Or(cmp.Compare(ms(a.Due), ms(b.Due)), bytes.Compare(a.ID[:], b.ID[:]))
}

// sameReminders compares instants as they are kept.
func sameReminders(a, b []clinic.ProjectedReminder) bool {
	return slices.EqualFunc(a, b, func(a, b clinic.ProjectedReminder) bool {
		due := ms(a.Due) == ms(b.Due)
		a.Due, b.Due = time.Time{}, time.Time{}
		return due && a == b
	})
}
