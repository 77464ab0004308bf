package memory

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// household is a household with all that lies in it. Its lists are never written to: a changed one takes their place.
type household struct {
	clinic.Household
	by *mark

	caregivers []clinic.Person       // by id
	devices    []clinic.Device       // by id
	learners   []learner             // by id
	enrolments []clinic.Enrolment    // as written
	addresses  []clinic.Address      // by id
	feeds      []clinic.CalendarFeed // by id
	deliveries []*clinic.Delivery    // by when they are due, then id; what a pointer leads to is never written to
	followUps  []clinic.FollowUp     // as recorded

	edition int64
	head    clinic.Head
	record  record
}

// learner is a learner with what is kept of them alone.
type learner struct {
	clinic.Learner
	screenings []clinic.Screening
	projection *clinic.Projection // nil where none has been saved
}

func idOfCaregiver(p *clinic.Person) uuid.UUID  { return p.ID }
func idOfDevice(d *clinic.Device) uuid.UUID     { return d.ID }
func idOfLearner(l *learner) uuid.UUID          { return l.ID }
func idOfAddress(a *clinic.Address) uuid.UUID   { return a.ID }
func idOfFeed(f *clinic.CalendarFeed) uuid.UUID { return f.ID }

func (h *household) hasCaregiver(id uuid.UUID) bool {
	_, ok := place(h.caregivers, id, idOfCaregiver)
	return ok
}

func (h *household) hasDevice(id uuid.UUID) bool {
	_, ok := place(h.devices, id, idOfDevice)
	return ok
}

func (h *household) hasLearner(id uuid.UUID) bool {
	_, ok := place(h.learners, id, idOfLearner)
	return ok
}

func (h *household) hasAddress(id uuid.UUID) bool {
	_, ok := place(h.addresses, id, idOfAddress)
	return ok
}

// learner returns a learner of any household, and where they lie in it.
func (v view) learner(id uuid.UUID) (h *household, at int, err error) {
	h, err = v.home(learners, id)
	if err != nil {
		return nil, 0, err
	}
	at, _ = place(h.learners, id, idOfLearner)
	return h, at, nil
}

// Household implements clinic.ClinicView.
func (v view) Household(_ context.Context, id uuid.UUID) (clinic.Household, error) {
	h, err := v.household(id)
	if err != nil {
		return clinic.Household{}, err
	}
	return h.Household, nil
}

// Households implements clinic.ClinicView.
func (v view) Households(_ context.Context, of uuid.UUID, p clinic.Page) ([]clinic.Household, error) {
	if !v.clinics.has(of) {
		return nil, absent("clinic")
	}
	var ids []uuid.UUID
	for id, h := range v.households.rows {
		if h.Clinic == of {
			ids = append(ids, id)
		}
	}
	return listed(page(ids, p), func(id uuid.UUID) clinic.Household { return v.households.rows[id].Household }), nil
}

// HouseholdIDs implements clinic.RecordView.
func (v view) HouseholdIDs(_ context.Context, p clinic.Page) ([]uuid.UUID, error) {
	var ids []uuid.UUID
	for id := range v.households.rows {
		ids = append(ids, id)
	}
	return page(ids, p), nil
}

// Caregiver implements clinic.ClinicView.
func (v view) Caregiver(_ context.Context, id uuid.UUID) (clinic.Person, error) {
	h, err := v.home(caregivers, id)
	if err != nil {
		return clinic.Person{}, err
	}
	at, _ := place(h.caregivers, id, idOfCaregiver)
	return h.caregivers[at], nil
}

// Caregivers implements clinic.ClinicView.
func (v view) Caregivers(_ context.Context, household uuid.UUID) ([]clinic.Person, error) {
	h, err := v.household(household)
	if err != nil {
		return nil, err
	}
	return slices.Clone(h.caregivers), nil
}

// Devices implements clinic.ClinicView.
func (v view) Devices(_ context.Context, household uuid.UUID) ([]clinic.Device, error) {
	h, err := v.household(household)
	if err != nil {
		return nil, err
	}
	return slices.Clone(h.devices), nil
}

// Device implements clinic.AccessView.
func (v view) Device(_ context.Context, id uuid.UUID) (clinic.Device, error) {
	h, err := v.home(devices, id)
	if err != nil {
		return clinic.Device{}, err
	}
	at, _ := place(h.devices, id, idOfDevice)
	return h.devices[at], nil
}

// Learner implements clinic.ClinicView.
func (v view) Learner(_ context.Context, id uuid.UUID) (clinic.Learner, error) {
	h, at, err := v.learner(id)
	if err != nil {
		return clinic.Learner{}, err
	}
	return h.learners[at].Learner, nil
}

// Learners implements clinic.ClinicView.
func (v view) Learners(_ context.Context, household uuid.UUID) ([]clinic.Learner, error) {
	h, err := v.household(household)
	if err != nil {
		return nil, err
	}
	return listed(h.learners, func(l learner) clinic.Learner { return l.Learner }), nil
}

// AddHousehold implements clinic.ClinicTx.
func (t *tx) AddHousehold(_ context.Context, h clinic.Household) error {
	if !t.clinics.has(h.Clinic) {
		return absent("clinic")
	}
	if t.households.has(h.ID) {
		return taken("household")
	}
	h.Created = kept(h.Created)
	t.households.put(t.mark, h.ID, &household{Household: h, by: t.mark})
	return nil
}

// AddCaregiver implements clinic.ClinicTx.
func (t *tx) AddCaregiver(_ context.Context, p clinic.Person) error {
	h, err := t.household(p.Household)
	if err != nil {
		return err
	}
	if t.homes[caregivers].has(p.ID) {
		return taken("caregiver")
	}
	p.Consented, p.Withdrawn, p.Created = kept(p.Consented), kept(p.Withdrawn), kept(p.Created)
	h = t.own(h)
	at, _ := place(h.caregivers, p.ID, idOfCaregiver)
	h.caregivers = with(h.caregivers, at, p)
	t.settle(caregivers, p.ID, h)
	return nil
}

// RecordConsent implements clinic.ClinicTx.
func (t *tx) RecordConsent(_ context.Context, caregiver uuid.UUID, version string, at time.Time) error {
	return t.changeCaregiver(caregiver, func(p *clinic.Person) {
		p.ConsentVersion, p.Consented, p.Withdrawn = version, kept(at), time.Time{}
	})
}

// WithdrawConsent implements clinic.ClinicTx.
func (t *tx) WithdrawConsent(_ context.Context, caregiver uuid.UUID, at time.Time) error {
	return t.changeCaregiver(caregiver, func(p *clinic.Person) { p.Withdrawn = kept(at) })
}

// changeCaregiver lets fn change a caregiver. Their devices tell of it too.
func (t *tx) changeCaregiver(id uuid.UUID, fn func(p *clinic.Person)) error {
	h, err := t.home(caregivers, id)
	if err != nil {
		return err
	}
	h = t.own(h)
	i, _ := place(h.caregivers, id, idOfCaregiver)
	p := h.caregivers[i]
	fn(&p)
	h.caregivers = changed(h.caregivers, i, p)
	h.devices = slices.Clone(h.devices)
	for i := range h.devices {
		if h.devices[i].Caregiver == id {
			h.devices[i].Withdrawn, h.devices[i].WithdrawnRev = p.Withdrawn, 0
			if !p.Withdrawn.IsZero() {
				h.devices[i].WithdrawnRev = h.head.Rev
			}
		}
	}
	return nil
}

// AddDevice implements clinic.ClinicTx.
func (t *tx) AddDevice(_ context.Context, d clinic.Device) error {
	h, err := t.household(d.Household)
	if err != nil {
		return err
	}
	if !h.hasCaregiver(d.Caregiver) {
		return absent("caregiver")
	}
	if t.homes[devices].has(d.ID) {
		return taken("device")
	}
	d.Enrolled, d.Heard, d.Revoked = kept(d.Enrolled), kept(d.Heard), kept(d.Revoked)
	owner, _ := place(h.caregivers, d.Caregiver, idOfCaregiver)
	d.Withdrawn, d.WithdrawnRev = h.caregivers[owner].Withdrawn, 0
	for _, other := range h.devices {
		if other.Caregiver == d.Caregiver {
			d.WithdrawnRev = other.WithdrawnRev
		}
	}
	h = t.own(h)
	at, _ := place(h.devices, d.ID, idOfDevice)
	h.devices = with(h.devices, at, d)
	t.settle(devices, d.ID, h)
	return nil
}

// changeDevice lets fn change a device.
func (t *tx) changeDevice(id uuid.UUID, fn func(d *clinic.Device)) error {
	h, err := t.home(devices, id)
	if err != nil {
		return err
	}
	h = t.own(h)
	at, _ := place(h.devices, id, idOfDevice)
	h.devices = slices.Clone(h.devices)
	fn(&h.devices[at])
	return nil
}

// RevokeDevice implements clinic.ClinicTx.
func (t *tx) RevokeDevice(_ context.Context, device uuid.UUID, at time.Time) error {
	return t.changeDevice(device, func(d *clinic.Device) { d.Revoked = kept(at) })
}

// Heard implements clinic.RecordTx.
func (t *tx) Heard(_ context.Context, device uuid.UUID, at time.Time) error {
	return t.changeDevice(device, func(d *clinic.Device) { d.Heard = kept(at) })
}

// AddLearner implements clinic.ClinicTx.
func (t *tx) AddLearner(_ context.Context, l clinic.Learner) error {
	h, err := t.household(l.Household)
	if err != nil {
		return err
	}
	if h.Clinic != l.Clinic {
		return absent("household of the clinic")
	}
	if t.homes[learners].has(l.ID) {
		return taken("learner")
	}
	l.Created = kept(l.Created)
	h = t.own(h)
	at, _ := place(h.learners, l.ID, idOfLearner)
	h.learners = with(h.learners, at, learner{Learner: l})
	t.settle(learners, l.ID, h)
	return nil
}
