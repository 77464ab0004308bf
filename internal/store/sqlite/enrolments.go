package sqlite

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

var (
	lastScreening = statement{"read screening", `
		SELECT s.id, l.id, m.id, s.answers, s.decision, s.note, s.at
		FROM screening s JOIN learner l USING (learner_key) JOIN member m USING (member_key)
		WHERE s.learner_key = ? ORDER BY s.at DESC, s.screening_key DESC LIMIT 1`}
	addScreening = statement{"add screening", `
		INSERT INTO screening (id, learner_key, member_key, answers, decision, note, at) VALUES (?, ?, ?, ?, ?, ?, ?)`}

	enrolmentByID         = statement{"read enrolment", selectEnrolment + ` WHERE e.id = ?`}
	enrolmentsOfHousehold = statement{"list enrolments", selectEnrolment + `
		WHERE l.household_key = ? ORDER BY e.written, e.enrolment_key`}
	addEnrolment = statement{"add enrolment", `
		INSERT INTO enrolment (id, learner_key, plan_key, first_night, timezone, reminder_at, positions, target,
			status, status_note, ended_on, written, reminder_set)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`}
	setEnrolmentStatus = statement{"set status of enrolment", `
		UPDATE enrolment SET status = ?, status_note = ?, ended_on = ? WHERE id = ?`}
	setReminderTime = statement{"set reminder time of enrolment", `
		UPDATE enrolment SET reminder_at = ?, reminder_set = ? WHERE id = ?`}
)

const selectEnrolment = `
	SELECT e.id, l.id, p.id, e.first_night, e.timezone, e.reminder_at, e.positions, e.target,
		e.status, e.status_note, e.ended_on, e.written, e.reminder_set
	FROM enrolment e JOIN learner l USING (learner_key) JOIN plan p USING (plan_key)`

func scanScreening(row scanner, s *clinic.Screening) error {
	return row.Scan(&s.ID, &s.Learner, &s.By, asList(&s.Answers), &s.Decision, &s.Note, (*instant)(&s.At))
}

func scanEnrolment(row scanner, e *clinic.Enrolment) error {
	return row.Scan(&e.ID, &e.Learner, &e.Plan, &e.FirstNight, &e.Timezone, &e.ReminderAt, asList(&e.Positions),
		(*document)(&e.Target), &e.Status, &e.StatusNote, &e.EndedOn, (*instant)(&e.Written), (*instant)(&e.ReminderSet))
}

// LastScreening implements clinic.ClinicView.
func (v view) LastScreening(ctx context.Context, learner uuid.UUID) (clinic.Screening, error) {
	key, err := v.key(ctx, learnerKey, learner)
	if err != nil {
		return clinic.Screening{}, err
	}
	return one(ctx, v.work, lastScreening, scanScreening, key)
}

// Enrolment implements clinic.ClinicView.
func (v view) Enrolment(ctx context.Context, id uuid.UUID) (clinic.Enrolment, error) {
	return one(ctx, v.work, enrolmentByID, scanEnrolment, id[:])
}

// Enrolments implements clinic.ClinicView.
func (v view) Enrolments(ctx context.Context, household uuid.UUID) ([]clinic.Enrolment, error) {
	return listOf(ctx, v, householdKey, enrolmentsOfHousehold, scanEnrolment, household)
}

// AddScreening implements clinic.ClinicTx.
func (t *tx) AddScreening(ctx context.Context, s clinic.Screening) error {
	learner, err := t.key(ctx, learnerKey, s.Learner)
	if err != nil {
		return err
	}
	member, err := t.key(ctx, memberKey, s.By)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addScreening, s.ID[:], learner, member, asList(&s.Answers), s.Decision, s.Note, ms(s.At))
}

// AddEnrolment implements clinic.ClinicTx.
func (t *tx) AddEnrolment(ctx context.Context, e clinic.Enrolment) error {
	learner, err := t.key(ctx, learnerKey, e.Learner)
	if err != nil {
		return err
	}
	plan, err := t.key(ctx, planKey, e.Plan)
	if err != nil {
		return err
	}
	if err := t.changesHomeOf(ctx, homeOfLearner, e.Learner); err != nil {
		return err
	}
	return t.execOne(ctx, addEnrolment, e.ID[:], learner, plan, e.FirstNight, e.Timezone, e.ReminderAt,
		asList(&e.Positions), blob(e.Target), e.Status, e.StatusNote, e.EndedOn, ms(e.Written), msOrNull(e.ReminderSet))
}

// SetEnrolmentStatus implements clinic.ClinicTx.
func (t *tx) SetEnrolmentStatus(
	ctx context.Context, id uuid.UUID, status, note string, endedOn practice.Night,
) error {
	if err := t.changesHomeOf(ctx, homeOfEnrolment, id); err != nil {
		return err
	}
	return t.execOne(ctx, setEnrolmentStatus, status, note, endedOn, id[:])
}

// SetReminderTime implements clinic.ClinicTx.
func (t *tx) SetReminderTime(ctx context.Context, id uuid.UUID, at practice.TimeOfDay, set time.Time) error {
	if err := t.changesHomeOf(ctx, homeOfEnrolment, id); err != nil {
		return err
	}
	return t.execOne(ctx, setReminderTime, at, ms(set), id[:])
}
