package postgres

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	clinicByID = statement{"read clinic", `SELECT id, name, timezone, second_factor, invite_window, created FROM clinic WHERE id = $1`}
	clinicIDs  = statement{"list clinics", `SELECT id FROM clinic WHERE id > $1 ORDER BY id LIMIT $2`}
	addClinic  = statement{"add clinic", `
		INSERT INTO clinic (id, name, timezone, second_factor, invite_window, created) VALUES ($1, $2, $3, $4, $5, $6)`}
	setClinic = statement{"set clinic", `UPDATE clinic SET second_factor = $1, invite_window = $2 WHERE id = $3`}

	memberByID    = statement{"read member", selectMember + ` WHERE id = $1`}
	memberByEmail = statement{"read member", selectMember + ` WHERE email = $1`}
	addMember     = statement{"add member", `
		INSERT INTO member (id, clinic, email, name, role, password_hash, totp_secret, totp_since, totp_last_step, created, disabled)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`}
	setSecondFactor = statement{"set second factor", `
		UPDATE member SET totp_secret = $1, totp_since = $2, totp_last_step = $3 WHERE id = $4`}

	planByID         = statement{"read plan", selectPlan + ` WHERE id = $1`}
	plansOfHousehold = statement{"list plans", selectPlan + ` WHERE id IN (SELECT plan FROM enrolment WHERE household = $1) ORDER BY id`}
	plansOfClinic    = statement{"list plans", selectPlan + ` WHERE clinic IS NULL OR clinic = $1 ORDER BY id`}
	addPlan          = statement{"add plan", `
		INSERT INTO plan (id, clinic, name, version, parameters, created) VALUES ($1, $2, $3, $4, $5, $6)`}
)

const selectMember = `
	SELECT id, clinic, email, name, role, password_hash, totp_secret, totp_since, totp_last_step, created, disabled FROM member`

const selectPlan = `SELECT id, clinic, name, version, parameters, created FROM plan`

func scanClinic(row scanner, c *clinic.Clinic) error {
	var window int64
	err := row.Scan(&c.ID, (*text)(&c.Name), (*text)(&c.Timezone), (*text)(&c.SecondFactor), &window, (*instant)(&c.Created))
	c.InviteWindow = time.Duration(window) * time.Millisecond
	return err
}

func scanMember(row scanner, m *clinic.Member) error {
	return row.Scan(&m.ID, &m.Clinic, (*text)(&m.Email), (*text)(&m.Name), (*text)(&m.Role), (*text)(&m.PasswordHash),
		(*text)(&m.TOTPSecret), (*instant)(&m.TOTPSince), &m.TOTPLastStep, (*instant)(&m.Created), (*instant)(&m.Disabled))
}

func scanPlan(row scanner, p *clinic.Plan) error {
	return row.Scan(&p.ID, (*optional)(&p.Clinic), (*text)(&p.Name), &p.Version, (*document)(&p.Parameters), (*instant)(&p.Created))
}

// Clinic implements clinic.ClinicView.
func (v view) Clinic(ctx context.Context, id uuid.UUID) (clinic.Clinic, error) {
	if err := v.holdClinic(ctx, id); err != nil {
		return clinic.Clinic{}, err
	}
	return one(ctx, v.work, clinicByID, scanClinic, id)
}

// ClinicIDs implements clinic.ClinicView.
func (v view) ClinicIDs(ctx context.Context, page clinic.Page) ([]uuid.UUID, error) {
	return all(ctx, v.work, clinicIDs, value[uuid.UUID], page.After, page.Limit)
}

// Member implements clinic.ClinicView.
func (v view) Member(ctx context.Context, id uuid.UUID) (clinic.Member, error) {
	if err := v.holdMember(ctx, id); err != nil {
		return clinic.Member{}, err
	}
	return one(ctx, v.work, memberByID, scanMember, id)
}

// MemberByEmail implements clinic.ClinicView.
func (v view) MemberByEmail(ctx context.Context, email string) (clinic.Member, error) {
	m, err := one(ctx, v.work, memberByEmail, scanMember, text(email))
	if err != nil || !v.writes {
		return m, err
	}
	return v.Member(ctx, m.ID) // whose address never changes
}

// Plan implements clinic.ClinicView.
func (v view) Plan(ctx context.Context, id uuid.UUID) (clinic.Plan, error) {
	return one(ctx, v.work, planByID, scanPlan, id)
}

// Plans implements clinic.ClinicView.
func (v view) Plans(ctx context.Context, of uuid.UUID) ([]clinic.Plan, error) {
	if err := v.holdClinic(ctx, of); err != nil {
		return nil, err
	}
	return all(ctx, v.work, plansOfClinic, scanPlan, of)
}

// AddClinic implements clinic.ClinicTx.
func (t *tx) AddClinic(ctx context.Context, c clinic.Clinic) error {
	return t.execOne(ctx, addClinic, c.ID, text(c.Name), text(c.Timezone), text(c.SecondFactor), c.InviteWindow.Milliseconds(), ms(c.Created))
}

// SetClinic implements clinic.ClinicTx.
func (t *tx) SetClinic(ctx context.Context, c clinic.Clinic) error {
	return t.execOne(ctx, setClinic, text(c.SecondFactor), c.InviteWindow.Milliseconds(), c.ID)
}

// AddMember implements clinic.ClinicTx.
func (t *tx) AddMember(ctx context.Context, m clinic.Member) error {
	if err := t.holdClinic(ctx, m.Clinic); err != nil {
		return err
	}
	return t.execOne(ctx, addMember, m.ID, m.Clinic, text(m.Email), text(m.Name), text(m.Role), text(m.PasswordHash),
		text(m.TOTPSecret), msOrNull(m.TOTPSince), m.TOTPLastStep, ms(m.Created), msOrNull(m.Disabled))
}

// SetSecondFactor implements clinic.ClinicTx.
func (t *tx) SetSecondFactor(
	ctx context.Context, member uuid.UUID, secret string, since time.Time, lastStep int64,
) error {
	return t.execOne(ctx, setSecondFactor, text(secret), msOrNull(since), lastStep, member)
}

// AddPlan implements clinic.ClinicTx.
func (t *tx) AddPlan(ctx context.Context, p clinic.Plan) error {
	if p.Clinic != uuid.Nil {
		if err := t.holdClinic(ctx, p.Clinic); err != nil {
			return err
		}
	}
	return t.execOne(ctx, addPlan, p.ID, idOrNull(p.Clinic), text(p.Name), p.Version, blob(p.Parameters), ms(p.Created))
}
