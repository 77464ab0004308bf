package sqlite

import (
	"bytes"
	"cmp"
	"context"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	concernsOfLearner = statement{"list concerns", `
		SELECT id, reason, night, since, run FROM concern WHERE learner_key = ? ORDER BY since, id`}
	removeConcerns = statement{"remove concerns", `DELETE FROM concern WHERE learner_key = ?`}
	insertConcerns = statement{"save concerns", `
		INSERT INTO concern (clinic_key, since, id, learner_key, reason, night, run)`}

	concernsOfClinic = statement{"list concerns", selectConcern + `
		WHERE o.clinic_key = ? AND (o.since, o.id) > (?, ?) ORDER BY o.since, o.id LIMIT ?`}
	concernByID = statement{"read concern", selectConcern + ` WHERE o.id = ?`}

	addFollowUp = statement{"add follow-up", `
		INSERT INTO follow_up (id, concern, learner_key, member_key, outcome, note, at) VALUES (?, ?, ?, ?, ?, ?, ?)`}
	followUpsOfHousehold = statement{"list follow-ups", `
		SELECT f.id, f.concern, l.id, m.id, f.outcome, f.note, f.at
		FROM follow_up f JOIN learner l USING (learner_key) JOIN member m USING (member_key)
		WHERE l.household_key = ? ORDER BY f.at, f.follow_up_key`}
)

const selectConcern = `
	SELECT o.id, o.reason, o.night, o.since, o.run, c.id, l.id, h.id, l.nickname, p.heard
	FROM concern o JOIN projection p USING (learner_key) JOIN learner l USING (learner_key)
		JOIN household h USING (household_key) JOIN clinic c ON c.clinic_key = o.clinic_key`

func scanConcern(row scanner, c *clinic.ProjectedConcern) error {
	return row.Scan(&c.ID, &c.Reason, &c.Night, (*instant)(&c.Since), &c.Run)
}

func scanOpenConcern(row scanner, c *clinic.OpenConcern) error {
	return row.Scan(&c.ID, &c.Reason, &c.Night, (*instant)(&c.Since), &c.Run,
		&c.Clinic, &c.Learner, &c.Household, &c.Nickname, (*instant)(&c.Heard))
}

func scanFollowUp(row scanner, f *clinic.FollowUp) error {
	return row.Scan(&f.ID, &f.Concern, &f.Learner, &f.Member, &f.Outcome, &f.Note, (*instant)(&f.At))
}

// Concerns implements clinic.ProjectionView.
func (v view) Concerns(ctx context.Context, of uuid.UUID, from *clinic.DueKey, limit int) ([]clinic.OpenConcern, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	since, id := after(from)
	return all(ctx, v.work, concernsOfClinic, scanOpenConcern, key, since, id[:], limit)
}

// Concern implements clinic.ProjectionView.
func (v view) Concern(ctx context.Context, id uuid.UUID) (clinic.OpenConcern, error) {
	return one(ctx, v.work, concernByID, scanOpenConcern, id[:])
}

func (w *work) concernsOf(ctx context.Context, learner int64) ([]clinic.ProjectedConcern, error) {
	return w.known.concerns.or(learner, func() ([]clinic.ProjectedConcern, error) {
		return all(ctx, w, concernsOfLearner, scanConcern, learner)
	})
}

// saveConcerns replaces a learner's concerns, where they are others than before.
func (t *tx) saveConcerns(ctx context.Context, keys projectionKeys, concerns []clinic.ProjectedConcern) error {
	before, err := t.concernsOf(ctx, keys.learner)
	if err != nil {
		return err
	}
	delete(t.known.concerns, keys.learner)
	concerns = concernsToKeep(concerns)
	if slices.Equal(before, concerns) {
		return nil
	}
	if _, err := t.exec(ctx, removeConcerns, keys.learner); err != nil {
		return err
	}
	rows := make([][]any, len(concerns))
	for i, c := range concerns {
		rows[i] = []any{keys.clinic, ms(c.Since), c.ID[:], keys.learner, c.Reason, c.Night, c.Run}
	}
	return t.writeMany(ctx, insertConcerns, "", rows)
}

// concernsToKeep returns concerns as they will come back.
func concernsToKeep(concerns []clinic.ProjectedConcern) []clinic.ProjectedConcern {
	concerns = slices.Clone(concerns)
	for i := range concerns {
		concerns[i].Since = kept(concerns[i].Since)
	}
	slices.SortFunc(concerns, func(a, b clinic.ProjectedConcern) int {
		return cmp.Or(a.Since.Compare(b.Since), bytes.Compare(a.ID[:], b.ID[:]))
	})
	return concerns
}

// FollowUps implements clinic.ReminderView. Those of one instant are in the order in which they were written.
func (v view) FollowUps(ctx context.Context, household uuid.UUID) ([]clinic.FollowUp, error) {
	return listOf(ctx, v, householdKey, followUpsOfHousehold, scanFollowUp, household)
}

// AddFollowUp implements clinic.ReminderTx.
func (t *tx) AddFollowUp(ctx context.Context, f clinic.FollowUp) error {
	if err := t.changesHomeOf(ctx, homeOfLearner, f.Learner); err != nil {
		return err
	}
	learner, err := t.key(ctx, learnerKey, f.Learner)
	if err != nil {
		return err
	}
	member, err := t.key(ctx, memberKey, f.Member)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addFollowUp, f.ID[:], f.Concern[:], learner, member, f.Outcome, f.Note, ms(f.At))
}
