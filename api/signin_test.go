package api_test

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/pquerna/otp/totp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

func (s *site) email(role access.Role) string { return s.members[role].Email }

// signIn asks for tokens with whatever is changed in good credentials.
func (s *site) signIn(role access.Role, changed map[string]any) reply {
	s.t.Helper()
	credentials := map[string]any{"email": s.email(role), "password": password}
	for name, value := range changed {
		credentials[name] = value
	}
	return s.nobody("").post("/v1/auth/sign-in", credentials)
}

func TestSignIn(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	r := s.signIn(access.RoleClinician, nil).ok(http.StatusOK)
	assert.ElementsMatch(t, []string{"access_token", "expires_in", "refresh_token", "known_device"}, keys(r.doc()))
	assert.InDelta(t, 900, r.at("expires_in"), 0)
	s.nobody(r.text("access_token")).get("/v1/roster").ok(http.StatusOK)
	s.signIn(access.RoleClinician, map[string]any{"email": "  " + strings.ToUpper(s.email(access.RoleClinician)) + " "}).ok(http.StatusOK)
	s.clock.advance(15 * time.Minute)
	s.nobody(r.text("access_token")).get("/v1/roster").refused(http.StatusUnauthorized, "token-expired")

	wrong := s.signIn(access.RoleClinician, map[string]any{"password": password + "s"}).refused(http.StatusUnauthorized, "sign-in-failed")
	for _, changed := range []map[string]any{
		{"email": "nobody@north.example"},
		{"email": ""},
		{"email": "a\x00b"},
		{"password": ""},
		{"password": strings.ToUpper(password)},
		{"email": "nobody@north.example", "password": ""},
		{"password": repeated("x", 5000)},
		{"otp": "123456", "password": "x"},
	} {
		assert.Equal(t, string(wrong.body), string(s.signIn(access.RoleClinician, changed).body), "%v", changed)
	}
}

// TestWhoNeedsASecondFactor: whom the clinic asks for one, and how it is set up.
func TestWhoNeedsASecondFactor(t *testing.T) {
	t.Parallel()
	for asks, needs := range map[string][]access.Role{
		"none": nil, "lead": {access.RoleLead}, "all": {access.RoleLead, access.RoleClinician},
	} {
		s := newHouse(t).newSiteAsking("north", asks)
		for _, role := range []access.Role{access.RoleClinician, access.RoleLead} {
			r := s.signIn(role, nil)
			needed := false
			for _, n := range needs {
				needed = needed || n == role
			}
			if needed {
				r.refused(http.StatusUnauthorized, "second-factor-required")
				s.signIn(role, map[string]any{"otp": "000000"}).refused(http.StatusUnauthorized, "second-factor-required")
			} else {
				r.ok(http.StatusOK)
			}
		}
	}
}

func TestSecondFactor(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSiteAsking("north", "all")
	credentials := map[string]any{"email": s.email(access.RoleLead), "password": password}
	setUp := func(changed string, value any) reply {
		return s.nobody("").post("/v1/auth/second-factor", with(credentials, changed, value))
	}
	code := func(secret string, at time.Time) string {
		code, err := totp.GenerateCode(secret, at)
		require.NoError(t, err)
		return code
	}
	setUp("password", "wrong").refused(http.StatusUnauthorized, "sign-in-failed")
	setUp("email", "nobody@north.example").refused(http.StatusUnauthorized, "sign-in-failed")
	// Before there is a secret no code confirms one, not even that of an empty secret.
	setUp("otp", code("", s.clock.now())).refused(http.StatusUnauthorized, "sign-in-failed")
	s.signIn(access.RoleLead, nil).refused(http.StatusUnauthorized, "second-factor-required")

	first := setUp("otp", nil).ok(http.StatusOK)
	r := setUp("otp", nil).ok(http.StatusOK)
	assert.ElementsMatch(t, []string{"secret", "otpauth_uri"}, keys(r.doc()))
	secret := r.text("secret")
	assert.NotEqual(t, first.text("secret"), secret)
	uri, err := url.Parse(r.text("otpauth_uri"))
	require.NoError(t, err)
	assert.Equal(t, secret, uri.Query().Get("secret"))
	// It asks for nothing until it is confirmed, and lets nobody in either.
	s.signIn(access.RoleLead, map[string]any{"otp": code(secret, s.clock.now())}).refused(http.StatusUnauthorized, "second-factor-required")
	setUp("otp", "000000").refused(http.StatusUnauthorized, "sign-in-failed")
	setUp("otp", code(first.text("secret"), s.clock.now())).refused(http.StatusUnauthorized, "sign-in-failed")
	confirmed := setUp("otp", code(secret, s.clock.now())).ok(http.StatusOK)
	assert.ElementsMatch(t, []string{"confirmed", "recovery_codes"}, keys(confirmed.doc()))
	assert.Equal(t, true, confirmed.at("confirmed"))

	setUp("otp", nil).refused(http.StatusConflict, "second-factor-set")
	setUp("otp", code(secret, s.clock.now())).refused(http.StatusConflict, "second-factor-set")
	s.signIn(access.RoleLead, nil).refused(http.StatusUnauthorized, "second-factor-required")
	signIn := func(otp string) reply { return s.signIn(access.RoleLead, map[string]any{"otp": otp}) }
	signIn(code(secret, s.clock.now())).refused(http.StatusUnauthorized, "sign-in-failed") // it confirmed the secret
	s.clock.advance(30 * time.Second)
	used := code(secret, s.clock.now())
	s.signIn(access.RoleLead, map[string]any{"otp": used, "password": "wrong"}).refused(http.StatusUnauthorized, "sign-in-failed")
	signIn(used).ok(http.StatusOK)
	signIn(used).refused(http.StatusUnauthorized, "sign-in-failed")
	signIn("").refused(http.StatusUnauthorized, "second-factor-required")
	signIn("12345").refused(http.StatusUnauthorized, "sign-in-failed")
	s.clock.advance(30 * time.Second)
	signIn(code(secret, s.clock.now().Add(30*time.Second))).ok(http.StatusOK) // a clock half a minute ahead
	signIn(code(secret, s.clock.now())).refused(http.StatusUnauthorized, "sign-in-failed")
	s.clock.advance(2 * time.Minute)
	signIn(code(secret, s.clock.now().Add(-2*time.Minute))).refused(http.StatusUnauthorized, "sign-in-failed")
}

// TestTokensAreVerifiableByOthers checks issued tokens with nothing but the published keys and the standard library.
func TestTokensAreVerifiableByOthers(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	jwks := f.nobody("").get("/.well-known/jwks.json").ok(http.StatusOK)
	published := map[string]ed25519.PublicKey{}
	for _, k := range jwks.list("keys") {
		assert.Equal(t, []any{"OKP", "Ed25519", "sig", "EdDSA"}, []any{at(t, k, "kty"), at(t, k, "crv"), at(t, k, "use"), at(t, k, "alg")})
		x, err := base64.RawURLEncoding.DecodeString(at(t, k, "x").(string))
		require.NoError(t, err)
		published[at(t, k, "kid").(string)] = x
		assert.NotContains(t, keys(k), "d")
	}
	device := f.nobody("").post("/v1/devices/enrol", map[string]any{
		"invite_code": f.invite(map[string]any{}), "caregiver": map[string]any{"name": "Papa"}, "device": map[string]any{"name": "p", "platform": "ios"},
	}).ok(http.StatusCreated)
	tokens := map[string]string{
		"clinician": f.signIn(access.RoleClinician, nil).text("access_token"), "lead": f.signIn(access.RoleLead, nil).text("access_token"),
		"device": device.text("access_token"), "scheduler": f.scheduler.token(),
	}
	ids := map[any]bool{}
	for role, token := range tokens {
		parts := strings.Split(token, ".")
		require.Len(t, parts, 3)
		var decoded [3][]byte
		for i, part := range parts {
			var err error
			decoded[i], err = base64.RawURLEncoding.DecodeString(part)
			require.NoError(t, err)
		}
		var header, claims map[string]any
		require.NoError(t, json.Unmarshal(decoded[0], &header))
		require.NoError(t, json.Unmarshal(decoded[1], &claims))
		key := published[header["kid"].(string)]
		require.Len(t, key, ed25519.PublicKeySize)
		assert.True(t, ed25519.Verify(key, []byte(parts[0]+"."+parts[1]), decoded[2]))
		assert.Equal(t, "EdDSA", header["alg"])
		assert.Equal(t, role, claims["role"])
		assert.Equal(t, f.id.String(), claims["clinic"])
		assert.Equal(t, "swallowtail", claims["iss"])
		assert.InDelta(t, start.Unix(), claims["iat"], 0)
		if role != "scheduler" {
			assert.InDelta(t, start.Add(15*time.Minute).Unix(), claims["exp"], 0)
		}
		ids[claims["jti"]] = true
		if role == "device" {
			assert.Equal(t, f.household, claims["household"])
			assert.Equal(t, device.text("device_id"), claims["sub"])
		} else {
			assert.NotContains(t, claims, "household")
		}
	}
	assert.Len(t, ids, 4)
}
