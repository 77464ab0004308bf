package api_test

import (
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// forged returns a token with another header or other claims than one that was issued. It is signed by the key given, or keeps
// the signature that it had.
func forged(t testing.TB, token string, header, claims map[string]any, key ed25519.PrivateKey) string {
	t.Helper()
	parts := strings.Split(token, ".")
	for i, changes := range []map[string]any{header, claims} {
		raw, err := base64.RawURLEncoding.DecodeString(parts[i])
		require.NoError(t, err)
		var members map[string]any
		require.NoError(t, json.Unmarshal(raw, &members))
		for name, value := range changes {
			members = with(members, name, value)
		}
		if len(changes) > 0 {
			parts[i] = base64.RawURLEncoding.EncodeToString(encoded(t, members))
		}
	}
	if key != nil {
		parts[2] = base64.RawURLEncoding.EncodeToString(ed25519.Sign(key, []byte(parts[0]+"."+parts[1])))
	}
	return strings.Join(parts, ".")
}

// onTokens offers tokens that were altered, made, stolen, spent or meant for something else (RFC 8725). Each asks for
// what the token that it was made from is answered.
func onTokens(s *siege) []attack {
	s.t.Helper()
	good := s.clinician.token()
	_, own, err := ed25519.GenerateKey(rand.Reader)
	require.NoError(s.t, err)
	published := s.nobody("").get("/.well-known/jwks.json").ok(http.StatusOK)
	symmetric := func() string {
		parts := strings.Split(forged(s.t, good, map[string]any{"alg": "HS256"}, map[string]any{"role": "lead"}, nil), ".")
		x, err := base64.RawURLEncoding.DecodeString(at(s.t, published.list("keys")[0], "x").(string))
		require.NoError(s.t, err)
		mac := hmac.New(sha256.New, x)
		mac.Write([]byte(parts[0] + "." + parts[1]))
		return parts[0] + "." + parts[1] + "." + base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
	}
	unsigned := func(alg string) string {
		return strings.TrimRight(forged(s.t, good, map[string]any{"alg": alg}, nil, nil), "-_0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")
	}
	out := s.signIn(access.RoleClinician, nil).ok(http.StatusOK)
	s.post("/v1/auth/sign-out", map[string]any{"refresh_token": out.text("refresh_token")}).ok(http.StatusNoContent)
	in := s.signIn(access.RoleClinician, nil).ok(http.StatusOK)
	bad := func(tries, token string) attack {
		return get(tries, s.nobody(token), "/v1/roster", http.StatusUnauthorized, "token-invalid")
	}
	placed := func(tries, path string, header map[string]string) attack {
		return attack{
			tries: tries, status: http.StatusUnauthorized, problem: "token-required",
			call: call{method: http.MethodGet, path: path, header: header},
		}
	}
	refresh := func(tries, token string) attack {
		return post(tries, s.nobody(""), "/v1/auth/refresh", map[string]any{"refresh_token": token}, http.StatusUnauthorized, "refresh-refused")
	}
	return []attack{
		bad("a token says that it is not signed", unsigned("none")),
		bad("a token without a signature keeps its algorithm", unsigned("EdDSA")),
		bad("a token is signed with the published key as a secret", symmetric()),
		bad("a token is signed with another key under the same name", forged(s.t, good, nil, nil, own)),
		bad("a token brings its own key", forged(s.t, good, map[string]any{"jwk": map[string]any{
			"kty": "OKP", "crv": "Ed25519", "x": base64.RawURLEncoding.EncodeToString(own.Public().(ed25519.PublicKey)),
		}}, nil, own)),
		bad("a token says where its key is", forged(s.t, good, map[string]any{"jku": "https://evil.example.test/keys"}, nil, own)),
		bad("a token names a file as its key", forged(s.t, good, map[string]any{"kid": "../../../../dev/null"}, nil, own)),
		bad("a token demands an extension", forged(s.t, good, map[string]any{"crit": []string{"b64"}, "b64": false}, nil, own)),
		bad("a clinician's token says lead", forged(s.t, good, nil, map[string]any{"role": "lead"}, nil)),
		bad("a clinician's token says another clinic", forged(s.t, good, nil, map[string]any{"clinic": s.other.id.String()}, nil)),
		bad("a token says that it lasts for ever", forged(s.t, good, nil, map[string]any{"exp": 4102444800}, nil)),
		bad("a refresh token is offered as an access token", in.text("refresh_token")),
		bad("a session is used that has been signed out of", out.text("access_token")),
		bad("a token has a NUL within", good[:40]+"\x00"+good[40:]),
		bad("a token is very long", repeated("A", 60_000)+"."+good),
		get("a service token is offered as a clinician's", s.scheduler, "/v1/roster", http.StatusForbidden, "forbidden"),
		get("a phone's token is offered as a clinician's", s.papa.who, "/v1/households", http.StatusForbidden, "forbidden"),
		placed("a token stands in the address", "/v1/roster?access_token="+good, nil),
		placed("a token stands in a cookie", "/v1/roster", map[string]string{"Cookie": "access_token=" + good + "; Authorization=Bearer " + good}),
		placed("a token stands in another header", "/v1/roster", map[string]string{"X-Authorization": "Bearer " + good}),
		placed("a password stands in the place of a token", "/v1/roster", map[string]string{
			"Authorization": "Basic " + base64.StdEncoding.EncodeToString([]byte(s.site.email(access.RoleLead)+":"+password)),
		}),
		refresh("an access token is offered as a refresh token", in.text("access_token")),
		refresh("a refresh token is offered after signing out", out.text("refresh_token")),
		refresh("a refresh token is guessed", base64.RawURLEncoding.EncodeToString(make([]byte, 32))),
		refresh("an invite code is offered as a refresh token", s.invite(map[string]any{})),
	}
}

// TestAttackByAReplayedRefreshToken to whoever stole it: it ends the session for both, and the clinic can see it.
func TestAttackByAReplayedRefreshToken(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	vault := s.newVault()
	stolen := s.signIn(access.RoleLead, nil).ok(http.StatusOK).text("refresh_token")
	second := s.refresh(stolen).ok(http.StatusOK)
	third := s.refresh(second.text("refresh_token")).ok(http.StatusOK)
	vault.deeds()
	s.refresh(stolen).refused(http.StatusUnauthorized, "refresh-refused")
	assert.Equal(t, []deed{{
		role: "lead", did: "refreshTokens", outcome: "refresh-refused", who: s.members[access.RoleLead].ID,
	}}, vault.deeds()[s.id])
	s.nobody(third.text("access_token")).get("/v1/roster").refused(http.StatusUnauthorized, "token-invalid")
	s.refresh(third.text("refresh_token")).refused(http.StatusUnauthorized, "refresh-refused")
	s.checked()
}

// enrolment is what a phone sends with an invite code.
func enrolment(code any, caregiver map[string]any) map[string]any {
	return map[string]any{"invite_code": code, "caregiver": caregiver, "device": map[string]any{"name": "phone", "platform": "android"}}
}

// onEnrolment offers codes that can't be used, and good ones to become somebody else. Each code that can't be used is
// told alike.
func onEnrolment(s *siege) []attack {
	s.t.Helper()
	name := map[string]any{"name": "Mallory"}
	used := s.invite(map[string]any{})
	s.redeem(used, name)
	expired := s.invite(map[string]any{})
	s.clock.advance(clinic.DefaultInviteWindow)
	good, forMama := s.invite(map[string]any{}), s.invite(map[string]any{"caregiver_id": s.mama.caregiver})
	enrol := func(tries string, code any, caregiver map[string]any, problem string) attack {
		return post(tries, s.nobody(""), "/v1/devices/enrol", enrolment(code, caregiver), http.StatusUnprocessableEntity, problem)
	}
	other := byte('A')
	if good[0] == other {
		other = 'B'
	}
	return []attack{
		enrol("a code is guessed", repeated("A", len(good)), name, "invite-refused"),
		enrol("a code is one letter off", string(other)+good[1:], name, "invite-refused"),
		enrol("a code is used a second time", used, name, "invite-refused"),
		enrol("a code is used when it has expired", expired, name, "invite-refused"),
		enrol("a code is empty", "", name, "invite-refused"),
		enrol("a code is SQL", "' OR '1'='1", name, "invite-refused"),
		enrol("a code ends early", good[:8]+"\x00"+good[8:], name, "invite-refused"),
		enrol("a code is very long", repeated(good, 1000), name, "invite-refused"),
		enrol("a code is many codes", []string{good, used}, name, "invalid-input"),
		enrol("a code is a pattern", map[string]any{"$ne": ""}, name, "invalid-input"),
		enrol("an id of a caregiver is offered as a code", s.mama.caregiver, name, "invite-refused"),
		enrol("a code for anybody makes somebody a caregiver who is there", good, with(name, "id", s.mama.caregiver), "invalid-input"),
		enrol("a code for one caregiver makes somebody another", forMama, with(name, "id", s.papa.caregiver), "invalid-input"),
		enrol("a code makes somebody another clinic's caregiver", good, with(name, "id", s.otherPapa.caregiver), "invalid-input"),
		enrol("a code makes somebody a caregiver with a chosen id", good, with(name, "id", uuid.NewString()), "invalid-input"),
		enrol("a code makes somebody a clinician", good, with(name, "role", "lead"), "invalid-input"),
		enrol("a name that comes back breaks a line", good, map[string]any{"name": "a\r\nSet-Cookie: x=1"}, "invalid-input"),
		get("a code is tried by an address that can be followed", s.nobody(""), "/v1/devices/enrol?invite_code="+good, http.StatusMethodNotAllowed, "method-not-allowed").undescribed(),
	}
}

// undescribed marks an attack by a call that the description knows nothing of.
func (a attack) undescribed() attack {
	a.elsewhere = true
	return a
}

// TestAttacksByCodesThatCannotBeUsed: wrong, used and expired are one answer.
func TestAttacksByCodesThatCannotBeUsed(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	name := map[string]any{"name": "Mallory"}
	expired := f.invite(map[string]any{})
	f.clock.advance(clinic.DefaultInviteWindow)
	used := f.invite(map[string]any{})
	f.redeem(used, name)
	told := map[string]bool{}
	for _, code := range []string{repeated("A", len(used)), used, expired, "", used + "A"} {
		told[withoutAddress(f.post("/v1/devices/enrol", enrolment(code, name)))] = true
	}
	assert.Len(t, told, 1)
}

// TestAttacksByAnothersCode redeems a code with the token of somebody else: whose household it is, the code decides.
func TestAttacksByAnothersCode(t *testing.T) {
	t.Parallel()
	f, _, papa := newTwoPhones(t)
	other := f.newSite("south").newFamily("Badger")
	code := other.invite(map[string]any{})
	r := papa.post("/v1/devices/enrol", enrolment(code, map[string]any{"name": "Papa"})).ok(http.StatusCreated)
	assert.Equal(t, other.household, r.text("household_id"))
	assert.NotEqual(t, papa.caregiver, r.text("caregiver_id"), "no caregiver is of two households")
	f.nobody(r.text("access_token")).get(f.path("summary")).refused(http.StatusNotFound, "not-found")
}

// TestACaregiverWithoutConsentIsInvitedAgain: the code is the clinic's, and redeeming it is consent. A code from before says who.
func TestACaregiverWithoutConsentIsInvitedAgain(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	code := f.invite(map[string]any{"caregiver_id": mama.caregiver})
	mama.withdraw()
	f.post("/v1/devices/enrol", enrolment(code, map[string]any{"name": "Mallory", "id": papa.caregiver})).
		refused(http.StatusUnprocessableEntity, "invalid-input", "/caregiver/id")
	mama.get("/v1/household").refused(http.StatusForbidden, "consent-withdrawn")
	assert.Equal(t, mama.caregiver, f.redeem(code, map[string]any{"name": "Mallory"}).caregiver)
	people := papa.get("/v1/household").ok(http.StatusOK).list("caregivers")
	assert.NotContains(t, pluck(t, people, "name"), "Mallory", "whoever redeems it renames nobody")
}

// TestAttackByFiftyAtOnce: exactly one succeeds, all others are told what everybody is told.
func TestAttackByFiftyAtOnce(t *testing.T) {
	t.Parallel()
	f, _, papa := newTwoPhones(t)
	vault := f.newVault()
	code := f.invite(map[string]any{})
	vault.deeds()
	var enrolled, refused atomic.Int64
	var racing sync.WaitGroup
	begin := make(chan struct{})
	for range 50 {
		racing.Go(func() {
			<-begin
			switch r := f.post("/v1/devices/enrol", enrolment(code, map[string]any{"name": "Gran"})); r.status {
			case http.StatusCreated:
				enrolled.Add(1)
			case http.StatusUnprocessableEntity:
				refused.Add(1)
			default:
				assert.Fail(t, "another answer", "%s", r.body)
			}
		})
	}
	close(begin)
	racing.Wait()
	assert.Equal(t, []int64{1, 49}, []int64{enrolled.Load(), refused.Load()})
	gran := 0
	for _, c := range papa.get("/v1/household").ok(http.StatusOK).list("caregivers") {
		if at(t, c, "name") == "Gran" {
			gran++
		}
	}
	assert.Equal(t, 1, gran)
	outcomes := map[string]int{}
	for _, d := range vault.deeds()[f.id] {
		if d.did == "enrolDevice" {
			outcomes[d.outcome]++
		}
	}
	assert.Equal(t, map[string]int{"done": 1, "invite-refused": 49}, outcomes, "each try is for the clinic to see")
	f.checked()
}

// TestAttacksByWhatHasEnded keeps the token that a phone has, and uses it when it may not any more.
func TestAttacksByWhatHasEnded(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	token := mama.token()
	f.nobody(token).get("/v1/household").ok(http.StatusOK)
	mama.revoke()
	f.nobody(token).get("/v1/household").refused(http.StatusForbidden, "forbidden")
	f.nobody(token).get(streamPath).refused(http.StatusForbidden, "forbidden")
	f.clock.advance(15 * time.Minute)
	f.nobody(token).get("/v1/household").refused(http.StatusUnauthorized, "token-expired")
}
