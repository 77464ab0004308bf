package clinic_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// issueTo issues a token to a program of the house's clinic, and returns it with what the store keeps of it.
func (h *house) issueTo(ttl time.Duration, at time.Time) (string, clinic.ServiceToken) {
	h.t.Helper()
	text, err := h.IssueServiceToken(h.t.Context(), h.clinic.ID, access.RoleScheduler, ttl, at)
	require.NoError(h.t, err)
	tokens, err := h.ServiceTokens(h.t.Context(), h.clinic.ID)
	require.NoError(h.t, err)
	require.NotEmpty(h.t, tokens)
	return text, tokens[len(tokens)-1]
}

func TestServiceTokensAreListedAndRevoked(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	ctx := t.Context()
	minute := func(n int) time.Time { return started.Add(time.Duration(n) * time.Minute) }
	first, kept := h.issueTo(time.Hour, started)
	second, other := h.issueTo(2*time.Hour, minute(1))
	assert.Equal(t, clinic.ServiceToken{
		ID: other.ID, Clinic: h.clinic.ID, Role: "scheduler", Issued: minute(1), Expires: minute(121),
	}, other)

	revoked, err := h.RevokeServiceToken(ctx, other.ID, minute(2))
	require.NoError(t, err)
	other.Revoked = minute(2)
	assert.Equal(t, other, revoked)
	_, err = h.Authenticate(ctx, second, "getOwnHousehold", minute(2))
	assert.Equal(t, fault.Unauthenticated, fault.KindOf(err), "refused at the next request")
	_, err = h.Authenticate(ctx, first, "getOwnHousehold", minute(2))
	require.NoError(t, err, "no other")

	again, err := h.RevokeServiceToken(ctx, other.ID, minute(3))
	require.NoError(t, err)
	assert.Equal(t, other, again, "revoked since the first time")
	tokens, err := h.ServiceTokens(ctx, h.clinic.ID)
	require.NoError(t, err)
	assert.Equal(t, []clinic.ServiceToken{kept, other}, tokens)

	_, err = h.RevokeServiceToken(ctx, uuid.New(), minute(3))
	assert.Equal(t, fault.NotFound, fault.KindOf(err))
	_, err = h.ServiceTokens(ctx, uuid.New())
	assert.Equal(t, fault.NotFound, fault.KindOf(err))
}

// TestARevokedServiceTokenStaysRevoked goes back to backups made after and before a token was issued that has been revoked
// since.
func TestARevokedServiceTokenStaysRevoked(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	ctx := t.Context()
	before := h.backUp()
	text, token := h.issueTo(time.Hour, started)
	after := h.backUp()
	_, err := h.RevokeServiceToken(ctx, token.ID, started.Add(time.Minute))
	require.NoError(t, err)
	later := started.Add(2 * time.Minute)
	records := h.journal.Records()

	h.goBack(after)
	_, err = h.Authenticate(ctx, text, "getOwnHousehold", later)
	require.NoError(t, err, "or the replay shows nothing")
	assert.Equal(t, 1, h.replay(records, later).ServiceTokens)
	_, err = h.Authenticate(ctx, text, "getOwnHousehold", later)
	assert.Equal(t, fault.Unauthenticated, fault.KindOf(err))
	tokens, err := h.ServiceTokens(ctx, h.clinic.ID)
	require.NoError(t, err)
	assert.Equal(t, started.Add(time.Minute), tokens[0].Revoked, "since when it was")
	assert.Zero(t, h.replay(records, later).ServiceTokens, "once more")

	h.goBack(before)
	assert.Zero(t, h.replay(records, later).ServiceTokens)
	_, err = h.Authenticate(ctx, text, "getOwnHousehold", later)
	assert.Equal(t, fault.Unauthenticated, fault.KindOf(err))
}
