package clinic

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// Tokens are an access token and the refresh token that gets the next.
type Tokens struct {
	Access    string
	ExpiresIn time.Duration
	Refresh   string
	Session   uuid.UUID // the family that they belong to
}

// Credentials are what a clinician signs in with.
type Credentials struct {
	Email    string
	Password string
	OTP      string // empty where none was given
	Device   string // what the browser has kept of an earlier sign-in; empty for nothing
}

var (
	errWrongCredentials = fault.New(fault.Unauthenticated, "sign-in-failed", "The e-mail address, the password or the one-time code is wrong.")
	errNeedsSecond      = fault.New(fault.Unauthenticated, "second-factor-required",
		"This clinic asks for a second factor: set one up, or give its one-time code as otp.")
)

// isNeedsSecond reports whether an error says that a right password is not enough.
func isNeedsSecond(err error) bool { return fault.ProblemOf(err) == errNeedsSecond.Problem }

// SignedIn is what a clinician gets who signs in.
type SignedIn struct {
	Tokens
	// CodesLeft is how many recovery codes are left to whoever has a second factor, nil for others.
	CodesLeft *int
	// Device is for the browser to keep and to bring along the next time, so that it is known then.
	Device string
}

// SignIn lets a clinician in. A fault of kind RateLimited says how long to wait after too many failures: see attempts.
func (s *Service) SignIn(ctx context.Context, c Credentials, now time.Time) (SignedIn, error) {
	var in SignedIn
	err := s.recognised(ctx, try{op: "signIn", email: c.Email, device: c.Device}, c.Password, now, func(verified Member) error {
		return s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
			member, clinic, err := stillSo(ctx, tx, verified)
			if err != nil {
				return err
			}
			if err := s.secondFactor(ctx, tx, note, member, clinic, c.OTP, now); err != nil {
				return err
			}
			if err := s.remember(ctx, tx, member, now); err != nil {
				return err
			}
			if in.CodesLeft, err = codesLeft(ctx, tx, member); err != nil {
				return err
			}
			p := principalOf(member)
			if err := enterDone(ctx, tx, rowOf(ctx, p, "signIn", now)); err != nil {
				return err
			}
			if in.Device, err = s.knownDevice(member, c.Device, now); err != nil {
				return err
			}
			first := RefreshToken{Family: s.NewID(), Member: member.ID, Began: now}
			in.Tokens, err = s.newTokens(ctx, tx, note, handout{holder: p, token: first}, now)
			return err
		})
	})
	return in, err
}

// recognised runs fn for whoever gives an e-mail address and its password, as one try. It takes as long for an address that
// nobody has. A clinician who is disabled is told what a stranger is.
func (s *Service) recognised(ctx context.Context, t try, password string, now time.Time, fn func(verified Member) error) error {
	return s.trying(ctx, t, now, func(member Member, known bool) error {
		fits, err := s.passwordFits(ctx, known, password, member.PasswordHash)
		if err != nil {
			return err
		}
		if !fits || member.ID == uuid.Nil || !member.Disabled.IsZero() {
			return errWrongCredentials
		}
		return fn(member)
	})
}

// stillSo returns a member whose password was found right, and their clinic, as they are now that nobody else writes. Checking a
// password takes time, in which it may have been changed or its owner shut out.
func stillSo(ctx context.Context, view View, verified Member) (Member, Clinic, error) {
	member, err := view.Member(ctx, verified.ID)
	if err != nil {
		return Member{}, Clinic{}, err
	}
	if member.PasswordHash != verified.PasswordHash || !member.Disabled.IsZero() {
		return Member{}, Clinic{}, errWrongCredentials
	}
	clinic, err := view.Clinic(ctx, member.Clinic)
	return member, clinic, err
}

func normalEmail(email string) string { return strings.ToLower(strings.TrimSpace(email)) }

// asksSecondFactor reports whether a clinic asks a member for a second factor.
func asksSecondFactor(c Clinic, m Member) bool {
	return c.SecondFactor == "all" || (c.SecondFactor == "lead" && m.Role == string(access.RoleLead))
}

// handout is a pair of tokens to be handed out.
type handout struct {
	holder   access.Principal
	token    RefreshToken // its family, whose it is and when the family began
	replaces []byte       // the hash of the token that is exchanged for it, if any
}

// newTokens hands out a pair in a token family.
func (s *Service) newTokens(ctx context.Context, tx Tx, note note, h handout, now time.Time) (Tokens, error) {
	refresh, err := access.NewRefreshToken(s.Random)
	if err != nil {
		return Tokens{}, err
	}
	t := h.token
	h.holder.Session = t.Family
	ttl := access.TokenTTL(h.holder.Role, t.Began, now)
	if ttl < time.Second {
		return Tokens{}, errRefreshRefused // the session is over
	}
	t.Hash, t.Issued, t.Expires = s.Keys.HashRefresh(refresh), now, access.RefreshExpiry(h.holder.Role, t.Began, now)
	if err := tx.AddRefreshToken(ctx, t); err != nil {
		return Tokens{}, err
	}
	note(TokenIssued{Token: t, Replaces: h.replaces})
	token, err := s.Keys.Issue(h.holder, ttl, now, s.NewID().String())
	if err != nil {
		return Tokens{}, err
	}
	return Tokens{Access: token, ExpiresIn: ttl, Refresh: refresh, Session: t.Family}, nil
}

var errRefreshRefused = fault.New(fault.Unauthenticated, "refresh-refused", "This refresh token can't be used: sign in or enrol the device again.")

// Refresh exchanges a refresh token for a new pair. A token works once; one that was spent within the last minute, whose
// successor nobody has used, works again, since its answer may have been lost. Anything else ends the family.
func (s *Service) Refresh(ctx context.Context, refresh string, now time.Time) (Tokens, error) {
	var tokens Tokens
	var reused RefreshToken
	refused := false
	err := s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
		t, err := tx.RefreshTokenByHash(ctx, s.Keys.HashRefresh(refresh))
		if fault.KindOf(err) == fault.NotFound {
			return errRefreshRefused
		}
		if err != nil {
			return err
		}
		state := access.RefreshState{ExpiresAt: t.Expires, SpentAt: t.Spent, Superseded: t.Superseded, Ended: t.Ended}
		switch access.JudgeRefresh(state, now) {
		case access.EndFamily:
			if t.Ended {
				return errRefreshRefused
			}
			refused = true // outside, since a refusal here would undo the ending
			reused = t
			note(FamilyEnded{Family: t.Family})
			row, err := rowOfToken(ctx, tx, t, "refreshTokens", now)
			if err != nil {
				return err
			}
			row.Outcome, row.Note = errRefreshRefused.Problem, "session ended: the token had been replaced"
			if err := enter(ctx, tx, &row); err != nil {
				return err
			}
			return tx.EndTokenFamily(ctx, t.Family)
		case access.Expired:
			return errRefreshRefused
		case access.Accept:
			if err := tx.SpendRefreshToken(ctx, t.Hash, now); err != nil {
				return err
			}
		case access.RetryWithinGrace:
		}
		p, err := holderOf(ctx, tx, t)
		if err != nil {
			return err
		}
		next := RefreshToken{Family: t.Family, Member: t.Member, Device: t.Device, Began: t.Began}
		tokens, err = s.newTokens(ctx, tx, note, handout{holder: p, token: next, replaces: t.Hash}, now)
		return err
	})
	if err == nil && refused {
		s.Log.WarnContext(ctx, "a refresh token was presented that had been replaced: its session is ended, since two hold it",
			"session", reused.Family, "member", reused.Member, "device", reused.Device)
		s.listeners.Bar(reused.Device)
		err = errRefreshRefused
	}
	return tokens, err
}

// holderOf returns the caller that a refresh token stands for, as they are now.
func holderOf(ctx context.Context, view View, t RefreshToken) (access.Principal, error) {
	if t.Device != uuid.Nil {
		device, err := view.Device(ctx, t.Device)
		if err != nil {
			return access.Principal{}, err
		}
		return devicePrincipal(ctx, view, device)
	}
	member, err := view.Member(ctx, t.Member)
	if err == nil && !member.Disabled.IsZero() {
		err = errRefreshRefused
	}
	if err != nil {
		return access.Principal{}, err
	}
	return principalOf(member), nil
}

func devicePrincipal(ctx context.Context, view View, d Device) (access.Principal, error) {
	household, err := view.Household(ctx, d.Household)
	if err != nil {
		return access.Principal{}, err
	}
	return access.Principal{
		Role: access.RoleDevice, ClinicID: household.Clinic, HouseholdID: d.Household, CaregiverID: d.Caregiver,
		DeviceID: d.ID, UploadOnly: !d.Revoked.IsZero(),
	}, nil
}

var errTokenRefused = fault.New(fault.Unauthenticated, "token-invalid", "This token can't be used.")

// Authenticate returns the caller of an access token who asks for an operation, as they are now: a device that has been revoked since may
// only hand in what it holds, a service token must not have been revoked, and the session of anybody else must not have ended. Where the
// operation itself finds out how things stand for a device (see Rule.Proves), a device is returned as unproven, and nothing has been
// looked up. A token from before tokens named their session is refused; such a token lasted 15 minutes.
func (s *Service) Authenticate(ctx context.Context, token string, op Operation, now time.Time) (access.Principal, error) {
	p, err := s.Keys.Verify(token, now)
	if err != nil {
		return p, err
	}
	if p.Role == access.RoleDevice && s.rights.rules[op].Proves {
		p.Unproven = true
		return p, nil
	}
	return s.AsNow(ctx, p)
}

// Refusal returns what a caller is to hear of an operation that ended with an error: where nobody has looked yet whether their session
// goes on, and it doesn't, that alone. Trouble of the server's own tells nobody anything, and stays what it is.
func (s *Service) Refusal(ctx context.Context, p access.Principal, err error) error {
	if kind := fault.KindOf(err); err == nil || !p.Unproven || kind == fault.Internal || kind == fault.Unauthenticated {
		return err
	}
	if _, refused := s.AsNow(ctx, p); refused != nil {
		return refused
	}
	return err
}

// AsNow returns a caller as they are now, of whom a token says what they were when it was issued. Whose session has ended, by
// signing out, a change of password or the reuse of a refresh token, is nobody any more, nor is a clinician who was disabled. The
// fault is of kind Unauthenticated.
func (s *Service) AsNow(ctx context.Context, p access.Principal) (access.Principal, error) {
	if p.Role == access.RoleScheduler {
		return p, s.goodServiceToken(ctx, p.TokenID)
	}
	family, err := s.Store.TokenFamily(ctx, p.Session)
	if fault.KindOf(err) == fault.NotFound { // an older backup, which knows nothing of it, has been restored
		return p, errTokenRefused
	}
	if err == nil && !family.GoodFor(p.ClinicianID, p.DeviceID) {
		return p, errTokenRefused
	}
	p.Unproven = false
	p.UploadOnly = p.UploadOnly || !family.Revoked.IsZero()
	p.Withdrawn = !family.Withdrawn.IsZero()
	return p, err
}

func (s *Service) goodServiceToken(ctx context.Context, tokenID string) error {
	id, err := uuid.Parse(tokenID)
	if err != nil {
		return errTokenRefused.Because(err)
	}
	t, err := s.Store.ServiceToken(ctx, id)
	if fault.KindOf(err) == fault.NotFound || (err == nil && !t.Revoked.IsZero()) {
		return errTokenRefused
	}
	return err
}
