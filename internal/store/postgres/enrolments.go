package postgres

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

var (
	lastScreening = statement{"read screening", `
		SELECT id, learner, member, answers, decision, note, at FROM screening
		WHERE household = $1 AND learner = $2 ORDER BY at DESC, nth DESC LIMIT 1`}
	addScreening = statement{"add screening", `
		INSERT INTO screening (household, id, learner, member, answers, decision, note, at) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`}

	enrolmentByID         = statement{"read enrolment", selectEnrolment + ` WHERE id = $1`}
	enrolmentsOfHousehold = statement{"list enrolments", selectEnrolment + ` WHERE household = $1 ORDER BY written, nth`}
	addEnrolment          = statement{"add enrolment", `
		INSERT INTO enrolment (household, id, learner, plan, first_night, timezone, reminder_at, positions, target,
			status, status_note, ended_on, written, reminder_set)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`}
	setEnrolmentStatus = statement{"set status of enrolment", `
		UPDATE enrolment SET status = $3, status_note = $4, ended_on = $5 WHERE household = $1 AND id = $2`}
	setReminderTime = statement{"set reminder time of enrolment", `
		UPDATE enrolment SET reminder_at = $3, reminder_set = $4 WHERE household = $1 AND id = $2`}
	planThere = statement{"find plan", `SELECT id FROM plan WHERE id = $1`}
)

const selectEnrolment = `
	SELECT household, id, learner, plan, first_night, timezone, reminder_at, positions, target,
		status, status_note, ended_on, written, reminder_set
	FROM enrolment`

func scanScreening(row scanner, s *clinic.Screening) error {
	return row.Scan(&s.ID, &s.Learner, &s.By, asList(&s.Answers), (*text)(&s.Decision), (*text)(&s.Note), (*instant)(&s.At))
}

// placedEnrolment is an enrolment and its household.
type placedEnrolment struct {
	household uuid.UUID
	clinic.Enrolment
}

func scanEnrolment(row scanner, e *placedEnrolment) error {
	return row.Scan(&e.household, &e.ID, &e.Learner, &e.Plan, &e.FirstNight, &e.Timezone, &e.ReminderAt, asList(&e.Positions),
		(*document)(&e.Target), (*text)(&e.Status), (*text)(&e.StatusNote), &e.EndedOn, (*instant)(&e.Written),
		(*instant)(&e.ReminderSet))
}

// LastScreening implements clinic.ClinicView.
func (v view) LastScreening(ctx context.Context, learner uuid.UUID) (clinic.Screening, error) {
	at, err := v.learner(ctx, learner)
	if err != nil {
		return clinic.Screening{}, err
	}
	return first[clinic.Screening](lastScreening)(listOf(ctx, v.work, lastScreening, scanScreening, at.household, learner))
}

func (v view) enrolment(ctx context.Context, id uuid.UUID) (placedEnrolment, error) {
	return single(ctx, v.work, enrolmentByID, scanEnrolment, func(e *placedEnrolment) uuid.UUID { return e.household }, id)
}

// Enrolment implements clinic.ClinicView.
func (v view) Enrolment(ctx context.Context, id uuid.UUID) (clinic.Enrolment, error) {
	e, err := v.enrolment(ctx, id)
	return e.Enrolment, err
}

// Enrolments implements clinic.ClinicView.
func (v view) Enrolments(ctx context.Context, household uuid.UUID) ([]clinic.Enrolment, error) {
	placed, err := listOf(ctx, v.work, enrolmentsOfHousehold, scanEnrolment, household)
	var found []clinic.Enrolment
	for _, e := range placed {
		found = append(found, e.Enrolment)
	}
	return found, err
}

// AddScreening implements clinic.ClinicTx.
func (t *tx) AddScreening(ctx context.Context, s clinic.Screening) error {
	at, err := t.learner(ctx, s.Learner)
	if err != nil {
		return err
	}
	if err := t.within(ctx, at.household); err != nil {
		return err
	}
	if err := t.there(ctx, memberThere, s.By); err != nil {
		return err
	}
	return t.execOne(ctx, addScreening, at.household, s.ID, s.Learner, s.By, asList(&s.Answers), text(s.Decision), text(s.Note), ms(s.At))
}

// AddEnrolment implements clinic.ClinicTx.
func (t *tx) AddEnrolment(ctx context.Context, e clinic.Enrolment) error {
	at, err := t.learner(ctx, e.Learner)
	if err != nil {
		return err
	}
	if err := t.within(ctx, at.household); err != nil {
		return err
	}
	if err := t.there(ctx, planThere, e.Plan); err != nil {
		return err
	}
	if err := t.changes(at.household); err != nil {
		return err
	}
	return t.execOne(ctx, addEnrolment, at.household, e.ID, e.Learner, e.Plan, e.FirstNight, e.Timezone, e.ReminderAt,
		asList(&e.Positions), blob(e.Target), text(e.Status), text(e.StatusNote), e.EndedOn, ms(e.Written), msOrNull(e.ReminderSet))
}

// SetEnrolmentStatus implements clinic.ClinicTx.
func (t *tx) SetEnrolmentStatus(
	ctx context.Context, id uuid.UUID, status, note string, endedOn practice.Night,
) error {
	e, err := t.enrolment(ctx, id)
	if err != nil {
		return err
	}
	if err := t.changes(e.household); err != nil {
		return err
	}
	return t.execOne(ctx, setEnrolmentStatus, e.household, id, text(status), text(note), endedOn)
}

// SetReminderTime implements clinic.ClinicTx.
func (t *tx) SetReminderTime(ctx context.Context, id uuid.UUID, at practice.TimeOfDay, set time.Time) error {
	e, err := t.enrolment(ctx, id)
	if err != nil {
		return err
	}
	if err := t.changes(e.household); err != nil {
		return err
	}
	return t.execOne(ctx, setReminderTime, e.household, id, at, ms(set))
}
