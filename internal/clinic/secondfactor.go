package clinic

import (
	"context"
	"time"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// secondFactor checks a member's one-time code where the clinic asks for one or the member has set one up.
func (s *Service) secondFactor(ctx context.Context, tx Tx, note note, m Member, c Clinic, otp string, now time.Time) error {
	if m.TOTPSince.IsZero() {
		if asksSecondFactor(c, m) {
			return errNeedsSecond
		}
		return nil
	}
	if otp == "" {
		return errNeedsSecond
	}
	if code, ok := access.NormalRecovery(otp); ok {
		return s.useRecoveryCode(ctx, tx, note, m, code)
	}
	_, err := useCode(ctx, tx, m, otp, m.TOTPSince, now)
	return err
}

// useCode accepts a one-time code once, and returns its step. A member without a secret has none: the codes of an empty secret
// are everybody's.
func useCode(ctx context.Context, tx Tx, m Member, otp string, since, now time.Time) (step int64, err error) {
	if m.TOTPSecret == "" {
		return 0, errWrongCredentials
	}
	step, fits, err := access.CheckTOTP(m.TOTPSecret, otp, now)
	if err != nil || !fits || step <= m.TOTPLastStep {
		return 0, errWrongCredentials.Because(err)
	}
	return step, tx.SetSecondFactor(ctx, m.ID, m.TOTPSecret, since, step)
}

// useRecoveryCode accepts a recovery code once.
func (s *Service) useRecoveryCode(ctx context.Context, tx Tx, note note, m Member, normal string) error {
	hash := s.Keys.HashRecovery(m.ID, normal)
	err := tx.SpendRecoveryCode(ctx, m.ID, hash)
	if fault.KindOf(err) == fault.NotFound {
		return errWrongCredentials
	}
	note(RecoveryCodeUsed{Member: m.ID, Hash: hash})
	return err
}

// codesLeft returns how many recovery codes are left to a member with a second factor, nil for others.
func codesLeft(ctx context.Context, view View, m Member) (*int, error) {
	if m.TOTPSince.IsZero() {
		return nil, nil
	}
	codes, err := view.RecoveryCodes(ctx, m.ID)
	left := len(codes)
	return &left, err
}

// newRecoveryCodes gives a member a new set of recovery codes, in the place of the old.
func (s *Service) newRecoveryCodes(ctx context.Context, tx Tx, note note, m Member) ([]string, error) {
	codes, hashes := make([]string, access.RecoveryCodes), make([][]byte, access.RecoveryCodes)
	for i := range codes {
		var err error
		if codes[i], err = access.NewRecoveryCode(s.Random); err != nil {
			return nil, err
		}
		normal, _ := access.NormalRecovery(codes[i])
		hashes[i] = s.Keys.HashRecovery(m.ID, normal)
	}
	note(RecoveryCodesMade{Member: m.ID, Hashes: hashes})
	return codes, tx.SetRecoveryCodes(ctx, m.ID, hashes)
}

// SecondFactor is a second factor being set up: the secret to keep, until a code confirms it, and then the codes for the day on
// which the authenticator is lost. They are shown once and not kept.
type SecondFactor struct {
	Secret    string
	URI       string
	Confirmed bool
	Codes     []string
}

// isSecondSet reports whether an error says that there is a second factor already.
func isSecondSet(err error) bool { return fault.ProblemOf(err) == errSecondSet.Problem }

var errSecondSet = fault.New(fault.Conflict, "second-factor-set", "A second factor is set up already.")

// SetUpSecondFactor makes a new secret for a clinician who has none confirmed, or confirms it with a code. One that is
// confirmed can't be replaced this way, so a password alone never does away with it. Failures are counted as at sign-in.
func (s *Service) SetUpSecondFactor(ctx context.Context, c Credentials, now time.Time) (SecondFactor, error) {
	var f SecondFactor
	asked := try{op: "setUpSecondFactor", email: c.Email, device: c.Device}
	err := s.recognised(ctx, asked, c.Password, now, func(verified Member) error {
		return s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
			m, _, err := stillSo(ctx, tx, verified)
			if err != nil {
				return err
			}
			if !m.TOTPSince.IsZero() {
				return errSecondSet
			}
			row := rowOf(ctx, principalOf(m), "setUpSecondFactor", now)
			if c.OTP != "" {
				row.Note = "confirmed"
			}
			if err := enterDone(ctx, tx, row); err != nil {
				return err
			}
			if c.OTP != "" {
				f, err = s.confirm(ctx, tx, note, m, c.OTP, now)
				return err
			}
			totp, err := access.NewTOTP(m.Email, s.Random)
			if err != nil {
				return err
			}
			f = SecondFactor{Secret: totp.Secret, URI: totp.URI}
			return tx.SetSecondFactor(ctx, m.ID, totp.Secret, time.Time{}, 0)
		})
	})
	return f, err
}

// confirm takes a second factor into use.
func (s *Service) confirm(ctx context.Context, tx Tx, note note, m Member, otp string, now time.Time) (SecondFactor, error) {
	step, err := useCode(ctx, tx, m, otp, now, now)
	if err != nil {
		return SecondFactor{}, err
	}
	note(SecondFactorSet{Member: m.ID, Secret: m.TOTPSecret, Since: now, LastStep: step})
	codes, err := s.newRecoveryCodes(ctx, tx, note, m)
	return SecondFactor{Confirmed: true, Codes: codes}, err
}

// MakeRecoveryCodes gives a clinician who is signed in a new set of recovery codes; the old are void. It asks for the password
// and a code again, and fails as sign-in does. A fault of kind Conflict, "no-second-factor", answers who has none.
func (s *Service) MakeRecoveryCodes(ctx context.Context, p access.Principal, password, otp string, now time.Time) ([]string, error) {
	var codes []string
	err := s.proven(ctx, p, "makeRecoveryCodes", reproof{password: password, otp: otp}, now, func(ctx context.Context, tx Tx, note note, m Member) error {
		if m.TOTPSince.IsZero() {
			return fault.New(fault.Conflict, "no-second-factor", "Set up a second factor first.")
		}
		var err error
		codes, err = s.newRecoveryCodes(ctx, tx, note, m)
		return err
	})
	return codes, err
}

// reproof is what a clinician who is signed in gives again.
type reproof struct {
	password, otp string
	then          func(m Member) error // what is done in between, outside the transaction; nil: nothing
}

// proven runs fn for a clinician who is signed in and gives their password again, and a code where they have a second factor.
func (s *Service) proven(
	ctx context.Context, p access.Principal, op Operation, proof reproof, now time.Time,
	fn func(ctx context.Context, tx Tx, note note, m Member) error,
) error {
	var member Member
	err := s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		member, err = view.Member(ctx, p.ClinicianID)
		return notThere(err)
	})
	if err != nil {
		return err
	}
	asked := try{op: op, email: member.Email, session: p.Session}
	return s.recognised(ctx, asked, proof.password, now, func(verified Member) error {
		if proof.then != nil {
			if err := proof.then(member); err != nil {
				return err
			}
		}
		return s.changes(ctx, p, op, now, func(ctx context.Context, tx Tx, _ *ask, note note) error {
			m, c, err := stillSo(ctx, tx, verified)
			if err != nil {
				return err
			}
			if err := s.secondFactor(ctx, tx, note, m, c, proof.otp, now); err != nil {
				return err
			}
			return fn(ctx, tx, note, m)
		})
	})
}
