package clinic_test

import (
	"cmp"
	"context"
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

// meanwhile is a store on which something happens before the next transaction that writes begins.
type meanwhile struct {
	clinic.Store
	happens func()
}

func (m *meanwhile) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	if happens := m.happens; happens != nil {
		m.happens = nil
		happens()
	}
	return m.Store.InTx(ctx, fn)
}

// TestWhatHappensWhileAPasswordIsChecked: a sign-in whose password was right when it began lets nobody in once the password has
// been changed, or its owner shut out, before it ends.
func TestWhatHappensWhileAPasswordIsChecked(t *testing.T) {
	t.Parallel()
	for name, happens := range map[string]func(h *house) error{
		"another password": func(h *house) error {
			return h.SetMemberPassword(t.Context(), familyEmail, "eleven idle lamps at noon", started)
		},
		"shut out": func(h *house) error { return h.SetMemberDisabled(t.Context(), familyEmail, true, started) },
		"shut out and let in again": func(h *house) error {
			if err := h.SetMemberDisabled(t.Context(), familyEmail, true, started); err != nil {
				return err
			}
			if err := h.SetMemberPassword(t.Context(), familyEmail, "eleven idle lamps at noon", started); err != nil {
				return err
			}
			return h.SetMemberDisabled(t.Context(), familyEmail, false, started)
		},
	} {
		for what, ask := range map[string]func(h *house, c clinic.Credentials) error{
			"sign-in": func(h *house, c clinic.Credentials) error {
				_, err := h.SignIn(t.Context(), c, started)
				return err
			},
			"second factor": func(h *house, c clinic.Credentials) error {
				_, err := h.SetUpSecondFactor(t.Context(), c, started)
				return err
			},
			"another password": func(h *house, c clinic.Credentials) error {
				return h.ChangePassword(t.Context(), h.clinician, c.Password, "", "nine tall kettles sing low", started)
			},
		} {
			t.Run(name+" during "+what, func(t *testing.T) {
				t.Parallel()
				h := newFamily(t)
				store := &meanwhile{Store: h.Store}
				h.Store = store
				store.happens = func() { require.NoError(t, happens(h)) }
				err := ask(h, clinic.Credentials{Email: familyEmail, Password: familyPassword})
				assert.Equal(t, "sign-in-failed", fault.ProblemOf(err))
				var sessions int
				require.NoError(t, h.Store.Read(t.Context(), func(ctx context.Context, view clinic.View) error {
					families, err := view.OpenFamilies(ctx, h.clinician.ClinicianID, started.Add(time.Minute))
					sessions = len(families)
					return err
				}))
				assert.Zero(t, sessions)
			})
		}
	}
}

// TestAWaitIsNotBegunAnew: what is neither success nor failure leaves a wait as it was, so that a password that is followed by
// its code is not held up twice.
func TestAWaitIsNotBegunAnew(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	credentials := clinic.Credentials{Email: familyEmail, Password: familyPassword}
	factor, err := h.SetUpSecondFactor(t.Context(), credentials, started)
	require.NoError(t, err)
	credentials.OTP = codeAt(t, factor.Secret, started)
	_, err = h.SetUpSecondFactor(t.Context(), credentials, started)
	require.NoError(t, err)
	wrong := clinic.Credentials{Email: familyEmail, Password: "not the one that it is"}
	for range 11 {
		_, err = h.SignIn(t.Context(), wrong, started)
		require.Equal(t, "sign-in-failed", fault.ProblemOf(err))
	}
	later := started.Add(2 * time.Minute)
	credentials.OTP = ""
	_, err = h.SignIn(t.Context(), credentials, later)
	require.Equal(t, "second-factor-required", fault.ProblemOf(err))
	credentials.OTP = codeAt(t, factor.Secret, later)
	_, err = h.SignIn(t.Context(), credentials, later)
	require.NoError(t, err)
}

// TestWhoIsKnownIsNotHeldUp by what others fail at: neither at the same address nor at a new one, nor whoever was given another
// password.
func TestWhoIsKnownIsNotHeldUp(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	credentials := clinic.Credentials{Email: familyEmail, Password: familyPassword}
	in, err := h.SignIn(t.Context(), credentials, started)
	require.NoError(t, err)
	require.NotEmpty(t, in.Device)
	fail := func() {
		wrong := clinic.Credentials{Email: familyEmail, Password: "not the one that it is"}
		for range 11 {
			_, _ = h.SignIn(t.Context(), wrong, started) // from the same address
		}
	}
	fail()
	_, err = h.SignIn(t.Context(), credentials, started)
	assert.Equal(t, "too-many-attempts", fault.ProblemOf(err))
	known := credentials
	known.Device = in.Device
	again, err := h.SignIn(t.Context(), known, started)
	require.NoError(t, err)
	assert.NotEmpty(t, again.Device)
	fail() // what was known there did not begin the counts of the address anew
	_, err = h.SignIn(t.Context(), credentials, started)
	assert.Equal(t, "too-many-attempts", fault.ProblemOf(err))

	forged := credentials
	forged.Device = again.Device[:len(again.Device)-4] + "AAAA"
	_, err = h.SignIn(t.Context(), forged, started)
	assert.Equal(t, "too-many-attempts", fault.ProblemOf(err))
	credentials.Password = "eleven idle lamps at noon"
	require.NoError(t, h.SetMemberPassword(t.Context(), familyEmail, credentials.Password, started))
	_, err = h.SignIn(t.Context(), credentials, started)
	require.NoError(t, err)
	var outcomes []string
	for _, row := range h.trail() {
		if row.Did == "signIn" && row.Outcome != "done" {
			outcomes = append(outcomes, row.Outcome)
		}
	}
	assert.Len(t, outcomes, 11, "those that were tried, not those that had to wait")
}

// codeAt returns the one-time code of a secret.
func codeAt(t *testing.T, secret string, at time.Time) string {
	t.Helper()
	code, err := totp.GenerateCode(secret, at)
	require.NoError(t, err)
	return code
}

// late is a store that says only at the commit that a household is not as it was assumed to be, unless it has been looked at.
type late struct{ meanwhile }

type lateTx struct {
	clinic.Tx
	looked bool
	wrong  error
}

func (t *lateTx) Edition(ctx context.Context, household uuid.UUID) (clinic.Edition, error) {
	t.looked = true
	return t.Tx.Edition(ctx, household)
}

func (t *lateTx) Folder(ctx context.Context, household uuid.UUID) (clinic.Folder, error) {
	t.looked = true
	return t.Tx.Folder(ctx, household)
}

func (t *lateTx) Assume(ctx context.Context, a clinic.Assumption) error {
	err := t.Tx.Assume(ctx, a)
	if t.looked {
		return err
	}
	t.wrong = err
	return nil
}

func (l *late) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	return l.meanwhile.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
		within := &lateTx{Tx: tx}
		err := fn(ctx, within)
		return cmp.Or(within.wrong, err)
	})
}

// TestWhatIsAssumedTurnsOutWrongAtTheCommit hands in an evening to a server that knows the household, while the other caregiver's comes in
// at another: both are recorded once, and each is told of the other's.
func TestWhatIsAssumedTurnsOutWrongAtTheCommit(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	second, elsewhere := h.enrolPhone(), clinic.New(h.Config)
	h.push(started, h.evening()...)
	theirs, ours := h.evening(), h.evening()
	store := &late{meanwhile{Store: h.Store}}
	h.Store = store
	handIn := func(s *clinic.Service, as access.Principal, raws [][]byte) clinic.SyncAnswer {
		answer, err := s.Sync(t.Context(), as, clinic.SyncRequest{Schema: 1, Sent: started, Limit: clinic.MaxPage, Entries: raws}, started)
		require.NoError(t, err)
		require.Len(t, answer.Results, len(raws))
		for _, r := range answer.Results {
			require.Equal(t, "accepted", r.Status)
		}
		return answer
	}
	var other clinic.SyncAnswer
	store.happens = func() { other = handIn(elsewhere, second, theirs) }
	answer := handIn(h.Service, h.phone, ours)
	require.Nil(t, store.happens)
	assert.Equal(t, int64(len(h.evening())+len(theirs)+len(ours)), answer.Head)
	assert.Equal(t, other.Results[len(theirs)-1].Rev+1, answer.Results[0].Rev)
	assert.Len(t, answer.Changes, int(answer.Head))
	again := handIn(h.Service, h.phone, nil)
	assert.Equal(t, answer.Digest, again.Digest)
	assert.Equal(t, again.Digest, handIn(elsewhere, second, nil).Digest)
}
