package clinic_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// authenticated returns who calls with a phone's access token.
func (h *house) authenticated(at time.Time) (access.Principal, error) {
	h.t.Helper()
	token, err := h.Keys.Issue(h.phone, access.AccessTTL, at, "t1")
	require.NoError(h.t, err)
	return h.Authenticate(h.t.Context(), token, "getOwnHousehold", at)
}

func TestARevokedDeviceMayOnlyHandIn(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	revoked := started.Add(time.Hour)
	require.NoError(t, h.RevokeDevice(t.Context(), h.clinician, h.phone.DeviceID, revoked))
	require.NoError(t, h.RevokeDevice(t.Context(), h.clinician, h.phone.DeviceID, revoked.Add(time.Hour)), "once more")

	p, err := h.authenticated(revoked)
	require.NoError(t, err)
	assert.True(t, p.UploadOnly, "a token handed out before")
	_, raw := h.entry("excuse", map[string]any{"night": "2027-03-02", "reason": "ill"})
	a, err := h.Sync(t.Context(), p, clinic.SyncRequest{Schema: 1, Sent: revoked, Limit: 10, Entries: [][]byte{raw}}, revoked)
	require.NoError(t, err)
	assert.Equal(t, clinic.SyncAnswer{UploadOnly: true, Results: []clinic.Result{
		{ID: a.Results[0].ID, Status: "set_aside", Rev: 7},
	}}, a)
	assert.Empty(t, h.found())
}

func TestWhoMayNotRevoke(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	stranger := h.clinician
	stranger.ClinicID = uuid.New()
	require.ErrorIs(t, h.RevokeDevice(t.Context(), stranger, h.phone.DeviceID, started), clinic.ErrNotThere)
	require.ErrorContains(t, h.RevokeDevice(t.Context(), h.clinician, uuid.New(), started), clinic.ErrNotThere.Detail)
	p, err := h.authenticated(started)
	require.NoError(t, err)
	assert.Equal(t, h.phone.DeviceID, p.DeviceID)
	assert.False(t, p.UploadOnly)
}

func TestATokenOfADeviceThatIsNotThereIsRefused(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.phone.DeviceID = uuid.New()
	_, err := h.authenticated(started)
	assert.ErrorContains(t, err, "This token can't be used.")
}
