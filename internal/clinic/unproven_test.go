package clinic_test

import (
	"context"
	"errors"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// asTheTokenSays is a phone of which nobody has looked yet whether its session goes on.
func asTheTokenSays(p access.Principal) access.Principal {
	p.Unproven = true
	return p
}

// handIn makes a call of a caller.
func (h *house) handIn(as access.Principal, cursor string, raws ...[]byte) (clinic.SyncAnswer, error) {
	h.t.Helper()
	return h.Sync(h.t.Context(), as, clinic.SyncRequest{
		Schema: 1, Sent: started, Limit: clinic.MaxPage, Entries: raws, Cursor: cursor,
	}, started)
}

// endSession ends the session of a phone.
func (h *house) endSession(p access.Principal) {
	h.t.Helper()
	require.NoError(h.t, h.Store.InTx(h.t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		return tx.EndTokenFamily(ctx, p.Session)
	}))
}

// stands is all that a household's record and phones come to.
func (h *house) stands() clinic.Folder {
	h.t.Helper()
	var stands clinic.Folder
	require.NoError(h.t, h.Store.Read(h.t.Context(), func(ctx context.Context, view clinic.View) (err error) {
		stands, err = view.Folder(ctx, h.household)
		return err
	}))
	return stands
}

// TestWhoHandsInIsProvenByTheTransaction hands in evenings by a token alone, of phones whose session goes on, has ended, or ends just before
// they are written: to a server that knows the household and to one that doesn't, with a store that says at once that something is not as
// it was assumed, and with one that says it only at the commit.
func TestWhoHandsInIsProvenByTheTransaction(t *testing.T) {
	t.Parallel()
	const elsewhere = "bm90IHRoaXMgaGlzdG9yeQ" // no cursor of this history
	for store, wrap := range map[string]func(s clinic.Store) (clinic.Store, *meanwhile){
		"at once": func(s clinic.Store) (clinic.Store, *meanwhile) {
			m := &meanwhile{Store: s}
			return m, m
		},
		"at the commit": func(s clinic.Store) (clinic.Store, *meanwhile) {
			l := &late{meanwhile{Store: s}}
			return l, &l.meanwhile
		},
	} {
		for server, knows := range map[string]bool{"known": true, "unknown": false} {
			t.Run(store+", "+server, func(t *testing.T) {
				t.Parallel()
				h := newFamily(t)
				wrapped, before := wrap(h.Store)
				h.Store = wrapped
				asks, second := asTheTokenSays(h.phone), h.enrolPhone()
				handIn := func(cursor string, raws ...[]byte) (clinic.SyncAnswer, error) {
					if !knows {
						h.Service = clinic.New(h.Config)
					}
					return h.handIn(asks, cursor, raws...)
				}
				another := func() {
					_, err := clinic.New(h.Config).Sync(t.Context(), second, clinic.SyncRequest{
						Schema: 1, Sent: started, Limit: 1, Entries: h.evening(),
					}, started)
					assert.NoError(t, err)
				}
				answer, err := handIn("", h.evening()...)
				require.NoError(t, err)
				assert.Equal(t, answer.Head, h.stands().Head.Rev)

				before.happens = another
				answer, err = handIn(answer.Cursor, h.evening()...)
				require.NoError(t, err, "another's evening came in meanwhile")
				assert.Len(t, answer.Changes, 12)
				_, err = handIn(elsewhere, h.evening()...)
				assert.Equal(t, "history-diverged", fault.ProblemOf(err))

				before.happens = func() {
					another()
					before.happens = func() { h.endSession(h.phone) } // before the second try, where there is one, else before the next call
				}
				_, err = handIn(answer.Cursor, h.evening()...)
				if err == nil {
					_, err = handIn(answer.Cursor, h.evening()...)
				}
				assert.Equal(t, "token-invalid", fault.ProblemOf(err), "ended meanwhile")
				there := h.stands()
				for what, cursor := range map[string]string{"ended": answer.Cursor, "ended, and diverged": elsewhere} {
					_, err = handIn(cursor, h.evening()...)
					assert.Equal(t, "token-invalid", fault.ProblemOf(err), what)
					_, err = handIn(cursor)
					assert.Equal(t, "token-invalid", fault.ProblemOf(err), "%s: nothing handed in", what)
				}
				assert.Equal(t, there, h.stands())
				for _, row := range h.trail() {
					assert.Equal(t, "done", row.Outcome, "whose session has ended leaves no row: %s", row.Did)
				}
				_, err = h.handIn(asTheTokenSays(second), "", h.evening()...)
				require.NoError(t, err, "the other's goes on")
			})
		}
	}
}

// TestNoTokenOfAnotherHelps offers tokens that name what doesn't belong together, as none that is genuine does.
func TestNoTokenOfAnotherHelps(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	second := h.enrolPhone()
	there := h.stands()
	for what, change := range map[string]func(p *access.Principal){
		"no session":          func(p *access.Principal) { p.Session = uuid.Nil },
		"a session not there": func(p *access.Principal) { p.Session = newID() },
		"another's session":   func(p *access.Principal) { p.Session = second.Session },
		"another phone":       func(p *access.Principal) { p.DeviceID = second.DeviceID },
		"a phone not there":   func(p *access.Principal) { p.DeviceID = newID() },
		"no phone":            func(p *access.Principal) { p.DeviceID = uuid.Nil },
	} {
		asks := asTheTokenSays(h.phone)
		change(&asks)
		_, err := h.handIn(asks, "", h.evening()...)
		assert.Equal(t, "token-invalid", fault.ProblemOf(err), what)
	}
	assert.Equal(t, there, h.stands())
}

// TestHowAnUnprovenPhoneStands: what a phone that was revoked, or whose consent was withdrawn, hands in by its token alone is set aside, and
// it reads nothing.
func TestHowAnUnprovenPhoneStands(t *testing.T) {
	t.Parallel()
	for what, change := range map[string]func(h *house) error{
		"revoked": func(h *house) error { return h.RevokeDevice(h.t.Context(), h.clinician, h.phone.DeviceID, started) },
		"withdrawn": func(h *house) error {
			_, err := h.WithdrawConsent(h.t.Context(), h.clinician, h.phone.CaregiverID, started)
			return err
		},
	} {
		h := newFamily(t)
		h.push(started, h.evening()...)
		require.NoError(t, change(h), what)
		for range 2 { // the household is not as it was known, then it is
			answer, err := h.handIn(asTheTokenSays(h.phone), "", h.evening()...)
			require.NoError(t, err, what)
			assert.True(t, answer.UploadOnly, what)
			assert.Empty(t, answer.Changes, what)
			for _, r := range answer.Results {
				assert.Equal(t, "set_aside", r.Status, what)
			}
		}
	}
}

// TestWhatAnUnprovenCallerHears of an operation that fails: that their session has ended, if so, but nothing in the place of the server's own
// trouble, which tells nobody anything.
func TestWhatAnUnprovenCallerHears(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	refusal := fault.New(fault.Invalid, "entry-invalid", "Mend it.")
	trouble := errors.New("the database is damaged")
	hears := func(p access.Principal, err error) error { return h.Refusal(t.Context(), p, err) }
	asks := asTheTokenSays(h.phone)
	require.NoError(t, hears(asks, nil))
	require.ErrorIs(t, hears(asks, refusal), refusal)
	h.endSession(h.phone)
	assert.Equal(t, "token-invalid", fault.ProblemOf(hears(asks, refusal)))
	require.ErrorIs(t, hears(asks, trouble), trouble)
	require.NoError(t, hears(asks, nil))
	require.ErrorIs(t, hears(h.phone, refusal), refusal, "somebody has looked")
}

// TestWhoIsUnprovenMayDoNothingElse: a use case that proves nothing by itself lets in nobody who has not been looked up.
func TestWhoIsUnprovenMayDoNothingElse(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	_, err := h.OwnHousehold(t.Context(), h.phone, started)
	require.NoError(t, err)
	_, err = h.OwnHousehold(t.Context(), asTheTokenSays(h.phone), started)
	assert.Equal(t, "token-invalid", fault.ProblemOf(err))
}
