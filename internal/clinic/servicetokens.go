package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/fault"
)

// ServiceTokens returns the tokens that were issued to a clinic's programs, by id and so in the order in which they were
// issued, revoked and expired ones too; NotFound where there is no such clinic. The tokens themselves are kept nowhere.
func (s *Service) ServiceTokens(ctx context.Context, clinic uuid.UUID) ([]ServiceToken, error) {
	var tokens []ServiceToken
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		tokens, err = view.ServiceTokens(ctx, clinic)
		return notThere(err)
	})
	return tokens, err
}

// RevokeServiceToken makes a program's token good for nothing, from the next request on, and returns it. One that was revoked
// before stays revoked since then. NotFound where there is no such token.
func (s *Service) RevokeServiceToken(ctx context.Context, id uuid.UUID, now time.Time) (ServiceToken, error) {
	var token ServiceToken
	err := s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
		var err error
		token, err = tx.ServiceToken(ctx, id)
		if err != nil || !token.Revoked.IsZero() {
			return notThere(err)
		}
		token.Revoked = now.UTC().Truncate(time.Millisecond)
		note(ServiceTokenRevoked{Token: id})
		row := operatorRow(ctx, token.Clinic, "token revoke", now)
		row.Thing, row.Note = id, token.Role
		if err := enter(ctx, tx, &row); err != nil {
			return err
		}
		return tx.RevokeServiceToken(ctx, id, token.Revoked)
	})
	return token, err
}

// revokedService revokes a program's token that a restored store holds as good. One that it does not hold is refused anyway.
func (r *replay) revokedService(ctx context.Context, e ServiceTokenRevoked, at time.Time) error {
	token, err := r.tx.ServiceToken(ctx, e.Token)
	if fault.KindOf(err) == fault.NotFound || (err == nil && !token.Revoked.IsZero()) {
		return nil
	}
	if err != nil {
		return err
	}
	r.done.ServiceTokens++
	return r.tx.RevokeServiceToken(ctx, e.Token, at)
}
