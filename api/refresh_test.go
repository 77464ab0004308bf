package api_test

import (
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"swallowtail/internal/access"
)

// refresh exchanges a refresh token.
func (h *house) refresh(token string) reply {
	h.t.Helper()
	return h.nobody("").post("/v1/auth/refresh", map[string]any{"refresh_token": token})
}

func TestRefresh(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	newest := func() string { return s.signIn(access.RoleClinician, nil).ok(http.StatusOK).text("refresh_token") }

	// One after the other.
	token := newest()
	for range 3 {
		s.clock.advance(10 * time.Minute)
		r := s.refresh(token).ok(http.StatusOK)
		s.nobody(r.text("access_token")).get("/v1/roster").ok(http.StatusOK)
		assert.NotEqual(t, token, r.text("refresh_token"))
		token = r.text("refresh_token")
	}

	// An answer that got lost: within a minute the old one works again.
	lost := s.refresh(token).ok(http.StatusOK).text("refresh_token")
	s.clock.advance(time.Minute)
	again := s.refresh(token).ok(http.StatusOK).text("refresh_token")
	next := s.refresh(again).ok(http.StatusOK).text("refresh_token")
	// The twin whose answer got lost is a second holder's by now, and ends the family.
	s.refresh(lost).refused(http.StatusUnauthorized, "refresh-refused")
	s.refresh(next).refused(http.StatusUnauthorized, "refresh-refused")

	// A spent one after the minute ends the family.
	token = newest()
	next = s.refresh(token).ok(http.StatusOK).text("refresh_token")
	s.clock.advance(time.Minute + time.Millisecond)
	s.refresh(token).refused(http.StatusUnauthorized, "refresh-refused")
	s.refresh(next).refused(http.StatusUnauthorized, "refresh-refused")

	// Another sign-in's family is another.
	other, bystander := newest(), newest()
	s.refresh(other).ok(http.StatusOK)
	s.clock.advance(2 * time.Minute)
	s.refresh(other).refused(http.StatusUnauthorized, "refresh-refused")
	bystander = s.refresh(bystander).ok(http.StatusOK).text("refresh_token")

	// A clinician is idle for an hour at most.
	s.clock.advance(time.Hour)
	s.refresh(bystander).refused(http.StatusUnauthorized, "refresh-refused")
	for _, none := range []string{"", "x" + secret, bystander + "A", strings.ToUpper(bystander)} {
		s.refresh(none).refused(http.StatusUnauthorized, "refresh-refused")
	}

	// And never longer than a day.
	token = newest()
	for range 47 {
		s.clock.advance(30 * time.Minute)
		token = s.refresh(token).ok(http.StatusOK).text("refresh_token")
	}
	s.clock.advance(30 * time.Minute)
	s.refresh(token).refused(http.StatusUnauthorized, "refresh-refused")
}

// TestRefreshesAtOnce: of many at the same time with one token each gets a pair, as a lost answer would have it, and when
// one of those is used the others end the family.
func TestRefreshesAtOnce(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	token := s.signIn(access.RoleClinician, nil).ok(http.StatusOK).text("refresh_token")
	answers := make([]reply, 8)
	var work sync.WaitGroup
	for i := range answers {
		work.Go(func() { answers[i] = s.refresh(token) })
	}
	work.Wait()
	seen := map[string]bool{}
	for _, r := range answers {
		seen[r.ok(http.StatusOK).text("refresh_token")] = true
	}
	assert.Len(t, seen, len(answers))
	next := s.refresh(answers[0].text("refresh_token")).ok(http.StatusOK).text("refresh_token")
	s.refresh(answers[1].text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused")
	s.refresh(next).refused(http.StatusUnauthorized, "refresh-refused")
}

func TestADevicesRefresh(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	r := f.nobody("").post("/v1/devices/enrol", map[string]any{
		"invite_code": f.invite(map[string]any{}), "caregiver": map[string]any{"name": "Papa"}, "device": map[string]any{"name": "p", "platform": "ios"},
	}).ok(http.StatusCreated)
	f.nobody(r.text("access_token")).get("/v1/household").ok(http.StatusOK)
	f.clock.advance(90*24*time.Hour - time.Second) // a phone that comes back late
	r = f.refresh(r.text("refresh_token")).ok(http.StatusOK)
	f.nobody(r.text("access_token")).get("/v1/household").ok(http.StatusOK)
	f.clock.advance(90 * 24 * time.Hour)
	f.refresh(r.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused")
}
