package clinic_test

import (
	"context"
	"net/netip"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/pquerna/otp/totp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

const email, firstPassword = familyEmail, familyPassword

func (h *house) enter(password, otp string, at time.Time) (clinic.SignedIn, error) {
	h.t.Helper()
	return h.SignIn(h.t.Context(), clinic.Credentials{Email: email, Password: password, OTP: otp}, at)
}

func (h *house) refusedEntry(password, otp string, at time.Time) {
	h.t.Helper()
	_, err := h.enter(password, otp, at)
	require.Equal(h.t, fault.Unauthenticated, fault.KindOf(err), "%v", err)
}

// TestNothingAboutCliniciansIsUndoneByABackup changes all that lets a clinician in, and goes back to before.
func TestNothingAboutCliniciansIsUndoneByABackup(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	ctx := t.Context()
	at := func(n int) time.Time { return started.Add(time.Duration(n) * time.Minute) }
	code := func(secret string, at time.Time) string {
		c, err := totp.GenerateCode(secret, at)
		require.NoError(t, err)
		return c
	}
	old, err := h.enter(firstPassword, "", at(0))
	require.NoError(t, err)
	backup := h.backUp()

	credentials := clinic.Credentials{Email: email, Password: firstPassword}
	f, err := h.SetUpSecondFactor(ctx, credentials, at(1))
	require.NoError(t, err)
	credentials.OTP = code(f.Secret, at(1))
	confirmed, err := h.SetUpSecondFactor(ctx, credentials, at(1))
	require.NoError(t, err)
	_, err = h.enter(firstPassword, confirmed.Codes[0], at(2))
	require.NoError(t, err)
	const next = "eight quick otters"
	require.NoError(t, h.ChangePassword(ctx, h.clinician, firstPassword, code(f.Secret, at(3)), next, at(3)))

	records := h.journal.Records()
	for range 2 { // a second replay changes nothing
		h.goBack(backup)
		h.replay(records, at(5))
		h.replay(records, at(5))
		h.refusedEntry(firstPassword, code(f.Secret, at(6)), at(6))
		h.refusedEntry(next, "", at(6))
		h.refusedEntry(next, confirmed.Codes[0], at(6))
		in, err := h.enter(next, confirmed.Codes[1], at(6))
		require.NoError(t, err)
		assert.Equal(t, 8, *in.CodesLeft)
		_, err = h.enter(next, code(f.Secret, at(7)), at(7))
		require.NoError(t, err)
		_, err = h.Authenticate(ctx, old.Access, "getOwnHousehold", at(7))
		assert.Equal(t, fault.Unauthenticated, fault.KindOf(err), "the session ended with the password")
	}

	require.NoError(t, h.SetMemberDisabled(ctx, email, true, at(10)))
	h.goBack(backup)
	done := h.replay(h.journal.Records(), at(11))
	assert.Positive(t, done.Clinicians)
	h.refusedEntry(next, code(f.Secret, at(12)), at(12))
	require.NoError(t, h.SetMemberDisabled(ctx, email, false, at(13)))
	require.NoError(t, h.ResetSecondFactor(ctx, email, at(13)))
	h.goBack(backup)
	h.replay(h.journal.Records(), at(14))
	in, err := h.enter(next, "", at(15))
	require.NoError(t, err)
	assert.Nil(t, in.CodesLeft)

	unknown := []clinic.JournalRecord{{At: at(1), Event: clinic.MemberDisabled{Member: uuid.New()}}}
	assert.Equal(t, clinic.Replayed{Records: 1, Homeless: 1}, h.replay(unknown, at(16)))
}

// TestAddressesKeptAreBounded signs in from more networks than are kept.
func TestAddressesKeptAreBounded(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	for i := range 25 {
		ctx := access.WithOrigin(t.Context(), netip.AddrFrom4([4]byte{203, 0, 113, byte(i)}))
		_, err := h.SignIn(ctx, clinic.Credentials{Email: email, Password: firstPassword}, started.Add(time.Duration(i)*time.Minute))
		require.NoError(t, err)
	}
	var kept []clinic.KnownAddress
	require.NoError(t, h.Store.Read(t.Context(), func(ctx context.Context, view clinic.View) (err error) {
		kept, err = view.KnownAddresses(ctx, h.clinician.ClinicianID)
		return err
	}))
	require.Len(t, kept, 20)
	assert.Equal(t, started.Add(24*time.Minute), kept[0].Last)
	assert.Equal(t, started.Add(5*time.Minute), kept[19].Last, "those used last")
}
