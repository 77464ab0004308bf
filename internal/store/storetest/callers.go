package storetest

import (
	"context"
	"errors"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// callers looks at those whom tokens name after each change of how they stand: it is told at once, and no sooner than it is committed.
func callers(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	ofMember, ofDevice, ofOther, ended := id(aFamily, 1), id(aFamily, 2), id(aFamily, 3), id(aFamily, 4)
	token := clinic.ServiceToken{
		ID: id(aServiceToken, 1), Clinic: w.clinic, Role: "scheduler", Issued: minutes(1), Expires: minutes(2),
	}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		add := func(hash byte, family, member, device uuid.UUID) error {
			return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: []byte{hash}, Family: family, Member: member, Device: device, Expires: minutes(9)})
		}
		return errors.Join(
			add(1, ofMember, w.member, uuid.Nil), add(2, ofDevice, uuid.Nil, w.device), add(3, ofOther, uuid.Nil, other.device),
			add(4, ended, w.member, uuid.Nil), add(5, ended, w.member, uuid.Nil), tx.AddServiceToken(ctx, token),
		)
	})
	want := map[uuid.UUID]clinic.TokenFamily{
		ofMember: {Member: w.member}, ofDevice: {Device: w.device}, ofOther: {Device: other.device}, ended: {Member: w.member},
	}
	holds := func(when string) {
		b.Helper()
		for family, stands := range want {
			got, err := b.store.TokenFamily(b.ctx, family)
			require.NoError(b, err, when)
			assert.Equal(b, stands, got, when)
			assert.Equal(b, got, get(b, tokenFamilyOf, family), "%s: as a view tells it", when)
		}
		got, err := b.store.ServiceToken(b.ctx, token.ID)
		require.NoError(b, err, when)
		assert.Equal(b, token, got, when)
	}
	holds("at first")
	for _, change := range []struct {
		name string
		make func(ctx context.Context, tx clinic.Tx) error
		to   func()
	}{
		{
			"a device is revoked",
			func(ctx context.Context, tx clinic.Tx) error { return tx.RevokeDevice(ctx, w.device, minutes(3)) },
			func() { want[ofDevice] = clinic.TokenFamily{Device: w.device, Revoked: minutes(3)} },
		},
		{
			"consent is withdrawn",
			func(ctx context.Context, tx clinic.Tx) error {
				return tx.WithdrawConsent(ctx, other.caregiver, minutes(4))
			},
			func() { want[ofOther] = clinic.TokenFamily{Device: other.device, Withdrawn: minutes(4)} },
		},
		{
			"consent is given again",
			func(ctx context.Context, tx clinic.Tx) error {
				return tx.RecordConsent(ctx, other.caregiver, "2", minutes(5))
			},
			func() { want[ofOther] = clinic.TokenFamily{Device: other.device} },
		},
		{
			"a session ends",
			func(ctx context.Context, tx clinic.Tx) error { return tx.EndTokenFamily(ctx, ended) },
			func() { want[ended] = clinic.TokenFamily{Member: w.member, Ended: true} },
		},
		{
			"a clinician is shut out",
			func(ctx context.Context, tx clinic.Tx) error { return tx.SetDisabled(ctx, w.member, minutes(6)) },
			func() {
				want[ofMember] = clinic.TokenFamily{Member: w.member, Disabled: minutes(6)}
				want[ended] = clinic.TokenFamily{Member: w.member, Ended: true, Disabled: minutes(6)}
			},
		},
		{
			"a program's token is revoked",
			func(ctx context.Context, tx clinic.Tx) error { return tx.RevokeServiceToken(ctx, token.ID, minutes(7)) },
			func() { token.Revoked = minutes(7) },
		},
	} {
		beforeCommit(b, change.make, func() { holds("before " + change.name) })
		change.to()
		holds(change.name)
	}
	absentAtAGlance(b, ofMember)
}

// beforeCommit makes a change, and looks once it has been made and is not yet committed.
func beforeCommit(b *bundle, change func(ctx context.Context, tx clinic.Tx) error, look func()) {
	b.Helper()
	made, looked, done := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		done <- b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
			err := change(ctx, tx)
			close(made)
			<-looked
			return err
		})
	}()
	<-made
	look()
	close(looked)
	require.NoError(b, <-done)
}

// absentAtAGlance asks for whom no token names and for no household, and with a context that has ended for somebody.
func absentAtAGlance(b *bundle, somebody uuid.UUID) {
	b.Helper()
	ended, cancel := context.WithCancel(b.ctx)
	cancel()
	for name, ask := range map[string]func(ctx context.Context, id uuid.UUID) error{
		"TokenFamily": func(ctx context.Context, id uuid.UUID) error {
			_, err := b.store.TokenFamily(ctx, id)
			return err
		},
		"ServiceToken": func(ctx context.Context, id uuid.UUID) error {
			_, err := b.store.ServiceToken(ctx, id)
			return err
		},
		"Edition": func(ctx context.Context, id uuid.UUID) error {
			_, err := b.store.Edition(ctx, id)
			return err
		},
	} {
		err := ask(b.ctx, nobody)
		assert.Equal(b, fault.NotFound, fault.KindOf(err), "%s: %v", name, err)
		require.ErrorIs(b, ask(ended, somebody), context.Canceled, name)
		require.NotErrorIs(b, ask(b.ctx, nobody), context.Canceled, "%s goes on", name)
	}
}
