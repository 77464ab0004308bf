package main

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// tokenDoc is a program's token as an operator sees it; the token itself was shown when it was issued, and never again.
type tokenDoc struct {
	ID        uuid.UUID   `json:"id"`
	Role      access.Role `json:"role"`
	IssuedAt  time.Time   `json:"issued_at"`
	ExpiresAt time.Time   `json:"expires_at"`
	RevokedAt time.Time   `json:"revoked_at,omitzero"`
}

func tokenDocOf(t clinic.ServiceToken) tokenDoc {
	return tokenDoc{
		ID: t.ID, Role: access.Role(t.Role), IssuedAt: t.Issued.UTC(), ExpiresAt: t.Expires.UTC(), RevokedAt: t.Revoked.UTC(),
	}
}

func listTokens(ctx context.Context, c *call) error {
	set, db := c.flags()
	clinicID := clinicFlag(set)
	if err := c.parse(set); err != nil {
		return err
	}
	id, err := clinicID()
	if err != nil {
		return err
	}
	return c.withHouse(ctx, *db, func(h *house, _ time.Time) error {
		tokens, err := h.service.ServiceTokens(ctx, id)
		if err != nil {
			return plainly(err)
		}
		docs := make([]tokenDoc, 0, len(tokens))
		for _, t := range tokens {
			docs = append(docs, tokenDocOf(t))
		}
		return c.print(map[string][]tokenDoc{"tokens": docs})
	})
}

func revokeToken(ctx context.Context, c *call) error {
	set, db := c.flags()
	tokenID := set.String("id", "", "the token's id, as token list prints it")
	if err := c.parse(set); err != nil {
		return err
	}
	id, err := uuid.Parse(*tokenID)
	if err != nil {
		return errors.New("--id wants the id of a token, as token list prints it")
	}
	return c.withHouse(ctx, *db, func(h *house, now time.Time) error {
		revoked, err := h.service.RevokeServiceToken(ctx, id, now)
		if err != nil {
			return plainly(err)
		}
		return c.print(tokenDocOf(revoked))
	})
}
