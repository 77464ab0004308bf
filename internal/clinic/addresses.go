package clinic

import (
	"context"
	"fmt"
	"net/mail"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

// EMail is the one channel there is by now.
const EMail = "email"

const (
	// maxAddresses is how many addresses a caregiver may have, and how many calendar feeds.
	maxAddresses = 5
	// codeTime is for how long a code that verifies an address can be typed, and wrongCodes how many wrong ones may be.
	codeTime   = 24 * time.Hour
	wrongCodes = 10
)

// newMessages bounds the codes that a caregiver has sent, and those that are sent to an address, since anybody's can be given.
func newMessages() *access.Throttle {
	return access.NewThrottle(access.ThrottleLimits{
		Free: 5, First: 10 * time.Minute, Growth: 2, Ceiling: 6 * time.Hour, Remember: 24 * time.Hour, Keys: keysKept,
	})
}

// QuietInput is when nothing is to come, as sent.
type QuietInput struct{ From, Until, Timezone string }

// WantedInput is Wanted as sent.
type WantedInput struct {
	Kinds    []string // nil for all
	Weekdays []int    // nil for all
	Quiet    *QuietInput
}

// NewAddress is an address to add.
type NewAddress struct {
	Channel, To string
	Wanted      WantedInput
}

// The faults of addresses.
var (
	errNoPublicURL = fault.New(fault.Conflict, "not-reachable",
		"This service has not been told its own public address, so it sends no reminders and serves no calendars: its operator can set --public-url.")
	errTooManyAddresses = fault.New(fault.Conflict, "too-many-addresses",
		fmt.Sprintf("You have %d of them, which is as many as there can be: remove one first.", maxAddresses))
	errAddressTaken = fault.New(fault.Conflict, "address-taken", "You have added this address already.")
	errManyCodes    = fault.New(fault.RateLimited, "too-many-messages", "Too many codes were sent: wait before asking for the next.")
	errVerified     = fault.New(fault.Conflict, "address-verified", "This address has been verified already.")
	errCodeRefused  = fault.New(fault.Invalid, "code-refused",
		"This is not the code that was sent last to this address. It has 8 letters and digits, and no I, L, O or U.").
		At("/code", "Type the code of the newest message.")
	errCodeSpent = fault.New(fault.Conflict, "code-spent",
		"The code can't be used any more: it is older than a day, or too many wrong ones were typed. Have a new one sent.")
)

func (in WantedInput) check(r *refusal) Wanted {
	w := Wanted{Kinds: in.Kinds, Weekdays: in.Weekdays}
	kinds := []string{string(reminder.Tonight), string(reminder.Missed)}
	if in.Kinds == nil {
		w.Kinds = kinds
	}
	for i, kind := range w.Kinds {
		fine := slices.Contains(kinds, kind) && !slices.Contains(w.Kinds[:i], kind)
		r.unless(fine, fmt.Sprintf("/kinds/%d", i), "Give tonight and missed, each at most once.")
	}
	if in.Weekdays == nil {
		w.Weekdays = []int{1, 2, 3, 4, 5, 6, 7}
	}
	for i, day := range w.Weekdays {
		fine := 1 <= day && day <= 7 && !slices.Contains(w.Weekdays[:i], day)
		r.unless(fine, fmt.Sprintf("/weekdays/%d", i), "Give days from 1 for Monday to 7 for Sunday, each at most once.")
	}
	if in.Quiet == nil {
		return w
	}
	var errFrom, errUntil, errZone error
	w.QuietFrom, errFrom = practice.ParseTimeOfDay(in.Quiet.From)
	w.QuietUntil, errUntil = practice.ParseTimeOfDay(in.Quiet.Until)
	_, errZone = practice.LoadZone(in.Quiet.Timezone)
	r.unless(errFrom == nil, "/quiet_hours/from", "Give a time of day as HH:MM, from 00:00 to 23:59.")
	r.unless(errUntil == nil, "/quiet_hours/until", "Give a time of day as HH:MM, from 00:00 to 23:59.")
	r.unless(errZone == nil && len(in.Quiet.Timezone) <= maxZone, "/quiet_hours/timezone", "Give the IANA name of a time zone, such as Europe/Paris.")
	w.Timezone = in.Quiet.Timezone
	return w
}

func (n NewAddress) check() (Address, error) {
	var r refusal
	a := Address{Channel: n.Channel, To: normalEmail(n.To), Wanted: n.Wanted.check(&r)}
	r.unless(n.Channel == EMail, "/channel", "Give email, which is the only channel there is.")
	parsed, err := mail.ParseAddress(a.To)
	unusual := func(r rune) bool { return r <= ' ' || r > '~' || r == '"' || r == '[' }
	fine := err == nil && parsed.Address == a.To && len(a.To) <= maxEmail && !strings.ContainsFunc(a.To, unusual)
	r.unless(fine, "/to", "Give an e-mail address, in letters that every mail server takes.")
	return a, r.err()
}

// AddReminderAddress adds an address of the caregiver whose device asks, and has a code sent there: nothing else goes there until
// the code has been typed.
func (s *Service) AddReminderAddress(ctx context.Context, p access.Principal, n NewAddress, now time.Time) (Address, error) {
	added, err := n.check()
	if err != nil {
		return Address{}, err
	}
	err = s.changes(ctx, p, "addReminderAddress", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		if s.PublicURL == "" {
			return errNoPublicURL
		}
		known, err := tx.Addresses(ctx, a.CaregiverID)
		if err != nil {
			return err
		}
		same := func(k Address) bool { return k.Channel == added.Channel && k.To == added.To }
		switch {
		case slices.ContainsFunc(known, same):
			return errAddressTaken
		case len(known) >= maxAddresses:
			return errTooManyAddresses
		}
		added.ID, added.Household, added.Caregiver, added.Created = s.NewID(), a.HouseholdID, a.CaregiverID, now
		a.row.Thing = added.ID
		if err := tx.AddAddress(ctx, added); err != nil {
			return err
		}
		added, err = s.sendCode(ctx, tx, a, added, now)
		return err
	})
	return added, err
}

// sendCode has a code sent to an address. One sent before is good no more.
func (s *Service) sendCode(ctx context.Context, tx Tx, a *ask, address Address, now time.Time) (Address, error) {
	for _, of := range []string{a.CaregiverID.String(), address.To} { // who asks, and whoever gets them
		if wait := s.messages.Take(of, now); wait > 0 {
			return address, errManyCodes.After(wait)
		}
	}
	if old := address.Code.ID; old != uuid.Nil {
		d, err := tx.Delivery(ctx, old)
		if err != nil {
			return address, err
		}
		d.State, d.Changed = reminder.Skipped, now
		if err := tx.SaveDeliveries(ctx, []Delivery{d}); err != nil {
			return address, err
		}
	}
	d := Delivery{Clinic: a.ClinicID, Household: address.Household, Address: address.ID}
	d.ID, d.Kind, d.Due, d.Lapses = s.NewID(), reminder.Verification, now, now.Add(codeTime)
	address.Code = AddressCode{ID: d.ID, Asked: now}
	if err := tx.SetAddress(ctx, address); err != nil {
		return address, err
	}
	return address, tx.SaveDeliveries(ctx, []Delivery{d})
}

// codeFor returns where the code that verifies an address is to go.
func (s *Service) codeFor(a Address) Destination {
	return Destination{
		ID: a.ID, Channel: a.Channel, To: a.To, Key: keyOfMessage(a.Code.ID, a.ID),
		Message: reminder.CodeMessage(s.Keys.AddressCode(a.Code.ID)), Unsubscribe: s.unsubscribeLink(a.ID),
	}
}

// ReminderAddresses returns the addresses of the caregiver whose device asks, the oldest first.
func (s *Service) ReminderAddresses(ctx context.Context, p access.Principal, now time.Time) ([]Address, error) {
	return looks(ctx, s, p, "listReminderAddresses", now, func(ctx context.Context, view View, a *ask) ([]Address, error) {
		all, err := view.Addresses(ctx, a.CaregiverID)
		slices.SortStableFunc(all, func(a, b Address) int { return a.Created.Compare(b.Created) })
		return all, err
	})
}

// changeAddress changes an address of the caregiver whose device asks.
func (s *Service) changeAddress(
	ctx context.Context, p access.Principal, op Operation, id uuid.UUID, now time.Time,
	change func(ctx context.Context, tx Tx, a *ask, address *Address) error,
) (Address, error) {
	var address Address
	err := s.changes(ctx, p, op, now, func(ctx context.Context, tx Tx, a *ask, _ note) (err error) {
		if address, err = a.address(ctx, tx, id); err != nil {
			return err
		}
		return change(ctx, tx, a, &address)
	})
	return address, err
}

// address returns an address that the caller may reach.
func (a *ask) address(ctx context.Context, view View, id uuid.UUID) (Address, error) {
	a.row.Thing = id
	address, err := view.Address(ctx, id)
	if err == nil {
		err = a.owns(owner{clinic: a.ClinicID, household: address.Household, caregiver: address.Caregiver})
	}
	if err != nil {
		return Address{}, notThere(err)
	}
	return address, nil
}

// SendAddressCode has another code sent to an address that has not been verified, or has failed since.
func (s *Service) SendAddressCode(ctx context.Context, p access.Principal, id uuid.UUID, now time.Time) (Address, error) {
	return s.changeAddress(ctx, p, "sendAddressCode", id, now, func(ctx context.Context, tx Tx, a *ask, address *Address) (err error) {
		if !address.Verified.IsZero() && address.Failing.IsZero() {
			return errVerified
		}
		*address, err = s.sendCode(ctx, tx, a, *address, now)
		return err
	})
}

// VerifyReminderAddress verifies an address by the code that was sent there, so that it is used from then on.
func (s *Service) VerifyReminderAddress(ctx context.Context, p access.Principal, id uuid.UUID, code string, now time.Time) (Address, error) {
	var refused error
	verified, err := s.changeAddress(ctx, p, "verifyReminderAddress", id, now, func(ctx context.Context, tx Tx, _ *ask, address *Address) error {
		switch {
		case !address.Verified.IsZero() && address.Failing.IsZero():
			return nil // an answer that was lost, asked for again
		case address.Code.ID == uuid.Nil, address.Code.Wrong >= wrongCodes, !now.Before(address.Code.Asked.Add(codeTime)):
			return errCodeSpent
		case s.Keys.CheckAddressCode(address.Code.ID, code):
			address.Verified, address.Failing, address.Code = now, time.Time{}, AddressCode{}
		default:
			refused = errCodeRefused // and yet it is counted
			address.Code.Wrong++
		}
		return tx.SetAddress(ctx, *address)
	})
	if err == nil {
		err = refused
	}
	return verified, err
}

// SetReminderWanted replaces what is wanted at an address, and when.
func (s *Service) SetReminderWanted(ctx context.Context, p access.Principal, id uuid.UUID, in WantedInput, now time.Time) (Address, error) {
	var r refusal
	wanted := in.check(&r)
	if err := r.err(); err != nil {
		return Address{}, err
	}
	return s.changeAddress(ctx, p, "setReminderWanted", id, now, func(ctx context.Context, tx Tx, _ *ask, address *Address) error {
		address.Wanted = wanted
		return tx.SetAddress(ctx, *address)
	})
}

// RemoveReminderAddress removes an address of the caregiver whose device asks. Nothing of it is kept.
func (s *Service) RemoveReminderAddress(ctx context.Context, p access.Principal, id uuid.UUID, now time.Time) error {
	return s.changes(ctx, p, "removeReminderAddress", now, func(ctx context.Context, tx Tx, a *ask, note note) error {
		if _, err := a.address(ctx, tx, id); err != nil {
			return err
		}
		note(AddressRemoved{Address: id})
		return tx.RemoveAddress(ctx, id)
	})
}

// unsubscribeLink returns where one POST ends the messages to an address, for as long as there is the key file.
func (s *Service) unsubscribeLink(address uuid.UUID) string {
	return s.PublicURL + "/v1/unsubscribe/" + s.Keys.Link(access.LinkUnsubscribe, address)
}

// Unsubscribe removes the address of a link that a message carried. One that has been removed is no error; what is no such link
// is ErrNotThere.
func (s *Service) Unsubscribe(ctx context.Context, link string, now time.Time) error {
	id, ours := s.Keys.OpenLink(access.LinkUnsubscribe, link)
	if !ours {
		return ErrNotThere
	}
	return s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
		address, err := tx.Address(ctx, id)
		if fault.KindOf(err) == fault.NotFound {
			return nil
		}
		if err != nil {
			return err
		}
		household, err := tx.Household(ctx, address.Household)
		if err != nil {
			return err
		}
		note(AddressRemoved{Address: id})
		if err := tx.RemoveAddress(ctx, id); err != nil {
			return err
		}
		row := rowOf(ctx, access.Principal{ClinicID: household.Clinic, HouseholdID: household.ID}, "unsubscribe", now)
		row.Thing = id
		return enterDone(ctx, tx, row)
	})
}
