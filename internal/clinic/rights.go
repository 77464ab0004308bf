package clinic

import (
	"context"
	"maps"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// Operation is something that can be asked for, by its id in the API description.
type Operation string

// Reach is whose things a role may ask about by an operation. What lies beyond it is not there: the answer is the same as to
// what nobody has.
type Reach int

// The reaches.
const (
	Nowhere     Reach = iota // the role may not ask at all
	OfClinic                 // whatever belongs to the caller's clinic
	OfHousehold              // whatever belongs to the caller's household
	OfCaregiver              // what belongs to the caregiver whose device asks, and to nobody else
)

// Trail is what an operation leaves on the audit trail of the clinic.
type Trail int

// The trails.
const (
	Silent Trail = iota // nothing: it tells nothing about anybody
	Read                // a row that is durable before the answer
	Change              // a row in the very transaction that changes something
)

// Rule says who may ask for an operation, about whose things, and what that leaves behind.
type Rule struct {
	Open  bool // needs no token
	Reach map[access.Role]Reach
	Trail Trail
	// Revoked lets through a device that has been revoked, Withdrawn one whose caregiver has withdrawn consent. What they may
	// do then is less, as the use case says.
	Revoked, Withdrawn bool
	// Proves is set where the operation finds out by itself whether the session of a device goes on, and how the device stands: in the
	// transaction that changes something, so that it takes no look of its own.
	Proves bool
}

// rules is the one table of who may do what: role, operation, and whose things. Every operation of the description is in it;
// a server with one that is not refuses to start. Use cases ask it again, so that no way round the edge leads round it.
func rules() map[Operation]Rule {
	lead := Rule{Trail: Read, Reach: map[access.Role]Reach{access.RoleLead: OfClinic}}
	all := map[Operation]Rule{
		"getHealth": open(), "getReadiness": open(), "getSpecYaml": open(), "getSpecJson": open(), "getDocs": open(), "getJwks": open(),
		"getConsentText": open(),
		// Whoever proves who they are, by what they send: the trail is written where that is known.
		"signIn": open(), "setUpSecondFactor": open(), "refreshTokens": open(), "signOut": open(), "enrolDevice": open(),

		"changePassword":    staff(Change),
		"makeRecoveryCodes": staff(Change),

		"createPlan": staff(Change),
		"listPlans":  staff(Silent),
		"getPlan":    staff(Silent),

		"createHousehold":    staff(Change),
		"listHouseholds":     staff(Read),
		"getHousehold":       staff(Read),
		"createInvite":       staff(Change),
		"revokeDevice":       evenWithdrawn(familyToo(staff(Change), OfCaregiver)),
		"createLearner":      staff(Change),
		"recordScreening":    staff(Change),
		"createEnrolment":    staff(Change),
		"setEnrolmentStatus": staff(Change),
		"getRoster":          staff(Read),
		"getSummary":         evenWithdrawn(familyToo(staff(Read), OfHousehold)),
		"getNights":          familyToo(staff(Read), OfHousehold),
		"listEntries":        staff(Read),
		"addClinicEntries":   staff(Change),

		"listOwnDevices":  evenWithdrawn(device(Read, OfCaregiver)),
		"getConsent":      evenWithdrawn(device(Read, OfCaregiver)),
		"giveConsent":     evenWithdrawn(device(Change, OfCaregiver)),
		"withdrawConsent": evenWithdrawn(familyToo(staff(Change), OfCaregiver)),

		"getCohort": lead,
		"listAudit": lead,

		"sync":            proves(evenWithdrawn(evenRevoked(device(Change, OfHousehold)))),
		"streamSync":      device(Silent, OfHousehold),
		"getOwnHousehold": device(Read, OfHousehold),
	}
	maps.Copy(all, reminderRules())
	return all
}

// open is what needs no token.
func open() Rule { return Rule{Open: true} }

// staff is what clinicians and leads may ask of their clinic.
func staff(t Trail) Rule {
	return Rule{Trail: t, Reach: map[access.Role]Reach{access.RoleClinician: OfClinic, access.RoleLead: OfClinic}}
}

// scheduler is what a program may ask that sends a clinic's reminders.
func scheduler(t Trail) Rule {
	return Rule{Trail: t, Reach: map[access.Role]Reach{access.RoleScheduler: OfClinic}}
}

// device is what a family's devices may ask.
func device(t Trail, reach Reach) Rule {
	return Rule{Trail: t, Reach: map[access.Role]Reach{access.RoleDevice: reach}}
}

func familyToo(r Rule, reach Reach) Rule {
	r.Reach[access.RoleDevice] = reach
	return r
}

func evenRevoked(r Rule) Rule {
	r.Revoked = true
	return r
}

func evenWithdrawn(r Rule) Rule {
	r.Withdrawn = true
	return r
}

func proves(r Rule) Rule {
	r.Proves = true
	return r
}

// reminderRules are those of reminders, of where they go, and of following families up.
func reminderRules() map[Operation]Rule {
	return map[Operation]Rule{
		"listOverdue":    scheduler(Read),
		"claimReminders": scheduler(Change),
		"giveGoAhead":    scheduler(Change),
		"reportReminder": scheduler(Change),

		// Who has withdrawn consent can still see and end what goes to them.
		"addReminderAddress":    device(Change, OfCaregiver),
		"listReminderAddresses": evenWithdrawn(device(Read, OfCaregiver)),
		"sendAddressCode":       device(Change, OfCaregiver),
		"verifyReminderAddress": device(Change, OfCaregiver),
		"setReminderWanted":     device(Change, OfCaregiver),
		"removeReminderAddress": evenWithdrawn(device(Change, OfCaregiver)),
		"createCalendarFeed":    device(Change, OfCaregiver),
		"listCalendarFeeds":     evenWithdrawn(device(Read, OfCaregiver)),
		"revokeCalendarFeed":    evenWithdrawn(device(Change, OfCaregiver)),
		// Whoever holds the address of a feed, or of a message's way out, proves it by that. Ending messages is on the trail; calendar
		// programs ask every few minutes, about times of day alone, and are not.
		"getCalendar": open(), "showUnsubscribe": open(), "unsubscribe": open(),

		"setReminderTime": familyToo(staff(Change), OfHousehold),
		"listFollowUps":   staff(Read),
		"recordFollowUp":  staff(Change),
	}
}

// Rights answers who may ask for what.
type Rights struct{ rules map[Operation]Rule }

// NewRights returns the table of rights.
func NewRights() *Rights { return &Rights{rules: rules()} }

// Rule returns what the table says of an operation, and whether it says anything.
func (r *Rights) Rule(op Operation) (Rule, bool) {
	rule, known := r.rules[op]
	return rule, known
}

var (
	errForbidden = fault.New(fault.Forbidden, "forbidden", "Your role does not have the right to do this.")
	errRevoked   = fault.New(fault.Forbidden, "forbidden",
		"This device has been revoked: it may hand in what it holds, and reads nothing.")
	errWithdrawn = fault.New(fault.Forbidden, "consent-withdrawn",
		"Consent has been withdrawn: what this device hands in is set aside unread, and it reads no more than whether practice is "+
			"on hold, until consent is given again.")
)

// permit returns what a caller may do by an operation: a fault of kind Forbidden where that is nothing, of kind Unauthenticated where it is
// not known who they are.
func (r *Rights) permit(p access.Principal, op Operation) (permit, error) {
	rule := r.rules[op]
	reach := rule.Reach[p.Role]
	switch {
	case p.Unproven && !rule.Proves:
		return permit{}, errTokenRefused
	case reach == Nowhere:
		return permit{}, errForbidden
	case p.UploadOnly && !rule.Revoked:
		return permit{}, errRevoked
	case p.Withdrawn && !rule.Withdrawn:
		return permit{}, errWithdrawn
	}
	return permit{Principal: p, reach: reach}, nil
}

// permit is a caller, and whose things they may ask about. Everything that a use case reads for somebody is read through it.
type permit struct {
	access.Principal
	reach Reach
}

// owner is whom a thing belongs to.
type owner struct{ clinic, household, caregiver uuid.UUID }

// owns returns ErrNotThere unless a thing of this owner lies within reach.
func (p permit) owns(o owner) error {
	mine := false
	switch p.reach {
	case Nowhere:
	case OfClinic:
		mine = o.clinic != uuid.Nil && o.clinic == p.ClinicID
	case OfHousehold:
		mine = o.household != uuid.Nil && o.household == p.HouseholdID
	case OfCaregiver:
		mine = o.caregiver != uuid.Nil && o.caregiver == p.CaregiverID && o.household == p.HouseholdID
	}
	if !mine {
		return ErrNotThere
	}
	return nil
}

func (p permit) learner(ctx context.Context, view View, id uuid.UUID) (Learner, error) {
	learner, err := view.Learner(ctx, id)
	if err == nil {
		err = p.reaches(&learner)
	}
	if err != nil {
		return Learner{}, notThere(err)
	}
	return learner, nil
}

// reaches returns ErrNotThere unless a learner lies within reach.
func (p permit) reaches(l *Learner) error {
	return p.owns(owner{clinic: l.Clinic, household: l.Household})
}

func (p permit) household(ctx context.Context, view View, id uuid.UUID) (Household, error) {
	household, err := view.Household(ctx, id)
	if err == nil {
		err = p.owns(owner{clinic: household.Clinic, household: household.ID})
	}
	if err != nil {
		return Household{}, notThere(err)
	}
	return household, nil
}

func (p permit) caregiver(ctx context.Context, view View, id uuid.UUID) (Person, error) {
	person, err := view.Caregiver(ctx, id)
	if err != nil {
		return Person{}, notThere(err)
	}
	household, err := view.Household(ctx, person.Household)
	if err == nil {
		err = p.owns(owner{clinic: household.Clinic, household: household.ID, caregiver: id})
	}
	if err != nil {
		return Person{}, notThere(err)
	}
	return person, nil
}

func (p permit) device(ctx context.Context, view View, id uuid.UUID) (Device, error) {
	device, err := view.Device(ctx, id)
	if err != nil {
		return Device{}, notThere(err)
	}
	household, err := view.Household(ctx, device.Household)
	if err == nil {
		err = p.owns(owner{clinic: household.Clinic, household: household.ID, caregiver: device.Caregiver})
	}
	if err != nil {
		return Device{}, notThere(err)
	}
	return device, nil
}

// plan returns a plan of the caller's clinic, or the one that is built in, which is everybody's.
func (p permit) plan(ctx context.Context, view View, id uuid.UUID) (Plan, error) {
	plan, err := view.Plan(ctx, id)
	if err == nil && plan.Clinic != uuid.Nil {
		err = p.owns(owner{clinic: plan.Clinic})
	}
	if err != nil {
		return Plan{}, notThere(err)
	}
	return plan, nil
}

// ErrNotThere is the one answer to what is not there and to what is somebody else's.
var ErrNotThere = fault.New(fault.NotFound, "not-found", "There is no such thing, or it is not yours to see.")

// notThere gives every missing thing one answer, so that absence tells nothing.
func notThere(err error) error {
	if fault.KindOf(err) == fault.NotFound {
		return ErrNotThere.Because(err)
	}
	return err
}
