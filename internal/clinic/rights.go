package clinic

import (
	"slices"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// Operation is something that can be asked for, by its id in the API description.
type Operation string

// rights says which roles may ask for what. Whose things they may ask about is decided where the thing is read: what
// belongs to somebody else is not there. Every operation of the description is in this table or in open.
func rights() map[Operation][]access.Role {
	staff := []access.Role{access.RoleClinician, access.RoleLead}
	device := []access.Role{access.RoleDevice}
	return map[Operation][]access.Role{
		"changePassword":     staff,
		"makeRecoveryCodes":  staff,
		"createPlan":         staff,
		"listPlans":          staff,
		"getPlan":            staff,
		"createHousehold":    staff,
		"listHouseholds":     staff,
		"getHousehold":       staff,
		"createInvite":       staff,
		"revokeDevice":       staff,
		"createLearner":      staff,
		"recordScreening":    staff,
		"createEnrolment":    staff,
		"setEnrolmentStatus": staff,
		"getRoster":          staff,
		"getCohort":          {access.RoleLead},
		"getSummary":         append(device, staff...),
		"getNights":          append(device, staff...),
		"listEntries":        staff,
		"addClinicEntries":   staff,
		"sync":               device,
		"streamSync":         device,
		"getOwnHousehold":    device,
		"listOverdue":        {access.RoleScheduler},
	}
}

// open lists the operations that need no token.
func open() []Operation {
	return []Operation{
		"getHealth", "getReadiness", "getSpecYaml", "getSpecJson", "getDocs", "getJwks", "getConsentText",
		"signIn", "setUpSecondFactor", "refreshTokens", "signOut", "enrolDevice",
	}
}

// Rights answers who may ask for what.
type Rights struct {
	roles map[Operation][]access.Role
	open  []Operation
}

// NewRights returns the table of rights.
func NewRights() *Rights { return &Rights{roles: rights(), open: open()} }

// Open reports whether an operation needs no token.
func (r *Rights) Open(op Operation) bool { return slices.Contains(r.open, op) }

// Known reports whether the table says anything of an operation.
func (r *Rights) Known(op Operation) bool { return r.Open(op) || len(r.roles[op]) > 0 }

// Check returns a fault of kind Forbidden unless the caller's role may ask for an operation. A revoked device may only
// hand in what it holds.
func (r *Rights) Check(p access.Principal, op Operation) error {
	if !slices.Contains(r.roles[op], p.Role) || (p.UploadOnly && op != "sync") {
		return fault.New(fault.Forbidden, "forbidden", "Your role does not have the right to do this.")
	}
	return nil
}
