package clinic

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// The statuses of an enrolment.
const (
	Running = "running"
	Paused  = "paused"
	Ended   = "ended"
)

// Target is the medicine aimed at: a capsule by its size code, or a tablet by its dimensions in millimetres.
type Target struct {
	CapsuleSize string  `json:"capsule_size,omitzero"`
	LengthMM    float64 `json:"length_mm,omitzero"`
	WidthMM     float64 `json:"width_mm,omitzero"`
}

// maxTargetMM is more than anything that is swallowed whole measures.
const maxTargetMM = 60

func (t Target) check(r *refusal) {
	if t.CapsuleSize != "" {
		_, known := judgement.ShellOf(t.CapsuleSize)
		r.unless(known, "/target/capsule_size", `Give a size code as text, from "000" to "5".`)
		r.unless(t.LengthMM == 0 && t.WidthMM == 0, "/target", "Give either capsule_size, or length_mm and width_mm.")
		return
	}
	millimetres := fmt.Sprintf("Give a number of millimetres, more than 0 and at most %d.", maxTargetMM)
	r.unless(0 < t.LengthMM && t.LengthMM <= maxTargetMM, "/target/length_mm", millimetres)
	r.unless(0 < t.WidthMM && t.WidthMM <= maxTargetMM, "/target/width_mm", millimetres)
	r.unless(t.WidthMM <= t.LengthMM, "/target/width_mm", "The width is the smaller dimension.")
}

// NewEnrolment is an enrolment to make. A zero Plan stands for the plan built in, nil Positions for the plan's.
type NewEnrolment struct {
	Plan       uuid.UUID
	FirstNight string
	Timezone   string
	ReminderAt string
	Positions  []practice.Position
	Target     *Target
}

// farthest is how far from today a first night may be.
const farthest = 5 * 366

// check returns the enrolment that the input describes, on a plan.
func (n NewEnrolment) check(plan practice.Plan, now time.Time) (Enrolment, error) {
	var r refusal
	e := Enrolment{Status: Running, Positions: n.Positions, Timezone: n.Timezone, Written: now}
	var err error
	e.FirstNight, err = practice.ParseNight(n.FirstNight)
	r.unless(err == nil, "/first_night", "Give a date as YYYY-MM-DD.")
	zone, zoneErr := practice.LoadZone(n.Timezone)
	fine := zoneErr == nil && len(n.Timezone) <= maxZone
	r.unless(fine, "/timezone", "Give the IANA name of a time zone, such as Europe/Paris.")
	if err == nil && fine {
		away := int(e.FirstNight) - int(tonightIn(zone, now))
		r.unless(-farthest <= away && away <= farthest, "/first_night", "Give a date within five years of today.")
	}
	e.ReminderAt = r.reminderTime(n.ReminderAt, &plan)
	if n.Positions == nil {
		e.Positions = plan.Positions
	} else {
		r.positions("/positions", n.Positions)
	}
	if n.Target != nil {
		n.Target.check(&r)
		if e.Target, err = json.Marshal(n.Target); err != nil {
			return Enrolment{}, fmt.Errorf("encode target: %w", err)
		}
	}
	return e, r.err()
}

// reminderTime reads a reminder time on a plan.
func (r *refusal) reminderTime(text string, plan *practice.Plan) practice.TimeOfDay {
	at, err := practice.ParseTimeOfDay(text)
	r.unless(err == nil, "/reminder_time", "Give a time of day as HH:MM, from 00:00 to 23:59.")
	r.unless(err != nil || !at.Between(plan.QuietFrom, plan.QuietUntil), "/reminder_time",
		fmt.Sprintf("Give a time outside the plan's quiet hours, %s to %s.", plan.QuietFrom, plan.QuietUntil))
	return at
}

// CreateEnrolment puts a learner on a plan. The learner's newest screening must be a go.
func (s *Service) CreateEnrolment(ctx context.Context, p access.Principal, learner uuid.UUID, n NewEnrolment, now time.Time) (EnrolmentDetail, error) {
	var d EnrolmentDetail
	err := s.changes(ctx, p, "createEnrolment", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		l, err := a.learner(ctx, tx, learner)
		if err != nil {
			return err
		}
		if d.Plan, err = enrolmentPlan(ctx, tx, a.permit, n.Plan); err != nil {
			return err
		}
		if d.Enrolment, err = s.newEnrolment(ctx, tx, learner, d.Plan, n, now); err != nil {
			return err
		}
		a.row.Thing = d.Enrolment.ID
		if err := tx.AddEnrolment(ctx, d.Enrolment); err != nil {
			return err
		}
		return s.refold(ctx, tx, l.Household, now)
	})
	return d, err
}

func enrolmentPlan(ctx context.Context, view View, p permit, id uuid.UUID) (Plan, error) {
	if id == uuid.Nil {
		id = BuiltinPlan
	}
	plan, err := p.plan(ctx, view, id)
	if fault.KindOf(err) == fault.NotFound {
		var r refusal
		r.at("/plan_id", "Name one of your clinic's plans, or leave it out for the plan built in.")
		return Plan{}, r.err()
	}
	return plan, err
}

func (s *Service) newEnrolment(ctx context.Context, view View, learner uuid.UUID, plan Plan, n NewEnrolment, now time.Time) (Enrolment, error) {
	parameters, err := plan.practicePlan()
	if err != nil {
		return Enrolment{}, err
	}
	e, err := n.check(parameters, now)
	if err != nil {
		return Enrolment{}, err
	}
	var q PlanParameters
	if err := json.Unmarshal(plan.Parameters, &q); err != nil {
		return Enrolment{}, fmt.Errorf("read parameters of plan %s: %w", plan.ID, err)
	}
	if err := screened(ctx, view, learner, q.ExtraQuestions); err != nil {
		return Enrolment{}, err
	}
	e.ID, e.Learner, e.Plan = s.NewID(), learner, plan.ID
	return e, nil
}

// EnrolmentDetail is an enrolment with the version of its plan.
type EnrolmentDetail struct {
	Enrolment
	Plan Plan
}

// SetEnrolmentStatus pauses, resumes or ends an enrolment. Ended, it has no nights after tonight; what has ended does not
// run again, since the learner may be on a new enrolment.
func (s *Service) SetEnrolmentStatus(ctx context.Context, p access.Principal, id uuid.UUID, status, remark string, now time.Time) (EnrolmentDetail, error) {
	var r refusal
	r.unless(slices.Contains([]string{Running, Paused, Ended}, status), "/status", "Give running, paused or ended.")
	r.note("/note", remark)
	if err := r.err(); err != nil {
		return EnrolmentDetail{}, err
	}
	return s.changeEnrolment(ctx, p, "setEnrolmentStatus", id, now, func(ctx context.Context, tx Tx, d *EnrolmentDetail) error {
		return d.changeStatus(ctx, tx, status, remark, now)
	})
}

// SetReminderTime moves the reminders of an enrolment to another time of day, from the next that is due on.
func (s *Service) SetReminderTime(ctx context.Context, p access.Principal, id uuid.UUID, at string, now time.Time) (EnrolmentDetail, error) {
	return s.changeEnrolment(ctx, p, "setReminderTime", id, now, func(ctx context.Context, tx Tx, d *EnrolmentDetail) error {
		if d.Status == Ended {
			return errEnded
		}
		plan, err := d.Plan.practicePlan()
		if err != nil {
			return err
		}
		var r refusal
		d.ReminderAt, d.ReminderSet = r.reminderTime(at, &plan), now
		if err := r.err(); err != nil {
			return err
		}
		return tx.SetReminderTime(ctx, d.ID, d.ReminderAt, d.ReminderSet)
	})
}

// changeEnrolment changes something about an enrolment.
func (s *Service) changeEnrolment(
	ctx context.Context, p access.Principal, op Operation, id uuid.UUID, now time.Time,
	change func(ctx context.Context, tx Tx, d *EnrolmentDetail) error,
) (EnrolmentDetail, error) {
	var d EnrolmentDetail
	err := s.changes(ctx, p, op, now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		a.row.Thing = id
		var err error
		if d.Enrolment, err = tx.Enrolment(ctx, id); err != nil {
			return notThere(err)
		}
		l, err := a.learner(ctx, tx, d.Learner)
		if err != nil {
			return err
		}
		if d.Plan, err = tx.Plan(ctx, d.Enrolment.Plan); err != nil {
			return err
		}
		if err := change(ctx, tx, &d); err != nil {
			return err
		}
		return s.refold(ctx, tx, l.Household, now)
	})
	return d, err
}

// changeStatus gives an enrolment another status, as a part of a transaction.
func (d *EnrolmentDetail) changeStatus(ctx context.Context, tx Tx, status, remark string, now time.Time) error {
	if err := d.setStatus(status, remark, now); err != nil {
		return err
	}
	return tx.SetEnrolmentStatus(ctx, d.ID, d.Status, remark, d.EndedOn)
}

var errEnded = fault.New(fault.Conflict, "enrolment-ended", "This enrolment has ended: enrol the learner anew instead.")

func (d *EnrolmentDetail) setStatus(status, remark string, now time.Time) error {
	if d.Status == Ended && status != Ended {
		return errEnded
	}
	if status == Ended && d.Status != Ended {
		zone, err := practice.LoadZone(d.Timezone)
		if err != nil {
			return fmt.Errorf("zone of enrolment %s: %w", d.ID, err)
		}
		plan, err := d.Plan.practicePlan()
		if err != nil {
			return err
		}
		// Ended before it began, it has no night at all.
		d.EndedOn = max(practice.NightAt(now, plan.TurnsAt, zone), d.FirstNight-1)
	}
	d.Status, d.StatusNote = status, remark
	return nil
}
