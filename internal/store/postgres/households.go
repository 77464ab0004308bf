package postgres

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	householdByID      = statement{"read household", selectHousehold + ` WHERE id = $1`}
	householdsOfClinic = statement{"list households", selectHousehold + ` WHERE clinic = $1 AND id > $2 ORDER BY id LIMIT $3`}
	householdIDs       = statement{"list households", `SELECT id FROM household WHERE id > $1 ORDER BY id LIMIT $2`}
	addHousehold       = statement{"add household", `INSERT INTO household (id, clinic, label, created) VALUES ($1, $2, $3, $4)`}

	caregiverByID         = statement{"read caregiver", selectCaregiver + ` WHERE id = $1`}
	caregiversOfHousehold = statement{"list caregivers", selectCaregiver + ` WHERE household = $1 ORDER BY id`}
	caregiverOfHousehold  = statement{"find caregiver", `SELECT id FROM caregiver WHERE household = $1 AND id = $2`}
	addCaregiver          = statement{"add caregiver", `
		INSERT INTO caregiver (household, id, name, consent_version, consented, withdrawn, created) VALUES ($1, $2, $3, $4, $5, $6, $7)`}

	recordConsent = statement{"record consent", `
		UPDATE caregiver SET consent_version = $3, consented = $4, withdrawn = NULL, withdrawn_rev = NULL WHERE household = $1 AND id = $2`}
	withdrawConsent = statement{"withdraw consent", `
		UPDATE caregiver SET withdrawn = $3, withdrawn_rev = $4 WHERE household = $1 AND id = $2`}

	deviceByID         = statement{"read device", selectDevice + ` WHERE d.id = $1`}
	devicesOfHousehold = statement{"list devices", selectDevice + ` WHERE d.household = $1 ORDER BY d.id`}
	addDevice          = statement{"add device", `
		INSERT INTO device (household, id, caregiver, name, platform, enrolled, heard, revoked)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`}
	revokeDevice = statement{"revoke device", `UPDATE device SET revoked = $3 WHERE household = $1 AND id = $2`}

	learnerByID         = statement{"read learner", selectLearner + ` WHERE l.id = $1`}
	learnersOfHousehold = statement{"list learners", selectLearner + ` WHERE l.household = $1 ORDER BY l.id`}
	addLearner          = statement{"add learner", `
		INSERT INTO learner (household, id, nickname, birth_month, created) VALUES ($1, $2, $3, $4, $5)`}
	householdInClinic = statement{"find household", `SELECT id FROM household WHERE id = $1 AND clinic = $2`}
)

const selectHousehold = `SELECT id, clinic, label, created FROM household`

const selectCaregiver = `SELECT id, household, name, consent_version, consented, withdrawn, created FROM caregiver`

const selectDevice = `
	SELECT d.id, d.household, d.caregiver, d.name, d.platform, d.enrolled, d.heard, d.revoked, p.withdrawn, coalesce(p.withdrawn_rev, 0)
	FROM device d JOIN caregiver p ON p.household = d.household AND p.id = d.caregiver`

const selectLearner = `
	SELECT l.id, l.household, h.clinic, l.nickname, l.birth_month, l.created
	FROM learner l JOIN household h ON h.id = l.household`

func scanHousehold(row scanner, h *clinic.Household) error {
	return row.Scan(&h.ID, &h.Clinic, (*text)(&h.Label), (*instant)(&h.Created))
}

func scanCaregiver(row scanner, p *clinic.Person) error {
	return row.Scan(&p.ID, &p.Household, (*text)(&p.Name), (*text)(&p.ConsentVersion),
		(*instant)(&p.Consented), (*instant)(&p.Withdrawn), (*instant)(&p.Created))
}

func scanDevice(row scanner, d *clinic.Device) error {
	return row.Scan(&d.ID, &d.Household, &d.Caregiver, (*text)(&d.Name), (*text)(&d.Platform),
		(*instant)(&d.Enrolled), (*instant)(&d.Heard), (*instant)(&d.Revoked), (*instant)(&d.Withdrawn), &d.WithdrawnRev)
}

func scanLearner(row scanner, l *clinic.Learner) error {
	return row.Scan(&l.ID, &l.Household, &l.Clinic, (*text)(&l.Nickname), (*text)(&l.BirthMonth), (*instant)(&l.Created))
}

// Household implements clinic.ClinicView.
func (v view) Household(ctx context.Context, id uuid.UUID) (clinic.Household, error) {
	var found []clinic.Household
	err := v.within(ctx, id, into(&found, householdByID, scanHousehold, id))
	return first[clinic.Household](householdByID)(found, err)
}

// Households implements clinic.ClinicView.
func (v view) Households(ctx context.Context, of uuid.UUID, page clinic.Page) ([]clinic.Household, error) {
	return ofClinic(ctx, v.work, householdsOfClinic, scanHousehold, of, page.After, page.Limit)
}

// HouseholdIDs implements clinic.RecordView.
func (v view) HouseholdIDs(ctx context.Context, page clinic.Page) ([]uuid.UUID, error) {
	return all(ctx, v.work, householdIDs, value[uuid.UUID], page.After, page.Limit)
}

// Caregiver implements clinic.ClinicView.
func (v view) Caregiver(ctx context.Context, id uuid.UUID) (clinic.Person, error) {
	return single(ctx, v.work, caregiverByID, scanCaregiver, func(p *clinic.Person) uuid.UUID { return p.Household }, id)
}

// Caregivers implements clinic.ClinicView.
func (v view) Caregivers(ctx context.Context, household uuid.UUID) ([]clinic.Person, error) {
	return listOf(ctx, v.work, caregiversOfHousehold, scanCaregiver, household)
}

// Devices implements clinic.ClinicView.
func (v view) Devices(ctx context.Context, household uuid.UUID) ([]clinic.Device, error) {
	found, err := listOf(ctx, v.work, devicesOfHousehold, scanDevice, household)
	v.noteDevices(household, found)
	return found, err
}

// noteDevices remembers where devices are.
func (w *work) noteDevices(household uuid.UUID, found []clinic.Device) {
	for i := range found {
		w.devices[found[i].ID] = household
	}
}

// Device implements clinic.AccessView.
func (v view) Device(ctx context.Context, id uuid.UUID) (clinic.Device, error) {
	d, err := single(ctx, v.work, deviceByID, scanDevice, func(d *clinic.Device) uuid.UUID { return d.Household }, id)
	if err == nil {
		v.devices[id] = d.Household
	}
	return d, err
}

// Learner implements clinic.ClinicView.
func (v view) Learner(ctx context.Context, id uuid.UUID) (clinic.Learner, error) {
	l, err := single(ctx, v.work, learnerByID, scanLearner, func(l *clinic.Learner) uuid.UUID { return l.Household }, id)
	if err == nil {
		v.learners[id] = place{l.Household, l.Clinic}
	}
	return l, err
}

// Learners implements clinic.ClinicView.
func (v view) Learners(ctx context.Context, household uuid.UUID) ([]clinic.Learner, error) {
	found, err := listOf(ctx, v.work, learnersOfHousehold, scanLearner, household)
	v.noteLearners(household, found)
	return found, err
}

// noteLearners remembers where learners are.
func (w *work) noteLearners(household uuid.UUID, found []clinic.Learner) {
	for i := range found {
		w.learners[found[i].ID] = place{household, found[i].Clinic}
	}
}

// AddHousehold implements clinic.ClinicTx.
func (t *tx) AddHousehold(ctx context.Context, h clinic.Household) error {
	if err := t.there(ctx, clinicThere, h.Clinic); err != nil {
		return err
	}
	return t.execOne(ctx, addHousehold, h.ID, h.Clinic, text(h.Label), ms(h.Created))
}

// AddCaregiver implements clinic.ClinicTx.
func (t *tx) AddCaregiver(ctx context.Context, p clinic.Person) error {
	if err := t.within(ctx, p.Household); err != nil {
		return err
	}
	if err := t.changes(p.Household); err != nil {
		return err
	}
	return t.execOne(ctx, addCaregiver, p.Household, p.ID, text(p.Name), text(p.ConsentVersion),
		msOrNull(p.Consented), msOrNull(p.Withdrawn), ms(p.Created))
}

// RecordConsent implements clinic.ClinicTx.
func (t *tx) RecordConsent(ctx context.Context, caregiver uuid.UUID, version string, at time.Time) error {
	p, err := t.Caregiver(ctx, caregiver)
	if err != nil {
		return err
	}
	if err := t.changes(p.Household); err != nil {
		return err
	}
	return t.execOne(ctx, recordConsent, p.Household, caregiver, text(version), ms(at))
}

// WithdrawConsent implements clinic.ClinicTx.
func (t *tx) WithdrawConsent(ctx context.Context, caregiver uuid.UUID, at time.Time) error {
	p, err := t.Caregiver(ctx, caregiver)
	if err != nil {
		return err
	}
	if err := t.changes(p.Household); err != nil {
		return err
	}
	return t.execOne(ctx, withdrawConsent, p.Household, caregiver, ms(at), t.heads[p.Household].Rev)
}

// AddDevice implements clinic.ClinicTx.
func (t *tx) AddDevice(ctx context.Context, d clinic.Device) error {
	if err := t.caregiverOf(ctx, d.Household, d.Caregiver); err != nil {
		return err
	}
	if err := t.changes(d.Household); err != nil {
		return err
	}
	return t.execOne(ctx, addDevice, d.Household, d.ID, d.Caregiver, text(d.Name), text(d.Platform),
		ms(d.Enrolled), msOrNull(d.Heard), msOrNull(d.Revoked))
}

// caregiverOf returns NotFound unless a caregiver is one of a household's.
func (t *tx) caregiverOf(ctx context.Context, household, caregiver uuid.UUID) error {
	found, err := listOf(ctx, t.work, caregiverOfHousehold, value[uuid.UUID], household, caregiver)
	_, err = first[uuid.UUID](caregiverOfHousehold)(found, err)
	return err
}

// RevokeDevice implements clinic.ClinicTx.
func (t *tx) RevokeDevice(ctx context.Context, device uuid.UUID, at time.Time) error {
	d, err := t.Device(ctx, device)
	if err != nil {
		return err
	}
	if err := t.changes(d.Household); err != nil {
		return err
	}
	return t.execOne(ctx, revokeDevice, d.Household, device, ms(at))
}

// AddLearner implements clinic.ClinicTx.
func (t *tx) AddLearner(ctx context.Context, l clinic.Learner) error {
	var found []uuid.UUID
	err := t.within(ctx, l.Household, into(&found, householdInClinic, value[uuid.UUID], l.Household, l.Clinic))
	if _, err := first[uuid.UUID](householdInClinic)(found, err); err != nil {
		return err
	}
	if err := t.changes(l.Household); err != nil {
		return err
	}
	return t.execOne(ctx, addLearner, l.Household, l.ID, text(l.Nickname), text(l.BirthMonth), ms(l.Created))
}
