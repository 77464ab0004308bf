package clinic

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// NewDevice is a device to enrol.
type NewDevice struct {
	Code      string
	Caregiver uuid.UUID // zero unless the caregiver says who they are
	Name      string    // the caregiver's
	Device    string
	Platform  string
}

// EnrolledDevice is a device that has been enrolled, and its tokens.
type EnrolledDevice struct {
	Device Device
	Tokens Tokens
}

// EnrolDevice redeems an invite, by either form of its code, which records consent to the text shown. A fault of kind RateLimited
// says how long to wait after too many short codes that were wrong.
func (s *Service) EnrolDevice(ctx context.Context, n NewDevice, now time.Time) (EnrolledDevice, error) {
	var r refusal
	r.name("/caregiver/name", n.Name)
	r.name("/device/name", n.Device)
	r.name("/device/platform", n.Platform)
	if err := r.err(); err != nil {
		return EnrolledDevice{}, err
	}
	find, end, err := s.seek(ctx, n.Code, now)
	if err != nil {
		return EnrolledDevice{}, err
	}
	var e EnrolledDevice
	var spent Invite
	err = s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
		invite, err := find(ctx, tx)
		if fault.KindOf(err) == fault.NotFound {
			return errInviteRefused
		}
		if err != nil {
			return err
		}
		if !invite.Used.IsZero() || !now.Before(invite.Expires) {
			spent = invite
			return errInviteRefused
		}
		if err := tx.SpendInvite(ctx, invite.CodeHash, now); err != nil {
			return err
		}
		e, err = s.enrol(ctx, tx, note, invite, n, now)
		return err
	})
	end(err)
	if spent.Household != uuid.Nil {
		err = errors.Join(err, s.tellOfSpent(ctx, spent, now))
	}
	return e, err
}

func (s *Service) enrol(ctx context.Context, tx Tx, note note, invite Invite, n NewDevice, now time.Time) (EnrolledDevice, error) {
	var r refusal
	r.unless(n.Caregiver == uuid.Nil || n.Caregiver == invite.Caregiver, "/caregiver/id",
		"Leave this out: the invite was not issued for that caregiver.")
	if err := r.err(); err != nil {
		return EnrolledDevice{}, err
	}
	d := Device{
		ID: s.NewID(), Household: invite.Household, Name: n.Device, Platform: n.Platform, Enrolled: now,
	}
	person, err := s.consenting(ctx, tx, invite, n, now)
	if err != nil {
		return EnrolledDevice{}, err
	}
	d.Caregiver = person.ID
	if err := tx.AddDevice(ctx, d); err != nil {
		return EnrolledDevice{}, err
	}
	note(DeviceEnrolled{Device: d, Caregiver: person, Invite: invite.CodeHash})
	p, err := devicePrincipal(ctx, tx, d)
	if err != nil {
		return EnrolledDevice{}, err
	}
	row := rowOf(ctx, p, "enrolDevice", now)
	row.Thing, row.Note = person.ID, person.ConsentVersion
	if err := enterDone(ctx, tx, row); err != nil {
		return EnrolledDevice{}, err
	}
	first := RefreshToken{Family: s.NewID(), Device: d.ID, Began: now}
	tokens, err := s.newTokens(ctx, tx, note, handout{holder: p, token: first}, now)
	if err != nil {
		return EnrolledDevice{}, err
	}
	return EnrolledDevice{Device: d, Tokens: tokens}, s.refold(ctx, tx, invite.Household, now)
}

// OwnDevices returns the devices of the caregiver whose device asks, by when they came in, revoked ones too.
func (s *Service) OwnDevices(ctx context.Context, p access.Principal, now time.Time) ([]Device, error) {
	return looks(ctx, s, p, "listOwnDevices", now, func(ctx context.Context, view View, a *ask) ([]Device, error) {
		devices, err := view.Devices(ctx, a.HouseholdID)
		mine := slices.DeleteFunc(devices, func(d Device) bool {
			return a.owns(owner{clinic: a.ClinicID, household: d.Household, caregiver: d.Caregiver}) != nil
		})
		slices.SortFunc(mine, func(a, b Device) int { return cmp.Or(a.Enrolled.Compare(b.Enrolled), bytes.Compare(a.ID[:], b.ID[:])) })
		return mine, err
	})
}

// RevokeDevice ends what a device may read: from now on it may only hand in what it still holds, and that is set aside for
// review. A device that was revoked before stays revoked since then.
func (s *Service) RevokeDevice(ctx context.Context, p access.Principal, id uuid.UUID, now time.Time) error {
	err := s.changes(ctx, p, "revokeDevice", now, func(ctx context.Context, tx Tx, a *ask, note note) error {
		device, err := a.device(ctx, tx, id)
		if err != nil {
			return err
		}
		if !device.Revoked.IsZero() {
			return nil
		}
		note(DeviceRevoked{Device: id})
		if err := tx.RevokeDevice(ctx, id, now); err != nil {
			return err
		}
		return s.refold(ctx, tx, device.Household, now) // it is waited for no longer
	})
	if err == nil {
		s.listeners.Bar(id)
	}
	return err
}
