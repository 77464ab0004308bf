package main

import (
	"errors"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// listed returns what token list prints of a clinic.
func listed(t *testing.T, db, clinic string) []tokenDoc {
	t.Helper()
	list := execute(t, "token", "list", "--db", db, "--clinic", clinic)
	require.NoError(t, list.err)
	var doc struct {
		Tokens []tokenDoc `json:"tokens"`
	}
	require.NoError(t, json.Unmarshal([]byte(list.out), &doc), list.out)
	return doc.Tokens
}

// overdueStatus asks a running server what is overdue, and returns the status of a refusal, or 200.
func overdueStatus(t *testing.T, base, token string) int {
	t.Helper()
	_, err := as(caller(base), token).Overdue(t.Context(), time.Time{}, client.Page{})
	if problem, ok := errors.AsType[*client.Problem](err); ok {
		return problem.Status
	}
	require.NoError(t, err)
	return http.StatusOK
}

// TestTokensAreListedAndRevoked works beside a running server, which refuses a revoked token at the next request.
func TestTokensAreListedAndRevoked(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	clinic := addClinicBeside(t, db)
	assert.Empty(t, listed(t, db, clinic))
	first := execute(t, "token", "issue", "--db", db, "--clinic", clinic, "--ttl", "1h").made(t, "token")
	second := execute(t, "token", "issue", "--db", db, "--clinic", clinic, "--ttl", "2h").made(t, "token")
	tokens := listed(t, db, clinic)
	require.Len(t, tokens, 2)
	assert.EqualValues(t, "scheduler", tokens[1].Role)
	assert.Equal(t, 2*time.Hour, tokens[1].ExpiresAt.Sub(tokens[1].IssuedAt))
	assert.Zero(t, tokens[1].RevokedAt)
	assert.Equal(t, http.StatusOK, overdueStatus(t, server.base, second))

	execute(t, "token", "revoke", "--db", db, "--id", tokens[1].ID.String()).made(t, "revoked_at")
	assert.Equal(t, http.StatusUnauthorized, overdueStatus(t, server.base, second))
	assert.Equal(t, http.StatusOK, overdueStatus(t, server.base, first))
	tokens = listed(t, db, clinic)
	assert.NotZero(t, tokens[1].RevokedAt)
	assert.Zero(t, tokens[0].RevokedAt)

	for want, args := range map[string][]string{
		"There is no such thing":    {"token", "revoke", "--id", uuid.NewString()},
		"--clinic wants the id":     {"token", "list", "--clinic", "North"},
		"--id wants the id":         {"token", "revoke", "--id", first},
		"or it is not yours to see": {"token", "list", "--clinic", uuid.NewString()},
	} {
		got := execute(t, append(args, "--db", db)...)
		require.ErrorContains(t, got.err, want)
		assert.Empty(t, got.out)
	}
}
