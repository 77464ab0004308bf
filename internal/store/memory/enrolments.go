package memory

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// LastScreening implements clinic.ClinicView. Of several at one instant it is the one written last.
func (v view) LastScreening(_ context.Context, learner uuid.UUID) (clinic.Screening, error) {
	h, at, err := v.learner(learner)
	if err != nil {
		return clinic.Screening{}, err
	}
	var last *clinic.Screening
	list := h.learners[at].screenings
	for i := range list {
		if last == nil || !list[i].At.Before(last.At) {
			last = &list[i]
		}
	}
	if last == nil {
		return clinic.Screening{}, absent("screening")
	}
	return copyOfScreening(*last), nil
}

// enrolment returns where an enrolment of the household is among them.
func (h *household) enrolment(id uuid.UUID) int {
	return slices.IndexFunc(h.enrolments, func(e clinic.Enrolment) bool { return e.ID == id })
}

// Enrolment implements clinic.ClinicView.
func (v view) Enrolment(_ context.Context, id uuid.UUID) (clinic.Enrolment, error) {
	h, err := v.home(enrolments, id)
	if err != nil {
		return clinic.Enrolment{}, err
	}
	return copyOfEnrolment(h.enrolments[h.enrolment(id)]), nil
}

// Enrolments implements clinic.ClinicView.
func (v view) Enrolments(_ context.Context, household uuid.UUID) ([]clinic.Enrolment, error) {
	h, err := v.household(household)
	if err != nil {
		return nil, err
	}
	return listed(h.enrolments, copyOfEnrolment), nil
}

// AddScreening implements clinic.ClinicTx.
func (t *tx) AddScreening(_ context.Context, s clinic.Screening) error {
	h, at, err := t.learner(s.Learner)
	if err != nil {
		return err
	}
	if !t.members.has(s.By) {
		return absent("member")
	}
	if t.homes[screenings].has(s.ID) {
		return taken("screening")
	}
	s = copyOfScreening(s)
	s.At = kept(s.At)
	h = t.own(h)
	l := h.learners[at]
	l.screenings = with(l.screenings, len(l.screenings), s)
	h.learners = changed(h.learners, at, l)
	t.settle(screenings, s.ID, h)
	return nil
}

// AddEnrolment implements clinic.ClinicTx.
func (t *tx) AddEnrolment(_ context.Context, e clinic.Enrolment) error {
	h, err := t.home(learners, e.Learner)
	if err != nil {
		return err
	}
	if !t.plans.has(e.Plan) {
		return absent("plan")
	}
	if t.homes[enrolments].has(e.ID) {
		return taken("enrolment")
	}
	e = copyOfEnrolment(e)
	e.Target, e.Written = document(e.Target), kept(e.Written)
	h = t.own(h)
	at := len(h.enrolments)
	for at > 0 && h.enrolments[at-1].Written.After(e.Written) {
		at--
	}
	h.enrolments = with(h.enrolments, at, e)
	t.settle(enrolments, e.ID, h)
	return nil
}

// SetEnrolmentStatus implements clinic.ClinicTx.
func (t *tx) SetEnrolmentStatus(
	_ context.Context, id uuid.UUID, status, note string, endedOn practice.Night,
) error {
	return t.changeEnrolment(id, func(e *clinic.Enrolment) { e.Status, e.StatusNote, e.EndedOn = status, note, endedOn })
}

// SetReminderTime implements clinic.ClinicTx.
func (t *tx) SetReminderTime(_ context.Context, id uuid.UUID, at practice.TimeOfDay, set time.Time) error {
	return t.changeEnrolment(id, func(e *clinic.Enrolment) { e.ReminderAt, e.ReminderSet = at, kept(set) })
}

// changeEnrolment lets fn change an enrolment.
func (t *tx) changeEnrolment(id uuid.UUID, fn func(e *clinic.Enrolment)) error {
	h, err := t.home(enrolments, id)
	if err != nil {
		return err
	}
	h = t.own(h)
	at := h.enrolment(id)
	e := h.enrolments[at]
	fn(&e)
	h.enrolments = changed(h.enrolments, at, e)
	return nil
}
