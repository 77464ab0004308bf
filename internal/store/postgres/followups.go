package postgres

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
		SELECT id, reason, night, since, run FROM concern WHERE household = $1 AND learner = $2 ORDER BY since, id`}
	concernsOfHousehold = statement{"list concerns", `
		SELECT id, reason, night, since, run, learner FROM concern WHERE household = $1 ORDER BY since, id`}
	removeConcerns = statement{"remove concerns", `DELETE FROM concern WHERE household = $1 AND learner = $2`}
	insertConcerns = statement{"save concerns", `
		INSERT INTO concern (household, learner, clinic, id, reason, night, since, run)
		SELECT $1, $2, $3, n.* FROM unnest($4::uuid[], $5::text[], $6::integer[], $7::bigint[], $8::bigint[]) AS n`}

	concernsOfClinic = statement{"list concerns", selectConcern + `
		WHERE o.clinic = $1 AND (o.since, o.id) > ($2::bigint, $3::uuid) ORDER BY o.since, o.id LIMIT $4`}
	concernByID = statement{"read concern", selectConcern + ` WHERE o.id = $1`}

	addFollowUp = statement{"add follow-up", `
		INSERT INTO follow_up (household, id, concern, learner, member, outcome, note, at) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`}
	followUpsOfHousehold = statement{"list follow-ups", `
		SELECT id, concern, learner, member, outcome, note, at FROM follow_up WHERE household = $1 ORDER BY at, nth`}
)

const selectConcern = `
	SELECT o.id, o.reason, o.night, o.since, o.run, o.clinic, o.learner, o.household, l.nickname, p.heard
	FROM concern o JOIN projection p ON p.household = o.household AND p.learner = o.learner
		JOIN learner l ON l.household = o.household AND l.id = o.learner`

func scanConcern(row scanner, c *clinic.ProjectedConcern) error {
	return row.Scan(&c.ID, &c.Reason, &c.Night, (*instant)(&c.Since), &c.Run)
}

// concernOf is a concern and the learner whom it is about.
type concernOf struct {
	clinic.ProjectedConcern
	learner uuid.UUID
}

func scanConcernOf(row scanner, c *concernOf) error {
	return row.Scan(&c.ID, &c.Reason, &c.Night, (*instant)(&c.Since), &c.Run, &c.learner)
}

func scanOpenConcern(row scanner, c *clinic.OpenConcern) error {
	return row.Scan(&c.ID, &c.Reason, &c.Night, (*instant)(&c.Since), &c.Run,
		&c.Clinic, &c.Learner, &c.Household, (*text)(&c.Nickname), (*instant)(&c.Heard))
}

func scanFollowUp(row scanner, f *clinic.FollowUp) error {
	return row.Scan(&f.ID, &f.Concern, &f.Learner, &f.Member, (*text)(&f.Outcome), (*text)(&f.Note), (*instant)(&f.At))
}

// Concerns implements clinic.ProjectionView.
func (v view) Concerns(ctx context.Context, of uuid.UUID, from *clinic.DueKey, limit int) ([]clinic.OpenConcern, error) {
	since, id := after(from)
	return ofClinic(ctx, v.work, concernsOfClinic, scanOpenConcern, of, since, id, limit)
}

// Concern implements clinic.ProjectionView.
func (v view) Concern(ctx context.Context, id uuid.UUID) (clinic.OpenConcern, error) {
	return single(ctx, v.work, concernByID, scanOpenConcern, func(c *clinic.OpenConcern) uuid.UUID { return c.Household }, id)
}

// concernCalls replaces a learner's concerns, where they are others than before.
func concernCalls(at place, p *clinic.Projection, before []clinic.ProjectedConcern) []call {
	concerns := concernsToKeep(p.Concerns)
	if slices.Equal(before, concerns) {
		return nil
	}
	n := len(concerns)
	ids, reasons, nights, since, runs := make([]uuid.UUID, n), make([]string, n), make([]int32, n), make([]int64, n), make([]int64, n)
	for i, c := range concerns {
		ids[i], reasons[i], nights[i], since[i], runs[i] = c.ID, c.Reason, int32(c.Night), ms(c.Since), int64(c.Run)
	}
	return []call{
		removeConcerns.of(at.household, p.Learner),
		insertConcerns.of(at.household, p.Learner, p.Clinic, ids, reasons, nights, since, runs),
	}
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
	return listOf(ctx, v.work, followUpsOfHousehold, scanFollowUp, household)
}

// AddFollowUp implements clinic.ReminderTx.
func (t *tx) AddFollowUp(ctx context.Context, f clinic.FollowUp) error {
	at, err := t.learner(ctx, f.Learner)
	if err != nil {
		return err
	}
	if err := t.within(ctx, at.household); err != nil {
		return err
	}
	if err := t.there(ctx, memberThere, f.Member); err != nil {
		return err
	}
	if err := t.changes(at.household); err != nil {
		return err
	}
	return t.execOne(ctx, addFollowUp, at.household, f.ID, f.Concern, f.Learner, f.Member, text(f.Outcome), text(f.Note), ms(f.At))
}
