package memory

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// Clinic implements clinic.ClinicView.
func (v view) Clinic(_ context.Context, id uuid.UUID) (clinic.Clinic, error) {
	c, ok := v.clinics.rows[id]
	if !ok {
		return clinic.Clinic{}, absent("clinic")
	}
	return c, nil
}

// Member implements clinic.ClinicView.
func (v view) Member(_ context.Context, id uuid.UUID) (clinic.Member, error) {
	m, ok := v.members.rows[id]
	if !ok {
		return clinic.Member{}, absent("member")
	}
	return m, nil
}

// MemberByEmail implements clinic.ClinicView.
func (v view) MemberByEmail(_ context.Context, email string) (clinic.Member, error) {
	for _, m := range v.members.rows {
		if m.Email == email {
			return m, nil
		}
	}
	return clinic.Member{}, absent("member")
}

// Plan implements clinic.ClinicView.
func (v view) Plan(_ context.Context, id uuid.UUID) (clinic.Plan, error) {
	p, ok := v.plans.rows[id]
	if !ok {
		return clinic.Plan{}, absent("plan")
	}
	return p, nil
}

// Plans implements clinic.ClinicView.
func (v view) Plans(_ context.Context, of uuid.UUID) ([]clinic.Plan, error) {
	if !v.clinics.has(of) {
		return nil, absent("clinic")
	}
	var plans []clinic.Plan
	for _, p := range v.plans.rows {
		if p.Clinic == of || p.Clinic == uuid.Nil {
			plans = append(plans, p)
		}
	}
	slices.SortFunc(plans, func(a, b clinic.Plan) int { return compareIDs(a.ID, b.ID) })
	return plans, nil
}

// ClinicIDs implements clinic.ClinicView.
func (v view) ClinicIDs(_ context.Context, p clinic.Page) ([]uuid.UUID, error) {
	return page(slices.Collect(maps.Keys(v.clinics.rows)), p), nil
}

// AddClinic implements clinic.ClinicTx.
func (t *tx) AddClinic(_ context.Context, c clinic.Clinic) error {
	if t.clinics.has(c.ID) {
		return taken("clinic")
	}
	c.Created = kept(c.Created)
	t.clinics.put(t.mark, c.ID, c)
	return nil
}

// SetClinic implements clinic.ClinicTx.
func (t *tx) SetClinic(ctx context.Context, c clinic.Clinic) error {
	known, err := t.Clinic(ctx, c.ID)
	if err != nil {
		return err
	}
	known.SecondFactor, known.InviteWindow = c.SecondFactor, c.InviteWindow
	t.clinics.put(t.mark, c.ID, known)
	return nil
}

// AddMember implements clinic.ClinicTx.
func (t *tx) AddMember(ctx context.Context, m clinic.Member) error {
	if !t.clinics.has(m.Clinic) {
		return absent("clinic")
	}
	if _, err := t.MemberByEmail(ctx, m.Email); err == nil || t.members.has(m.ID) {
		return taken("member")
	}
	m.TOTPSince, m.Created, m.Disabled = kept(m.TOTPSince), kept(m.Created), kept(m.Disabled)
	t.members.put(t.mark, m.ID, m)
	return nil
}

// SetSecondFactor implements clinic.ClinicTx.
func (t *tx) SetSecondFactor(
	ctx context.Context, member uuid.UUID, secret string, since time.Time, lastStep int64,
) error {
	m, err := t.Member(ctx, member)
	if err != nil {
		return err
	}
	m.TOTPSecret, m.TOTPSince, m.TOTPLastStep = secret, kept(since), lastStep
	t.members.put(t.mark, member, m)
	return nil
}

// AddPlan implements clinic.ClinicTx.
func (t *tx) AddPlan(_ context.Context, p clinic.Plan) error {
	if p.Clinic != uuid.Nil && !t.clinics.has(p.Clinic) {
		return absent("clinic")
	}
	if t.plans.has(p.ID) {
		return taken("plan")
	}
	p.Parameters, p.Created = document(p.Parameters), kept(p.Created)
	t.plans.put(t.mark, p.ID, p)
	return nil
}
