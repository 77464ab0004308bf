package sqlite

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	clinicByID = statement{"read clinic", `SELECT id, name, timezone, second_factor, invite_window, created FROM clinic WHERE id = ?`}
	clinicIDs  = statement{"list clinics", `SELECT id FROM clinic WHERE id > ? ORDER BY id LIMIT ?`}
	addClinic  = statement{"add clinic", `
		INSERT INTO clinic (id, name, timezone, second_factor, invite_window, created) VALUES (?, ?, ?, ?, ?, ?)`}
	setClinic = statement{"set clinic", `UPDATE clinic SET second_factor = ?, invite_window = ? WHERE id = ?`}

	memberByID    = statement{"read member", selectMember + ` WHERE m.id = ?`}
	memberByEmail = statement{"read member", selectMember + ` WHERE m.email = ?`}
	addMember     = statement{"add member", `
		INSERT INTO member (id, clinic_key, email, name, role, password_hash, totp_secret, totp_since, totp_last_step, created, disabled)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`}
	setSecondFactor = statement{"set second factor", `
		UPDATE member SET totp_secret = ?, totp_since = ?, totp_last_step = ? WHERE id = ?`}

	planByID      = statement{"read plan", selectPlan + ` WHERE p.id = ?`}
	plansOfClinic = statement{"list plans", selectPlan + ` WHERE p.clinic_key IS NULL OR p.clinic_key = ? ORDER BY p.id`}
	addPlan       = statement{"add plan", `
		INSERT INTO plan (id, clinic_key, name, version, parameters, created) VALUES (?, ?, ?, ?, ?, ?)`}
)

const selectMember = `
	SELECT m.id, c.id, m.email, m.name, m.role, m.password_hash, m.totp_secret, m.totp_since, m.totp_last_step, m.created,
		m.disabled
	FROM member m JOIN clinic c USING (clinic_key)`

const selectPlan = `
	SELECT p.id, c.id, p.name, p.version, p.parameters, p.created
	FROM plan p LEFT JOIN clinic c USING (clinic_key)`

func scanClinic(row scanner, c *clinic.Clinic) error {
	var window int64
	err := row.Scan(&c.ID, &c.Name, &c.Timezone, &c.SecondFactor, &window, (*instant)(&c.Created))
	c.InviteWindow = time.Duration(window) * time.Millisecond
	return err
}

func scanMember(row scanner, m *clinic.Member) error {
	return row.Scan(&m.ID, &m.Clinic, &m.Email, &m.Name, &m.Role, &m.PasswordHash, &m.TOTPSecret,
		(*instant)(&m.TOTPSince), &m.TOTPLastStep, (*instant)(&m.Created), (*instant)(&m.Disabled))
}

func scanPlan(row scanner, p *clinic.Plan) error {
	return row.Scan(&p.ID, &p.Clinic, &p.Name, &p.Version, (*document)(&p.Parameters), (*instant)(&p.Created))
}

// Clinic implements clinic.ClinicView.
func (v view) Clinic(ctx context.Context, id uuid.UUID) (clinic.Clinic, error) {
	return one(ctx, v.work, clinicByID, scanClinic, id[:])
}

// ClinicIDs implements clinic.ClinicView.
func (v view) ClinicIDs(ctx context.Context, page clinic.Page) ([]uuid.UUID, error) {
	return all(ctx, v.work, clinicIDs, value[uuid.UUID], page.After[:], page.Limit)
}

// Member implements clinic.ClinicView.
func (v view) Member(ctx context.Context, id uuid.UUID) (clinic.Member, error) {
	return one(ctx, v.work, memberByID, scanMember, id[:])
}

// MemberByEmail implements clinic.ClinicView.
func (v view) MemberByEmail(ctx context.Context, email string) (clinic.Member, error) {
	return one(ctx, v.work, memberByEmail, scanMember, email)
}

// Plan implements clinic.ClinicView.
func (v view) Plan(ctx context.Context, id uuid.UUID) (clinic.Plan, error) {
	return one(ctx, v.work, planByID, scanPlan, id[:])
}

// Plans implements clinic.ClinicView.
func (v view) Plans(ctx context.Context, of uuid.UUID) ([]clinic.Plan, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, plansOfClinic, scanPlan, key)
}

// AddClinic implements clinic.ClinicTx.
func (t *tx) AddClinic(ctx context.Context, c clinic.Clinic) error {
	return t.execOne(ctx, addClinic, c.ID[:], c.Name, c.Timezone, c.SecondFactor, c.InviteWindow.Milliseconds(), ms(c.Created))
}

// SetClinic implements clinic.ClinicTx.
func (t *tx) SetClinic(ctx context.Context, c clinic.Clinic) error {
	return t.execOne(ctx, setClinic, c.SecondFactor, c.InviteWindow.Milliseconds(), c.ID[:])
}

// AddMember implements clinic.ClinicTx.
func (t *tx) AddMember(ctx context.Context, m clinic.Member) error {
	key, err := t.key(ctx, clinicKey, m.Clinic)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addMember, m.ID[:], key, m.Email, m.Name, m.Role, m.PasswordHash,
		m.TOTPSecret, msOrNull(m.TOTPSince), m.TOTPLastStep, ms(m.Created), msOrNull(m.Disabled))
}

// SetSecondFactor implements clinic.ClinicTx.
func (t *tx) SetSecondFactor(
	ctx context.Context, member uuid.UUID, secret string, since time.Time, lastStep int64,
) error {
	return t.execOne(ctx, setSecondFactor, secret, msOrNull(since), lastStep, member[:])
}

// AddPlan implements clinic.ClinicTx.
func (t *tx) AddPlan(ctx context.Context, p clinic.Plan) error {
	key, err := t.keyOrNull(ctx, clinicKey, p.Clinic)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addPlan, p.ID[:], key, p.Name, p.Version, blob(p.Parameters), ms(p.Created))
}
