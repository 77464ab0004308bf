package clinic

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// The bounds of how long a clinic's invites can be redeemed, and how long they can be unless it says otherwise.
const (
	MinInviteWindow     = 10 * time.Minute
	MaxInviteWindow     = 30 * 24 * time.Hour
	DefaultInviteWindow = 72 * time.Hour
)

// CreatedInvite is an invite as it is handed to a family: one secret in two forms. They are shown once and not kept.
type CreatedInvite struct {
	Code    string // to be scanned, or followed as a link
	Short   string // to be typed
	Link    string // where the family's app takes the code; empty where no address is configured
	Expires time.Time
}

// QRText is what a QR code of the invite holds: the link, or the bare code where there is none.
func (i CreatedInvite) QRText() string {
	if i.Link != "" {
		return i.Link
	}
	return i.Code
}

// CreateInvite lets one device be enrolled in a household: of the caregiver named, else of somebody new.
func (s *Service) CreateInvite(ctx context.Context, p access.Principal, household, caregiver uuid.UUID, now time.Time) (CreatedInvite, error) {
	made, invite, err := s.newInvite(ctx, p.ClinicID)
	if err != nil {
		return CreatedInvite{}, err
	}
	invite.Household, invite.Caregiver = household, caregiver
	err = s.changes(ctx, p, "createInvite", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		a.row.Thing = caregiver
		if _, err := a.household(ctx, tx, household); err != nil {
			return err
		}
		if caregiver != uuid.Nil {
			caregivers, err := tx.Caregivers(ctx, household)
			if err != nil {
				return err
			}
			var r refusal
			r.unless(slices.ContainsFunc(caregivers, func(p Person) bool { return p.ID == caregiver }), "/caregiver_id", "Name a caregiver of this household.")
			if err := r.err(); err != nil {
				return err
			}
		}
		c, err := tx.Clinic(ctx, a.ClinicID)
		if err != nil {
			return err
		}
		invite.Expires = now.Add(c.InviteWindow)
		return tx.AddInvite(ctx, invite)
	})
	if err != nil {
		return CreatedInvite{}, err
	}
	made.Expires = invite.Expires
	return made, nil
}

// newInvite makes the two forms of an invite's code, and what is kept of them.
func (s *Service) newInvite(ctx context.Context, clinic uuid.UUID) (made CreatedInvite, kept Invite, err error) {
	if made.Code, err = access.NewInviteCode(s.Random); err != nil {
		return made, kept, err
	}
	if made.Short, err = access.NewShortCode(clinic, s.Random); err != nil {
		return made, kept, err
	}
	if s.InviteLink != "" {
		made.Link = s.InviteLink + "#" + made.Code // behind the #, which browsers send to no server
	}
	if kept.CodeHash, err = s.Keys.HashInvite(made.Code); err != nil {
		return made, kept, err
	}
	normal, _, _ := access.NormalShort(made.Short)
	kept.ShortHash, err = s.hashShort(ctx, true, normal)
	return made, kept, err
}

// hashShort hashes a short code, in turn with the passwords.
func (s *Service) hashShort(ctx context.Context, known bool, normal string) (hash []byte, err error) {
	err = s.hashing.inTurn(ctx, known, func() error {
		hash = s.Keys.HashShort(normal, s.PasswordCost)
		return nil
	})
	return hash, err
}

// errInviteRefused is the one answer to a wrong, a used and an expired code: a screen's worth of what to do.
var errInviteRefused = fault.New(fault.Invalid, "invite-refused",
	"This invite code can't be used. Either a letter of it is wrong, or it has been used, or it is too old: a code works once, and "+
		"for a few days only. Look at it letter by letter; it has no I, L, O or U, and 0 and 1 are digits. If it still does not "+
		"work, ask your clinic for a new one: that is quickly done. Nothing that was recorded on this device is lost; it is handed "+
		"in once a code works.").
	At("/invite_code", "Check the code as your clinic gave it to you.")

// errTooManyCodes answers who has tried too many short codes, or comes while others do.
var errTooManyCodes = fault.New(fault.RateLimited, "too-many-codes",
	"Too many codes were tried: wait before the next, or use the link or the QR code of the invite, which need no waiting.")

// codeTries slow down whoever guesses at short codes: by the network they come from, and by the letters of the clinic, over all
// networks. The first wait grows to an hour; the second never exceeds a minute, so that guesses from everywhere can't lock a
// clinic's families out, who have the link and the QR code besides.
//
// Of the second, 100 guesses are free and then one a minute: 4,420 in the three days that a code usually lasts, 43,300 in the
// thirty that it may. With a hundred codes about in one clinic they hit one with a chance of 4,420 × 100 / 2⁴⁰, one in 2.5 million,
// or one in 250,000. Each server counts for itself.
type codeTries struct{ byNetwork, byClinic *access.Throttle }

func newCodeTries() codeTries {
	return codeTries{
		byNetwork: access.NewThrottle(access.ThrottleLimits{
			Free: 10, First: time.Minute, Growth: 2, Ceiling: time.Hour, Remember: 24 * time.Hour, Keys: keysKept,
		}),
		byClinic: access.NewThrottle(access.ThrottleLimits{
			Free: 100, First: time.Minute, Growth: 1, Ceiling: time.Minute, Remember: 24 * time.Hour, Keys: keysKept,
		}),
	}
}

// codeTry is a try of a short code, counted as a failure until it is known how it ends.
type codeTry struct {
	of              *codeTries
	network, clinic string
}

func (t *codeTries) begin(ctx context.Context, clinic string, now time.Time) (*codeTry, error) {
	try := &codeTry{of: t, network: access.Network(access.OriginFrom(ctx)).String(), clinic: clinic}
	if wait := t.byNetwork.Take(try.network, now); wait > 0 {
		return nil, errTooManyCodes.After(wait)
	}
	if wait := t.byClinic.Take(clinic, now); wait > 0 {
		t.byNetwork.Return(try.network)
		return nil, errTooManyCodes.After(wait)
	}
	return try, nil
}

// end says how the try ended: whatever is not about the code counts for nothing.
func (t *codeTry) end(err error) {
	f, is := errors.AsType[*fault.Error](err)
	if is && f.Problem == errInviteRefused.Problem {
		return
	}
	t.of.byNetwork.Return(t.network)
	t.of.byClinic.Return(t.clinic)
}

// seeking finds the invite of a code, as a part of a transaction.
type seeking func(ctx context.Context, view View) (Invite, error)

// seek returns how to find the invite of a code in either form, and what is to be called with how it ended. The short form is
// hashed here, so that no transaction waits for it.
func (s *Service) seek(ctx context.Context, typed string, now time.Time) (find seeking, end func(error), err error) {
	if normal, clinic, ok := access.NormalShort(typed); ok {
		try, err := s.codes.begin(ctx, clinic, now)
		if err != nil {
			return nil, nil, err
		}
		hash, err := s.hashShort(ctx, false, normal)
		if err != nil {
			try.end(err)
			return nil, nil, err
		}
		return func(ctx context.Context, view View) (Invite, error) { return view.InviteByShort(ctx, hash) }, try.end, nil
	}
	hash, err := s.Keys.HashInvite(typed)
	if err != nil {
		return nil, nil, errInviteRefused.Because(err)
	}
	return func(ctx context.Context, view View) (Invite, error) { return view.InviteByHash(ctx, hash) }, func(error) {}, nil
}

// tellOfSpent puts on the trail that somebody offered an invite which can't be used any more.
func (s *Service) tellOfSpent(ctx context.Context, invite Invite, now time.Time) error {
	var household Household
	err := s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		household, err = view.Household(ctx, invite.Household)
		return err
	})
	if err != nil {
		return fmt.Errorf("household of an invite: %w", err)
	}
	row := rowOf(ctx, access.Principal{ClinicID: household.Clinic}, "enrolDevice", now)
	row.Outcome, row.Household, row.Thing = errInviteRefused.Problem, household.ID, invite.Caregiver
	return s.witness(ctx, row)
}
