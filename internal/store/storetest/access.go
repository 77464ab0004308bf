package storetest

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

func inviteOf(b *bundle, hash []byte) clinic.Invite {
	b.Helper()
	return read(b, func(ctx context.Context, v clinic.View) (clinic.Invite, error) { return v.InviteByHash(ctx, hash) })
}

func invites(b *bundle) {
	w := newWorld(b, 1)
	known := clinic.Invite{CodeHash: []byte{0, 1, 2}, ShortHash: []byte{7, 7}, Household: w.household, Caregiver: w.caregiver, Expires: minutes(60)}
	open := clinic.Invite{CodeHash: []byte{0, 1, 3}, Household: w.household, Expires: minutes(61)}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if err := tx.AddInvite(ctx, known); err != nil {
			return err
		}
		return tx.AddInvite(ctx, open)
	})
	assert.Equal(b, known, inviteOf(b, known.CodeHash))
	assert.Equal(b, open, inviteOf(b, open.CodeHash))
	byShort := func(ctx context.Context, v clinic.View) (clinic.Invite, error) {
		return v.InviteByShort(ctx, known.ShortHash)
	}
	assert.Equal(b, known, read(b, byShort))
	for _, hash := range [][]byte{nil, {}, known.CodeHash, {7}} {
		b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
			_, err := tx.InviteByShort(ctx, hash)
			return err
		})
	}
	b.assertFails(fault.Conflict, func(ctx context.Context, tx clinic.Tx) error {
		return tx.AddInvite(ctx, clinic.Invite{CodeHash: []byte{9}, ShortHash: known.ShortHash, Household: w.household})
	})

	open.Used = minutes(10)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SpendInvite(ctx, open.CodeHash, open.Used) })
	assert.Equal(b, open, inviteOf(b, open.CodeHash))
	assert.Equal(b, known, inviteOf(b, known.CodeHash), "no other")
}

func refreshTokenOf(b *bundle, hash []byte) clinic.RefreshToken {
	b.Helper()
	return read(b, func(ctx context.Context, v clinic.View) (clinic.RefreshToken, error) {
		return v.RefreshTokenByHash(ctx, hash)
	})
}

func refreshTokens(b *bundle) {
	w := newWorld(b, 1)
	token := func(hash byte, family int) clinic.RefreshToken {
		return clinic.RefreshToken{
			Hash: []byte{hash}, Family: id(aFamily, family), Began: minutes(0), Issued: minutes(1), Expires: minutes(2),
		}
	}
	clinicians, next, device := token(1, 1), token(2, 1), token(3, 2)
	clinicians.Member, next.Member, device.Device = w.member, w.member, w.device
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		for _, t := range []clinic.RefreshToken{clinicians, next, device} {
			if err := tx.AddRefreshToken(ctx, t); err != nil {
				return err
			}
		}
		return nil
	})
	holds := func(why string) {
		b.Helper()
		for _, t := range []clinic.RefreshToken{clinicians, next, device} {
			assert.Equal(b, t, refreshTokenOf(b, t.Hash), why)
		}
	}
	holds("as added")

	clinicians.Superseded = true
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.SpendRefreshToken(ctx, next.Hash, time.Time{})
	})
	holds("at no instant only the others are superseded")

	next.Spent = minutes(3)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SpendRefreshToken(ctx, next.Hash, next.Spent) })
	holds("spending one supersedes the others of its family")

	clinicians.Ended, next.Ended = true, true
	for range 2 {
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.EndTokenFamily(ctx, clinicians.Family) })
		holds("ending a family ends it alone")
	}
}

func serviceTokens(b *bundle) {
	w := newWorld(b, 1)
	good := clinic.ServiceToken{
		ID: id(aServiceToken, 1), Clinic: w.clinic, Role: "scheduler", Issued: minutes(1), Expires: minutes(2),
	}
	revoked := good
	revoked.ID, revoked.Revoked = id(aServiceToken, 2), minutes(3)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if err := tx.AddServiceToken(ctx, good); err != nil {
			return err
		}
		return tx.AddServiceToken(ctx, revoked)
	})
	assert.Equal(b, good, get(b, serviceTokenOf, good.ID))
	assert.Equal(b, revoked, get(b, serviceTokenOf, revoked.ID))

	other := newWorld(b, 2)
	elsewhere := good
	elsewhere.ID, elsewhere.Clinic = id(aServiceToken, 3), other.clinic
	good.Revoked = minutes(4)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddServiceToken(ctx, elsewhere), tx.RevokeServiceToken(ctx, good.ID, good.Revoked))
	})
	assert.Equal(b, []clinic.ServiceToken{good, revoked}, get(b, serviceTokensOf, w.clinic))
	assert.Equal(b, []clinic.ServiceToken{elsewhere}, get(b, serviceTokensOf, other.clinic), "no other")
}

func contact(b *bundle) {
	w := newWorld(b, 1)
	want := sampleDevice(1, w.household, w.caregiver)
	for _, at := range []time.Time{minutes(5), minutes(9)} {
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.Heard(ctx, want.ID, at) })
		want.Heard = at
		assert.Equal(b, want, get(b, deviceOf, want.ID))
	}
}

func revocation(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	want := sampleDevice(1, w.household, w.caregiver)
	want.Revoked = minutes(5)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.RevokeDevice(ctx, want.ID, want.Revoked) })
	assert.Equal(b, want, get(b, deviceOf, want.ID))
	assert.Zero(b, get(b, deviceOf, other.device).Revoked, "no other")
}

// nobody is an id that names nothing.
var nobody = uuid.UUID{0: 0xff, 6: 0x70, 8: 0x80}
