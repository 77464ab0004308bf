package clinic_test

import (
	"context"
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
	for store, wrap := range map[string]func(h *house) *meanwhile{
		"at once": func(h *house) *meanwhile {
			m := &meanwhile{Store: h.Store}
			h.Store = m
			return m
		},
		"at the commit": func(h *house) *meanwhile {
			l := &late{meanwhile{Store: h.Store}}
			h.Store = l
			return &l.meanwhile
		},
	} {
		for _, known := range []bool{true, false} {
			t.Run(store, func(t *testing.T) {
				t.Parallel()
				h := newFamily(t)
				before := wrap(h)
				if known {
					h.push(started, h.evening()...)
				}
				asks := asTheTokenSays(h.phone)
				answer, err := h.handIn(asks, "", h.evening()...)
				require.NoError(t, err)
				assert.Equal(t, answer.Head, h.stands().Head.Rev)

				second := h.enrolPhone()
				before.happens = func() {
					_, err := clinic.New(h.Config).Sync(t.Context(), second, clinic.SyncRequest{
						Schema: 1, Sent: started, Limit: 1, Entries: h.evening(),
					}, started)
					assert.NoError(t, err)
				}
				answer, err = h.handIn(asks, answer.Cursor, h.evening()...)
				require.NoError(t, err, "another's evening came in meanwhile")
				assert.Len(t, answer.Changes, 12)
				_, err = h.handIn(asks, "bm90IHRoaXMgaGlzdG9yeQ", h.evening()...)
				assert.Equal(t, "history-diverged", fault.ProblemOf(err))

				there := h.stands()
				before.happens = func() { h.endSession(h.phone) }
				_, err = h.handIn(asks, answer.Cursor, h.evening()...)
				assert.Equal(t, "token-invalid", fault.ProblemOf(err), "ended meanwhile")
				for what, cursor := range map[string]string{"ended": answer.Cursor, "ended, and diverged": "bm90IHRoaXMgaGlzdG9yeQ"} {
					_, err = h.handIn(asks, cursor, h.evening()...)
					assert.Equal(t, "token-invalid", fault.ProblemOf(err), what)
					_, err = h.handIn(asks, cursor)
					assert.Equal(t, "token-invalid", fault.ProblemOf(err), "%s: nothing handed in", what)
				}
				assert.Equal(t, there, h.stands())
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
		answer, err := h.handIn(asTheTokenSays(h.phone), "", h.evening()...)
		require.NoError(t, err, what)
		assert.True(t, answer.UploadOnly, what)
		assert.Empty(t, answer.Changes, what)
		for _, r := range answer.Results {
			assert.Equal(t, "set_aside", r.Status, what)
		}
	}
}
