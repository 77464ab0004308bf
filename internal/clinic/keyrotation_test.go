package clinic_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// rotated rotates the keys, with the grace if one is given.
func (h *house) rotated(now time.Time, grace ...time.Duration) clinic.KeyRotation {
	h.t.Helper()
	var given *time.Duration
	if len(grace) > 0 {
		given = &grace[0]
	}
	done, err := h.RotateKeys(h.t.Context(), given, now)
	require.NoError(h.t, err)
	return done
}

// asker returns a function that tells whether a token is good at an instant.
func (h *house) asker(token string) func(at time.Time) bool {
	return func(at time.Time) bool {
		_, err := h.Authenticate(h.t.Context(), token, "getOwnHousehold", at)
		return err == nil
	}
}

// TestRoutineRotationBreaksNobody rotates three times while tokens of people and of programs are about.
func TestRoutineRotationBreaksNobody(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	minute := func(n int) time.Time { return started.Add(time.Duration(n) * time.Minute) }
	text, token := h.issueTo(3*time.Hour, started)
	_, revoked := h.issueTo(300*time.Hour, started)
	_, err := h.RevokeServiceToken(t.Context(), revoked.ID, started)
	require.NoError(t, err)
	_, _ = h.issueTo(time.Minute, started) // has expired by the first rotation
	in, err := h.SignIn(t.Context(), clinic.Credentials{Email: "ines@clinic.example", Password: familyPassword}, minute(10))
	require.NoError(t, err)
	good, goodPerson := h.asker(text), h.asker(in.Access)

	for i, at := range []time.Time{minute(10), minute(20), minute(30)} {
		done := h.rotated(at)
		assert.Empty(t, done.Cut)
		assert.Len(t, done.Keys, i+2)
		for _, former := range done.Keys[1:] {
			assert.Equal(t, token.Expires, former.VerifiesUntil, "the last that is neither revoked nor expired decides")
		}
	}
	assert.True(t, goodPerson(minute(25).Add(-time.Millisecond)), "until it expires")
	assert.True(t, good(minute(180).Add(-time.Millisecond)), "until it expires")
	assert.Len(t, h.rotated(minute(181)).Keys, 2, "keys that nobody needs any more are dropped")
}

func TestRotationWithoutServiceTokensWaitsForPeople(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	done := h.rotated(started)
	assert.Equal(t, started.Add(access.AccessTTL+time.Minute), done.Keys[1].VerifiesUntil)
}

func TestRotationWithoutGraceEndsAll(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	minute := func(n int) time.Time { return started.Add(time.Duration(n) * time.Minute) }
	first, one := h.issueTo(3*time.Hour, started)
	assert.Empty(t, h.rotated(minute(1)).Cut)
	second, two := h.issueTo(3*time.Hour, minute(1))
	short, _ := h.issueTo(4*time.Minute, minute(1))

	done := h.rotated(minute(2), 10*time.Minute)
	assert.Equal(t, []clinic.CutToken{{one, minute(12)}, {two, minute(12)}}, done.Cut)
	for _, text := range []string{first, second} {
		assert.True(t, h.asker(text)(minute(11)))
		assert.False(t, h.asker(text)(minute(12)))
	}
	assert.True(t, h.asker(short)(minute(4)))

	done = h.rotated(minute(3), 0)
	assert.Equal(t, []clinic.CutToken{{one, minute(3)}, {two, minute(3)}}, done.Cut[:2])
	assert.Len(t, done.Cut, 3)
	assert.Len(t, done.Keys, 1)
	for _, text := range []string{first, second, short} {
		assert.False(t, h.asker(text)(minute(3)))
	}
	assert.Empty(t, h.rotated(minute(4), 0).Cut, "what has ended is not told again")
	fresh, _ := h.issueTo(time.Hour, minute(4))
	assert.True(t, h.asker(fresh)(minute(4)))
}

func TestAGraceThatCanNotBe(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	for _, grace := range []time.Duration{-time.Second, 367 * 24 * time.Hour} {
		_, err := h.RotateKeys(t.Context(), &grace, started)
		assert.Equal(t, fault.Invalid, fault.KindOf(err))
		assert.Equal(t, []string{"/grace"}, pointers(err))
	}
	assert.Len(t, h.Keys.List(), 1)
}
