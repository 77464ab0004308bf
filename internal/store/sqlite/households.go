package sqlite

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	householdByID      = statement{"read household", selectHousehold + ` WHERE h.id = ?`}
	householdsOfClinic = statement{"list households", selectHousehold + `
		WHERE h.clinic_key = ? AND h.id > ? ORDER BY h.id LIMIT ?`}
	householdIDs = statement{"list households", `SELECT id FROM household WHERE id > ? ORDER BY id LIMIT ?`}
	addHousehold = statement{"add household", `INSERT INTO household (id, clinic_key, label, created) VALUES (?, ?, ?, ?)`}

	caregiverByID         = statement{"read caregiver", selectCaregiver + ` WHERE p.id = ?`}
	caregiversOfHousehold = statement{"list caregivers", selectCaregiver + ` WHERE p.household_key = ? ORDER BY p.id`}
	addCaregiver          = statement{"add caregiver", `
		INSERT INTO caregiver (id, household_key, name, consent_version, consented, withdrawn, created) VALUES (?, ?, ?, ?, ?, ?, ?)`}

	recordConsent   = statement{"record consent", `UPDATE caregiver SET consent_version = ?, consented = ?, withdrawn = NULL, withdrawn_rev = NULL WHERE id = ?`}
	withdrawConsent = statement{"withdraw consent", `
		UPDATE caregiver SET withdrawn = ?, withdrawn_rev =
			(SELECT head_rev FROM household h WHERE h.household_key = caregiver.household_key)
		WHERE id = ?`}

	deviceByID         = statement{"read device", selectDevice + ` WHERE d.id = ?`}
	devicesOfHousehold = statement{"list devices", selectDevice + ` WHERE d.household_key = ? ORDER BY d.id`}
	addDevice          = statement{"add device", `
		INSERT INTO device (id, household_key, caregiver_key, name, platform, enrolled, revoked)
		VALUES (?, ?, ?, ?, ?, ?, ?)`}
	revokeDevice = statement{"revoke device", `UPDATE device SET revoked = ? WHERE device_key = ?`}

	learnerByID         = statement{"read learner", selectLearner + ` WHERE l.id = ?`}
	learnersOfHousehold = statement{"list learners", selectLearner + ` WHERE l.household_key = ? ORDER BY l.id`}
	addLearner          = statement{"add learner", `
		INSERT INTO learner (id, household_key, nickname, birth_month, created)
		SELECT ?, h.household_key, ?, ?, ?
		FROM household h JOIN clinic c USING (clinic_key) WHERE h.id = ? AND c.id = ?`}
)

const selectHousehold = `
	SELECT h.id, c.id, h.label, h.created FROM household h JOIN clinic c USING (clinic_key)`

const selectCaregiver = `
	SELECT p.id, h.id, p.name, p.consent_version, p.consented, p.withdrawn, p.created
	FROM caregiver p JOIN household h USING (household_key)`

const selectDevice = `
	SELECT d.id, h.id, p.id, d.name, d.platform, d.enrolled,
		json_extract(h.heard, '$."' || d.device_key || '"'), d.revoked, p.withdrawn,
		coalesce(p.withdrawn_rev, 0)
	FROM device d JOIN household h USING (household_key) JOIN caregiver p USING (caregiver_key)`

const selectLearner = `
	SELECT l.id, h.id, c.id, l.nickname, l.birth_month, l.created
	FROM learner l JOIN household h USING (household_key) JOIN clinic c USING (clinic_key)`

func scanHousehold(row scanner, h *clinic.Household) error {
	return row.Scan(&h.ID, &h.Clinic, &h.Label, (*instant)(&h.Created))
}

func scanCaregiver(row scanner, p *clinic.Person) error {
	return row.Scan(&p.ID, &p.Household, &p.Name, &p.ConsentVersion,
		(*instant)(&p.Consented), (*instant)(&p.Withdrawn), (*instant)(&p.Created))
}

func scanDevice(row scanner, d *clinic.Device) error {
	return row.Scan(&d.ID, &d.Household, &d.Caregiver, &d.Name, &d.Platform,
		(*instant)(&d.Enrolled), (*instant)(&d.Heard), (*instant)(&d.Revoked), (*instant)(&d.Withdrawn), &d.WithdrawnRev)
}

func scanLearner(row scanner, l *clinic.Learner) error {
	return row.Scan(&l.ID, &l.Household, &l.Clinic, &l.Nickname, &l.BirthMonth, (*instant)(&l.Created))
}

// listOf returns what a query finds for the row that an id names.
func listOf[T any](
	ctx context.Context, v view, find, list statement, scan func(scanner, *T) error, of uuid.UUID,
) ([]T, error) {
	key, err := v.key(ctx, find, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, list, scan, key)
}

// Household implements clinic.ClinicView.
func (v view) Household(ctx context.Context, id uuid.UUID) (clinic.Household, error) {
	return one(ctx, v.work, householdByID, scanHousehold, id[:])
}

// Households implements clinic.ClinicView.
func (v view) Households(ctx context.Context, of uuid.UUID, page clinic.Page) ([]clinic.Household, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, householdsOfClinic, scanHousehold, key, page.After[:], page.Limit)
}

// HouseholdIDs implements clinic.RecordView.
func (v view) HouseholdIDs(ctx context.Context, page clinic.Page) ([]uuid.UUID, error) {
	return all(ctx, v.work, householdIDs, value[uuid.UUID], page.After[:], page.Limit)
}

// Caregiver implements clinic.ClinicView.
func (v view) Caregiver(ctx context.Context, id uuid.UUID) (clinic.Person, error) {
	return one(ctx, v.work, caregiverByID, scanCaregiver, id[:])
}

// Caregivers implements clinic.ClinicView.
func (v view) Caregivers(ctx context.Context, household uuid.UUID) ([]clinic.Person, error) {
	return listOf(ctx, v, householdKey, caregiversOfHousehold, scanCaregiver, household)
}

// Devices implements clinic.ClinicView.
func (v view) Devices(ctx context.Context, household uuid.UUID) ([]clinic.Device, error) {
	return listOf(ctx, v, householdKey, devicesOfHousehold, scanDevice, household)
}

// Device implements clinic.AccessView.
func (v view) Device(ctx context.Context, id uuid.UUID) (clinic.Device, error) {
	return one(ctx, v.work, deviceByID, scanDevice, id[:])
}

// Learner implements clinic.ClinicView.
func (v view) Learner(ctx context.Context, id uuid.UUID) (clinic.Learner, error) {
	return one(ctx, v.work, learnerByID, scanLearner, id[:])
}

// Learners implements clinic.ClinicView.
func (v view) Learners(ctx context.Context, household uuid.UUID) ([]clinic.Learner, error) {
	return listOf(ctx, v, householdKey, learnersOfHousehold, scanLearner, household)
}

// AddHousehold implements clinic.ClinicTx.
func (t *tx) AddHousehold(ctx context.Context, h clinic.Household) error {
	key, err := t.key(ctx, clinicKey, h.Clinic)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addHousehold, h.ID[:], key, h.Label, ms(h.Created))
}

// AddCaregiver implements clinic.ClinicTx.
func (t *tx) AddCaregiver(ctx context.Context, p clinic.Person) error {
	key, err := t.key(ctx, householdKey, p.Household)
	if err != nil {
		return err
	}
	if err := t.changes(ctx, key); err != nil {
		return err
	}
	return t.execOne(ctx, addCaregiver, p.ID[:], key, p.Name, p.ConsentVersion,
		msOrNull(p.Consented), msOrNull(p.Withdrawn), ms(p.Created))
}

// RecordConsent implements clinic.ClinicTx.
func (t *tx) RecordConsent(ctx context.Context, caregiver uuid.UUID, version string, at time.Time) error {
	if err := t.changesHomeOf(ctx, homeOfCaregiver, caregiver); err != nil {
		return err
	}
	return t.execOne(ctx, recordConsent, version, ms(at), caregiver[:])
}

// WithdrawConsent implements clinic.ClinicTx.
func (t *tx) WithdrawConsent(ctx context.Context, caregiver uuid.UUID, at time.Time) error {
	if err := t.changesHomeOf(ctx, homeOfCaregiver, caregiver); err != nil {
		return err
	}
	return t.execOne(ctx, withdrawConsent, ms(at), caregiver[:])
}

// AddDevice implements clinic.ClinicTx.
func (t *tx) AddDevice(ctx context.Context, d clinic.Device) error {
	household, err := t.key(ctx, householdKey, d.Household)
	if err != nil {
		return err
	}
	caregiver, err := t.key(ctx, caregiverOfHousehold, d.Caregiver, household)
	if err != nil {
		return err
	}
	if err := t.changes(ctx, household); err != nil {
		return err
	}
	err = t.execOne(ctx, addDevice, d.ID[:], household, caregiver, d.Name, d.Platform, ms(d.Enrolled), msOrNull(d.Revoked))
	if err != nil || d.Heard.IsZero() {
		return err
	}
	return t.Heard(ctx, d.ID, d.Heard)
}

// RevokeDevice implements clinic.ClinicTx.
func (t *tx) RevokeDevice(ctx context.Context, device uuid.UUID, when time.Time) error {
	at, err := t.placed(ctx, device)
	if err != nil {
		return err
	}
	if err := t.changes(ctx, at.household); err != nil {
		return err
	}
	return t.execOne(ctx, revokeDevice, ms(when), at.key)
}

// AddLearner implements clinic.ClinicTx.
func (t *tx) AddLearner(ctx context.Context, l clinic.Learner) error {
	household, err := t.key(ctx, householdKey, l.Household)
	if err != nil {
		return err
	}
	if err := t.changes(ctx, household); err != nil {
		return err
	}
	return t.execOne(ctx, addLearner, l.ID[:], l.Nickname, l.BirthMonth, ms(l.Created), l.Household[:], l.Clinic[:])
}
