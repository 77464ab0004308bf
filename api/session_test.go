package api_test

import (
	"fmt"
	"net/http"
	"net/netip"
	"strconv"
	"testing"
	"time"

	"github.com/pquerna/otp/totp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// guardedLead is a site whose lead has a second factor.
type guardedLead struct {
	*site
	secret string
	codes  []string
}

func newGuardedLead(t testing.TB) *guardedLead {
	t.Helper()
	s := &guardedLead{site: newHouse(t).newSiteAsking("north", "all")}
	credentials := map[string]any{"email": s.email(access.RoleLead), "password": password}
	s.secret = s.nobody("").post("/v1/auth/second-factor", credentials).ok(http.StatusOK).text("secret")
	r := s.nobody("").post("/v1/auth/second-factor", with(credentials, "otp", s.code())).ok(http.StatusOK)
	s.codes = textsOf(r.list("recovery_codes"))
	return s
}

// code is the one-time code of now, after a step, so that it is a new one.
func (s *guardedLead) code() string {
	s.t.Helper()
	s.clock.advance(30 * time.Second)
	code, err := totp.GenerateCode(s.secret, s.clock.now())
	require.NoError(s.t, err)
	return code
}

func (s *guardedLead) enter(otp string) reply {
	s.t.Helper()
	return s.signIn(access.RoleLead, map[string]any{"otp": otp})
}

func textsOf(list []any) []string {
	var texts []string
	for _, item := range list {
		texts = append(texts, item.(string))
	}
	return texts
}

func TestARecoveryCodeWorksOnceInPlaceOfACode(t *testing.T) {
	t.Parallel()
	s := newGuardedLead(t)
	require.Len(t, s.codes, 10)
	assert.InDelta(t, 10, s.enter(s.code()).ok(http.StatusOK).at("recovery_codes_left"), 0)
	assert.InDelta(t, 9, s.enter(s.codes[3]).ok(http.StatusOK).at("recovery_codes_left"), 0)
	s.enter(s.codes[3]).refused(http.StatusUnauthorized, "sign-in-failed")
	s.signIn(access.RoleLead, map[string]any{"otp": s.codes[4], "password": "x"}).refused(http.StatusUnauthorized, "sign-in-failed")
	in := s.enter(s.codes[4]).ok(http.StatusOK) // a wrong password uses up none
	assert.NotContains(t, s.refresh(in.text("refresh_token")).ok(http.StatusOK).doc(), "recovery_codes_left")

	// A code of somebody else opens nothing.
	credentials := map[string]any{"email": s.email(access.RoleClinician), "password": password}
	secret := s.nobody("").post("/v1/auth/second-factor", credentials).ok(http.StatusOK).text("secret")
	code, err := totp.GenerateCode(secret, s.clock.now())
	require.NoError(t, err)
	s.nobody("").post("/v1/auth/second-factor", with(credentials, "otp", s.codes[5])).refused(http.StatusUnauthorized, "sign-in-failed")
	s.nobody("").post("/v1/auth/second-factor", with(credentials, "otp", code)).ok(http.StatusOK)
	s.signIn(access.RoleClinician, map[string]any{"otp": s.codes[5]}).refused(http.StatusUnauthorized, "sign-in-failed")
}

func TestNewRecoveryCodesVoidTheOld(t *testing.T) {
	t.Parallel()
	s := newGuardedLead(t)
	ask := func(password, otp string) reply {
		return s.lead.post("/v1/auth/recovery-codes", map[string]any{"password": password, "otp": otp})
	}
	ask("wrong", s.code()).refused(http.StatusUnauthorized, "sign-in-failed")
	ask(password, "000000").refused(http.StatusUnauthorized, "sign-in-failed")
	s.lead.post("/v1/auth/recovery-codes", map[string]any{"password": password}).refused(http.StatusUnauthorized, "second-factor-required")
	s.enter(s.codes[0]).ok(http.StatusOK)

	made := textsOf(ask(password, s.code()).ok(http.StatusOK).list("recovery_codes"))
	assert.Len(t, made, 10)
	assert.NotContains(t, made, s.codes[1])
	s.enter(s.codes[1]).refused(http.StatusUnauthorized, "sign-in-failed")
	assert.InDelta(t, 9, s.enter(made[0]).ok(http.StatusOK).at("recovery_codes_left"), 0)
}

func TestSignOut(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	signOut := func(token string) {
		f.nobody("").post("/v1/auth/sign-out", map[string]any{"refresh_token": token}).ok(http.StatusNoContent)
	}
	first := f.signIn(access.RoleLead, nil).ok(http.StatusOK)
	second := f.signIn(access.RoleLead, nil).ok(http.StatusOK)
	next := f.refresh(first.text("refresh_token")).ok(http.StatusOK)
	for range 2 { // with a token that is spent, and again
		signOut(first.text("refresh_token"))
		f.nobody(first.text("access_token")).get("/v1/roster").refused(http.StatusUnauthorized, "token-invalid")
		f.nobody(next.text("access_token")).get("/v1/roster").refused(http.StatusUnauthorized, "token-invalid")
		f.refresh(next.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused")
	}
	f.nobody(second.text("access_token")).get("/v1/roster").ok(http.StatusOK)
	for _, none := range []string{"", "x" + secret, second.text("access_token")} {
		signOut(none)
	}
	f.nobody(second.text("access_token")).get("/v1/roster").ok(http.StatusOK)

	device := f.nobody("").post("/v1/devices/enrol", map[string]any{
		"invite_code": f.invite(map[string]any{}), "caregiver": map[string]any{"name": "Papa"}, "device": map[string]any{"name": "p", "platform": "ios"},
	}).ok(http.StatusCreated)
	signOut(device.text("refresh_token"))
	f.nobody(device.text("access_token")).get("/v1/household").refused(http.StatusUnauthorized, "token-invalid")
}

// TestAnEndedSessionHandsInNothing: whatever is wrong with what it sends, and however often, it hears that its session has ended.
func TestAnEndedSessionHandsInNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	head := w.otherPapa.sync().at("head")
	device := w.other.nobody("").post("/v1/devices/enrol", map[string]any{
		"invite_code": w.other.invite(map[string]any{}), "caregiver": map[string]any{"name": "Papa"}, "device": map[string]any{"name": "p", "platform": "ios"},
	}).ok(http.StatusCreated)
	diverged := w.otherPapa.envelope()
	diverged["cursor"] = "bm90IHRoaXMgaGlzdG9yeQ"
	old := w.otherPapa.envelope()
	old["schema"] = 0
	calls := map[string]call{
		"an evening":      {}, // another one each time: see ask
		"nothing":         {body: w.otherPapa.envelope()},
		"another history": {body: diverged},
		"another schema":  {body: old},
		"no body":         {},
		"no JSON":         {body: "?"},
		"JSON cut short":  {body: `{"schema":1,`},
	}
	ask := func(what string) reply {
		c := calls[what]
		if what == "an evening" {
			c.body = w.otherPapa.envelope(w.otherPapa.evening(w.clock.now())...)
		}
		c.method, c.path, c.as = http.MethodPost, "/v1/sync", w.nobody(device.text("access_token"))
		return w.do(c)
	}
	heard := map[string]int{}
	for what := range calls {
		heard[what] = ask(what).status
	}
	assert.Equal(t, http.StatusOK, heard["an evening"])
	assert.Equal(t, http.StatusOK, heard["nothing"])
	assert.Equal(t, http.StatusConflict, heard["another history"])
	before := w.otherPapa.sync().at("head")
	assert.NotEqual(t, head, before)
	w.post("/v1/auth/sign-out", map[string]any{"refresh_token": device.text("refresh_token")}).ok(http.StatusNoContent)
	for what := range calls {
		r := ask(what)
		assert.Equal(t, http.StatusUnauthorized, r.status, what)
		assert.Contains(t, string(r.body), "token-invalid", what)
	}
	assert.Equal(t, before, w.otherPapa.sync().at("head"))
	w.edged(api.Config{Limits: api.Limits{Guess: api.Rate{PerSecond: 0.5, Burst: 2}}})
	ask("an evening").refused(http.StatusUnauthorized, "token-invalid")
	ask("no JSON").refused(http.StatusUnauthorized, "token-invalid")
	ask("an evening").waits(2)
	ask("no JSON").waits(2)
	w.otherPapa.sync()
}

// TestAReusedTokenEndsTheSessionAtOnce: the access tokens of the family too, a device's as a clinician's.
func TestAReusedTokenEndsTheSessionAtOnce(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	device := f.nobody("").post("/v1/devices/enrol", map[string]any{
		"invite_code": f.invite(map[string]any{}), "caregiver": map[string]any{"name": "Papa"}, "device": map[string]any{"name": "p", "platform": "ios"},
	}).ok(http.StatusCreated)
	for path, first := range map[string]reply{"/v1/roster": f.signIn(access.RoleLead, nil).ok(http.StatusOK), "/v1/household": device} {
		second := f.refresh(first.text("refresh_token")).ok(http.StatusOK)
		third := f.refresh(second.text("refresh_token")).ok(http.StatusOK)
		f.nobody(third.text("access_token")).get(path).ok(http.StatusOK)
		f.refresh(first.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused") // two before, within the minute
		f.nobody(third.text("access_token")).get(path).refused(http.StatusUnauthorized, "token-invalid")
		f.refresh(third.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused")
	}
}

func TestChangePassword(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	const next = "eight quick otters"
	first := s.signIn(access.RoleClinician, nil).ok(http.StatusOK)
	second := s.signIn(access.RoleClinician, nil).ok(http.StatusOK)
	other := s.signIn(access.RoleLead, nil).ok(http.StatusOK)
	change := func(current, next string) reply {
		return s.nobody(first.text("access_token")).post("/v1/auth/password", map[string]any{"password": current, "new_password": next})
	}
	change("wrong", next).refused(http.StatusUnauthorized, "sign-in-failed")
	change(password, "short").refused(http.StatusUnprocessableEntity, "password-unsuitable", "/new_password")
	s.nobody(second.text("access_token")).get("/v1/roster").ok(http.StatusOK)

	change(password, next).ok(http.StatusNoContent)
	for _, ended := range []reply{first, second} {
		s.nobody(ended.text("access_token")).get("/v1/roster").refused(http.StatusUnauthorized, "token-invalid")
		s.refresh(ended.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused")
	}
	s.nobody(other.text("access_token")).get("/v1/roster").ok(http.StatusOK)
	s.signIn(access.RoleClinician, nil).refused(http.StatusUnauthorized, "sign-in-failed")
	s.signIn(access.RoleClinician, map[string]any{"password": next}).ok(http.StatusOK)
}

// TestWhatAnOperatorDoesCountsAtTheNextCall disables a clinician, lets them in again and resets their second factor.
func TestWhatAnOperatorDoesCountsAtTheNextCall(t *testing.T) {
	t.Parallel()
	s := newGuardedLead(t)
	email := s.email(access.RoleLead)
	in := s.enter(s.code()).ok(http.StatusOK)
	shutOut := func() {
		t.Helper()
		s.nobody(in.text("access_token")).get("/v1/roster").refused(http.StatusUnauthorized, "token-invalid")
		s.refresh(in.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused")
	}
	disable := func(disabled bool) {
		everywhere(s.house, func(on *clinic.Service, _ clinic.Store) (any, error) {
			return nil, on.SetMemberDisabled(t.Context(), email, disabled, s.clock.now())
		})
	}
	disable(true)
	shutOut()
	s.lead.get("/v1/roster").refused(http.StatusUnauthorized, "token-invalid") // in a session that has not ended either
	s.clinician.get("/v1/roster").ok(http.StatusOK)
	s.enter(s.code()).refused(http.StatusUnauthorized, "sign-in-failed")
	disable(false)
	shutOut()
	in = s.enter(s.code()).ok(http.StatusOK)

	everywhere(s.house, func(on *clinic.Service, _ clinic.Store) (any, error) {
		return nil, on.ResetSecondFactor(t.Context(), email, s.clock.now())
	})
	shutOut()
	s.enter(s.codes[0]).refused(http.StatusUnauthorized, "second-factor-required")
	again := s.nobody("").post("/v1/auth/second-factor", map[string]any{"email": email, "password": password}).ok(http.StatusOK)
	assert.NotEqual(t, s.secret, again.text("secret"))
}

// TestASessionEndsAfterADay refreshes just before the end: neither token outlasts it.
func TestASessionEndsAfterADay(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	in := s.signIn(access.RoleLead, nil).ok(http.StatusOK)
	for range 28 {
		s.clock.advance(50 * time.Minute)
		in = s.refresh(in.text("refresh_token")).ok(http.StatusOK)
		assert.InDelta(t, 900, in.at("expires_in"), 0)
	}
	s.clock.set(start.Add(24*time.Hour - 3*time.Minute))
	last := s.refresh(in.text("refresh_token")).ok(http.StatusOK)
	assert.InDelta(t, 180, last.at("expires_in"), 0)
	s.clock.advance(3*time.Minute - time.Second)
	s.nobody(last.text("access_token")).get("/v1/roster").ok(http.StatusOK)
	final := s.refresh(last.text("refresh_token")).ok(http.StatusOK)
	s.clock.advance(time.Second)
	s.nobody(last.text("access_token")).get("/v1/roster").refused(http.StatusUnauthorized, "token-expired")
	s.nobody(final.text("access_token")).get("/v1/roster").refused(http.StatusUnauthorized, "token-expired")
	s.refresh(final.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused")
	s.refresh(last.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused") // a retry after the end
}

// guessing calls sign-in from places.
type guessing struct {
	*site
	email string
}

func (g guessing) from(address string, changed map[string]any) reply {
	g.t.Helper()
	body := map[string]any{"email": g.email, "password": password}
	for name, value := range changed {
		body[name] = value
	}
	return g.do(call{method: http.MethodPost, path: "/v1/auth/sign-in", body: body, from: netip.MustParseAddr(address)})
}

func (g guessing) wrong(address string) reply {
	g.t.Helper()
	return g.from(address, map[string]any{"password": "wrong"})
}

// slowed requires that a try must wait, and returns how long.
func slowed(r reply) time.Duration {
	r.t.Helper()
	r.refused(http.StatusTooManyRequests, "too-many-attempts")
	seconds, err := strconv.Atoi(r.header.Get("Retry-After"))
	require.NoError(r.t, err)
	return time.Duration(seconds) * time.Second
}

// TestGuessesElsewhereDontHoldUpTheClinic lets the whole world guess at an account.
func TestGuessesElsewhereDontHoldUpTheClinic(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	const clinic, home = "203.0.113.7", "2001:db8:1:2::7"
	g := guessing{s, s.email(access.RoleLead)}
	nobody := guessing{s, "nobody@north.example"}
	g.from(clinic, nil).ok(http.StatusOK)
	for i := range 11 {
		address := fmt.Sprintf("198.51.100.%d", i)
		known, unknown := g.wrong(address), nobody.wrong(address)
		known.refused(http.StatusUnauthorized, "sign-in-failed")
		assert.Equal(t, string(known.body), string(unknown.body))
	}
	// Changing the address gains nothing any more, and the right password is not even tried.
	assert.Equal(t, time.Minute, slowed(g.wrong("198.51.100.99")))
	assert.Equal(t, time.Minute, slowed(nobody.wrong("198.51.100.99")), "as for an account that is not there")
	slowed(g.from(home, nil))
	g.from(clinic, nil).ok(http.StatusOK)

	// Every second failure costs twice the wait of the one before.
	for wait := time.Minute; wait < 40*time.Minute; wait *= 2 {
		assert.Equal(t, wait, slowed(g.wrong("198.51.100.99")))
		s.clock.advance(wait)
		g.wrong("198.51.100.99").refused(http.StatusUnauthorized, "sign-in-failed")
	}
	g.from(clinic, nil).ok(http.StatusOK)

	// A restart forgets the failures and not the clinic.
	h := openHouse(t, s.path, s.keys, s.clock, s.madeIDs)
	after := *s
	after.house = h
	g.site = &after
	for i := range 11 {
		g.wrong(fmt.Sprintf("198.51.100.%d", i)).refused(http.StatusUnauthorized, "sign-in-failed")
	}
	slowed(g.from(home, nil))
	g.from(clinic, nil).ok(http.StatusOK)

	// Who gets in from somewhere new is known there too: from the whole of the line's network.
	s.clock.advance(2 * time.Hour)
	g.from(home, nil).ok(http.StatusOK)
	for i := range 12 {
		g.wrong(fmt.Sprintf("198.51.100.%d", i))
	}
	g.from("2001:db8:1:2:ffff::1", nil).ok(http.StatusOK)
	slowed(g.from("2001:db8:1:3::7", nil))

	// After a month away nobody is known.
	s.clock.advance(30 * 24 * time.Hour)
	for i := range 11 {
		g.wrong(fmt.Sprintf("198.51.100.%d", i)).refused(http.StatusUnauthorized, "sign-in-failed")
	}
	slowed(g.from(clinic, nil))
}

// TestGuessesFromWhereTheClinicIs counts an address that is known alone.
func TestGuessesFromWhereTheClinicIs(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	const clinic, home = "203.0.113.7", "203.0.113.8"
	g, colleague := guessing{s, s.email(access.RoleLead)}, guessing{s, s.email(access.RoleClinician)}
	g.from(clinic, nil).ok(http.StatusOK)
	for range 11 {
		g.wrong(clinic).refused(http.StatusUnauthorized, "sign-in-failed")
	}
	assert.Equal(t, time.Minute, slowed(g.from(clinic, nil)))
	colleague.from(clinic, nil).ok(http.StatusOK)
	g.from(home, nil).ok(http.StatusOK) // those failures don't count elsewhere
	s.clock.advance(time.Minute - time.Second)
	assert.Equal(t, time.Second, slowed(g.from(clinic, nil)))
	s.clock.advance(time.Second)
	g.from(clinic, nil).ok(http.StatusOK)
	for range 11 {
		g.wrong(clinic).refused(http.StatusUnauthorized, "sign-in-failed") // counted anew
	}
	slowed(g.from(clinic, nil))
}

// TestWrongCodesAreCounted by whoever has the password: it must not begin the count anew, at sign-in or elsewhere.
func TestWrongCodesAreCounted(t *testing.T) {
	t.Parallel()
	s := newGuardedLead(t)
	for i := range 11 {
		s.enter(fmt.Sprintf("%06d", i)).refused(http.StatusUnauthorized, "sign-in-failed")
		if i < 10 {
			s.enter("").refused(http.StatusUnauthorized, "second-factor-required")
		}
	}
	slowed(s.enter(s.codes[0]))
	slowed(s.nobody("").post("/v1/auth/second-factor", map[string]any{"email": s.email(access.RoleLead), "password": password}))
	// Whoever is signed in is counted for that session alone, and counted there too.
	for range 11 {
		s.lead.post("/v1/auth/recovery-codes", map[string]any{"password": password, "otp": "000000"}).refused(http.StatusUnauthorized, "sign-in-failed")
	}
	slowed(s.lead.post("/v1/auth/password", map[string]any{"password": password, "otp": s.codes[0], "new_password": "eight quick otters"}))
	s.clock.advance(time.Minute)
	s.enter(s.codes[0]).ok(http.StatusOK) // what was refused used up nothing
}
