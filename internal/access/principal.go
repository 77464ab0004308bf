package access

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"time"

	"github.com/google/uuid"
)

// Role is the part a caller plays, as the "role" claim spells it.
type Role string

// The roles. A lead is a clinician who also sees the cohort and the audit trail.
const (
	RoleDevice    Role = "device"
	RoleClinician Role = "clinician"
	RoleLead      Role = "lead"
	RoleScheduler Role = "scheduler"
)

// Staff tells whether the role is a person of the clinic: a clinician or a lead.
func (r Role) Staff() bool { return r == RoleClinician || r == RoleLead }

// Principal is an authenticated caller. Which ids are set depends on the role: a device has ClinicID, HouseholdID,
// CaregiverID and DeviceID; a clinician or lead has ClinicID and ClinicianID; both have a Session; a scheduler has ClinicID alone.
type Principal struct {
	Role        Role
	ClinicID    uuid.UUID
	HouseholdID uuid.UUID
	CaregiverID uuid.UUID
	DeviceID    uuid.UUID
	ClinicianID uuid.UUID
	Session     uuid.UUID // the family of tokens: one sign-in or one enrolment, whose end is the token's end too

	TokenID   string // the token's jti: how a service token is found again when it is revoked
	IssuedAt  time.Time
	ExpiresAt time.Time

	// UploadOnly marks a revoked device: it may hand in what it still holds and reads nothing.
	UploadOnly bool
	// Withdrawn marks a device whose caregiver has withdrawn consent. It is looked up with each request and in no token.
	Withdrawn bool
	// Unproven marks a device of which nothing is known but that its token is genuine and has not expired: whether its session goes on, and
	// whether it has been revoked or its consent withdrawn, is for the operation to find out. It is in no token.
	Unproven bool
}

var errUnfitPrincipal = errors.New("principal does not fit its role")

// check reports whether exactly the ids that the role calls for are set.
func (p Principal) check() error {
	device, staff := p.Role == RoleDevice, p.Role.Staff()
	if !device && !staff && p.Role != RoleScheduler {
		return fmt.Errorf("%w: unknown role %q", errUnfitPrincipal, p.Role)
	}
	wanted := []struct {
		name   string
		id     uuid.UUID
		needed bool
	}{
		{"clinic", p.ClinicID, true},
		{"household", p.HouseholdID, device},
		{"caregiver", p.CaregiverID, device},
		{"device", p.DeviceID, device},
		{"clinician", p.ClinicianID, staff},
		{"session", p.Session, device || staff},
	}
	for _, w := range wanted {
		if (w.id != uuid.Nil) != w.needed {
			return fmt.Errorf("%w: role %s, %s id set: %t", errUnfitPrincipal, p.Role, w.name, w.id != uuid.Nil)
		}
	}
	if p.UploadOnly && !device {
		return fmt.Errorf("%w: role %s cannot be upload-only", errUnfitPrincipal, p.Role)
	}
	return nil
}

type principalKey struct{}

// WithPrincipal returns a context that carries the caller.
func WithPrincipal(ctx context.Context, p Principal) context.Context {
	return context.WithValue(ctx, principalKey{}, p)
}

// PrincipalFrom returns the caller that the context carries; false means that nobody was authenticated.
func PrincipalFrom(ctx context.Context) (Principal, bool) {
	p, ok := ctx.Value(principalKey{}).(Principal)
	return p, ok
}

type originKey struct{}

// WithOrigin returns a context that carries the address from which a request came: the connection's, or what a trusted proxy
// says of it.
func WithOrigin(ctx context.Context, from netip.Addr) context.Context {
	return context.WithValue(ctx, originKey{}, from.Unmap().WithZone(""))
}

// OriginFrom returns the address that the context carries. The zero address, which is not valid, stands for a request that came
// over no network.
func OriginFrom(ctx context.Context) netip.Addr {
	from, _ := ctx.Value(originKey{}).(netip.Addr)
	return from
}
