package clinic

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
)

// KeyRotation is what a rotation of the signing keys did.
type KeyRotation struct {
	access.KeyRotation
	// Cut are the service tokens that stop working before they expire, since the key that signed them ends first.
	Cut []CutToken
}

// CutToken is a service token and when it stops working.
type CutToken struct {
	ServiceToken
	At time.Time
}

// takenUp is how long after a rotation every server works with the new key, with much to spare: each looks every few seconds.
const takenUp = time.Minute

// RotateKeys puts a new signing key before the others and lets the former ones verify for as long as grace, from 0 to 8784 h,
// says; where it is nil, for as long as any token may last that they have signed: people's for access.AccessTTL, those of
// programs until the last that has not been revoked expires. Rotating an already rotated key never puts its end off.
func (s *Service) RotateKeys(ctx context.Context, grace *time.Duration, now time.Time) (KeyRotation, error) {
	if grace != nil {
		var r refusal
		r.unless(0 <= *grace && *grace <= maxServiceLife, "/grace", "Give a time from 0s to 8784h.")
		if err := r.err(); err != nil {
			return KeyRotation{}, err
		}
	}
	var done KeyRotation
	rotated := false
	// In a transaction that writes, so that no token is issued under the former key beside it: see IssueServiceToken.
	err := s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		clinics, err := clinicsIn(ctx, tx)
		if err != nil {
			return err
		}
		tokens, err := goodServiceTokens(ctx, tx, clinics, now)
		if err != nil {
			return err
		}
		for _, id := range clinics {
			row := operatorRow(ctx, id, "keys rotate", now)
			if err := enter(ctx, tx, &row); err != nil {
				return err
			}
		}
		until := lastNeeded(tokens, now)
		if grace != nil {
			until = now.Add(*grace)
		}
		if done.KeyRotation, err = s.Keys.Rotate(s.Random, now, until); err != nil {
			return err
		}
		rotated = true
		done.Cut = cutTokens(done.KeyRotation, tokens, now)
		return nil
	})
	if err != nil && rotated {
		err = fmt.Errorf("the keys are rotated, but nothing of it is on the audit trail: %w", err)
	}
	return done, err
}

// lastNeeded returns when the last token ends that may have been signed by now.
func lastNeeded(tokens []ServiceToken, now time.Time) time.Time {
	last := now.Add(access.AccessTTL + takenUp)
	for _, t := range tokens {
		if t.Expires.After(last) {
			last = t.Expires
		}
	}
	return last
}

// cutTokens returns those of the tokens that a rotation, or one before it, ends too early. Those that it finds ended it does
// not tell of again.
func cutTokens(r access.KeyRotation, tokens []ServiceToken, now time.Time) []CutToken {
	var cut []CutToken
	for _, t := range tokens {
		signer, known := r.Signer(t.Issued)
		if !known || signer.Signs || signer.VerifiesUntil.Before(now.Truncate(time.Millisecond)) {
			continue
		}
		if signer.VerifiesUntil.Before(t.Expires) {
			cut = append(cut, CutToken{ServiceToken: t, At: signer.VerifiesUntil})
		}
	}
	return cut
}

// goodServiceTokens returns the service tokens of clinics that have neither expired nor been revoked.
func goodServiceTokens(ctx context.Context, view View, clinics []uuid.UUID, now time.Time) ([]ServiceToken, error) {
	var good []ServiceToken
	for _, id := range clinics {
		tokens, err := view.ServiceTokens(ctx, id)
		if err != nil {
			return nil, err
		}
		for _, t := range tokens {
			if t.Revoked.IsZero() && now.Before(t.Expires) {
				good = append(good, t)
			}
		}
	}
	return good, nil
}
