package access_test

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

func TestTokenSaysWhoItWasIssuedTo(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	lead, upload := clinician(), device()
	lead.Role = access.RoleLead
	upload.UploadOnly = true

	cases := map[string]struct {
		principal access.Principal
		ttl       time.Duration
	}{
		"device":    {device(), access.AccessTTL},
		"upload":    {upload, time.Minute},
		"clinician": {clinician(), access.AccessTTL},
		"lead":      {lead, access.AccessTTL},
		"scheduler": {scheduler(), 720 * time.Hour},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			now := noon.Add(999 * time.Millisecond)
			token, err := keys.Issue(c.principal, c.ttl, now, "token-1")
			require.NoError(t, err)

			want := c.principal
			want.TokenID, want.IssuedAt, want.ExpiresAt = "token-1", noon, noon.Add(c.ttl)
			got, err := keys.Verify(token, now)
			require.NoError(t, err)
			assert.Equal(t, want, got)
		})
	}
}

func TestTokenOnTheWire(t *testing.T) {
	t.Parallel()
	p := device()
	token, err := fixedKeys(t).Issue(p, access.AccessTTL, noon, "token-1")
	require.NoError(t, err)

	claims := jwt.MapClaims{}
	parsed, _, err := jwt.NewParser().ParseUnverified(token, claims)
	require.NoError(t, err)
	assert.Equal(t, map[string]any{
		"alg": "EdDSA", "typ": "at+jwt", "kid": "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k",
	}, parsed.Header)
	assert.Equal(t, jwt.MapClaims{
		"iss": "swallowtail", "aud": []any{"swallowtail-api"}, "sub": p.DeviceID.String(), "jti": "token-1",
		"iat": float64(noon.Unix()), "exp": float64(noon.Unix() + 900), "client_id": "swallowtail-device",
		"role": "device", "clinic": p.ClinicID.String(), "household": p.HouseholdID.String(),
		"caregiver": p.CaregiverID.String(), "sid": p.Session.String(),
	}, claims)
}

func TestTokenThatMustNotBeIssued(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	with := func(p access.Principal, change func(*access.Principal)) access.Principal {
		change(&p)
		return p
	}
	ok := access.AccessTTL
	cases := map[string]struct {
		principal access.Principal
		ttl       time.Duration
		id        string
	}{
		"device too long":        {device(), ok + time.Second, "a"},
		"clinician too long":     {clinician(), ok + time.Second, "a"},
		"no time":                {device(), 0, "a"},
		"negative time":          {scheduler(), -time.Hour, "a"},
		"no id":                  {device(), ok, ""},
		"id too long":            {device(), ok, strings.Repeat("a", 65)},
		"nobody":                 {access.Principal{}, ok, "a"},
		"unknown role":           {with(device(), func(p *access.Principal) { p.Role = "admin" }), ok, "a"},
		"no clinic":              {with(scheduler(), func(p *access.Principal) { p.ClinicID = uuid.Nil }), ok, "a"},
		"device, no household":   {with(device(), func(p *access.Principal) { p.HouseholdID = uuid.Nil }), ok, "a"},
		"device, no caregiver":   {with(device(), func(p *access.Principal) { p.CaregiverID = uuid.Nil }), ok, "a"},
		"device, no id":          {with(device(), func(p *access.Principal) { p.DeviceID = uuid.Nil }), ok, "a"},
		"clinician, no id":       {with(clinician(), func(p *access.Principal) { p.ClinicianID = uuid.Nil }), ok, "a"},
		"clinician of household": {with(clinician(), func(p *access.Principal) { p.HouseholdID = uuid.New() }), ok, "a"},
		"clinician uploads only": {with(clinician(), func(p *access.Principal) { p.UploadOnly = true }), ok, "a"},
		"device, no session":     {with(device(), func(p *access.Principal) { p.Session = uuid.Nil }), ok, "a"},
		"clinician, no session":  {with(clinician(), func(p *access.Principal) { p.Session = uuid.Nil }), ok, "a"},
		"scheduler with session": {with(scheduler(), func(p *access.Principal) { p.Session = uuid.New() }), ok, "a"},
		"scheduler as clinician": {with(scheduler(), func(p *access.Principal) { p.ClinicianID = uuid.New() }), ok, "a"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			token, err := keys.Issue(c.principal, c.ttl, noon, c.id)
			require.Error(t, err)
			assert.Empty(t, token)
		})
	}
}

func TestTokenExpires(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	token, err := keys.Issue(device(), access.AccessTTL, noon, "a")
	require.NoError(t, err)

	_, err = keys.Verify(token, noon.Add(access.AccessTTL-time.Millisecond))
	require.NoError(t, err)
	_, err = keys.Verify(token, noon.Add(access.AccessTTL))
	assertUnauthenticated(t, err, "token-expired")
	_, err = keys.Verify(token, noon.Add(-time.Second))
	assertUnauthenticated(t, err, "token-invalid") // issued in the future
}

func assertUnauthenticated(t *testing.T, err error, problem string) {
	t.Helper()
	var refused *fault.Error
	require.ErrorAs(t, err, &refused)
	assert.Equal(t, fault.Unauthenticated, refused.Kind)
	assert.Equal(t, problem, refused.Problem)
}

// forger signs whatever it is told with the real key, as only a defect in Issue could.
type forger struct {
	kid     string
	private ed25519.PrivateKey
	header  map[string]any
	claims  jwt.MapClaims
}

func newForger(t *testing.T, path string) forger {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	var file struct {
		Signing []struct {
			ID   string `json:"kid"`
			Seed []byte `json:"seed"`
		} `json:"signing_keys"`
	}
	require.NoError(t, json.Unmarshal(data, &file))
	key := file.Signing[0]
	return forger{
		kid: key.ID, private: ed25519.NewKeyFromSeed(key.Seed),
		header: map[string]any{"alg": "EdDSA", "typ": "at+jwt", "kid": key.ID},
		claims: jwt.MapClaims{
			"iss": "swallowtail", "aud": []string{"swallowtail-api"}, "sub": uuid.NewString(), "jti": "a",
			"iat": noon.Unix(), "exp": noon.Add(access.AccessTTL).Unix(), "client_id": "swallowtail-clinic",
			"role": "clinician", "clinic": uuid.NewString(), "sid": uuid.NewString(),
		},
	}
}

// sign returns a token with the changes applied; a nil value removes the member.
func (f forger) sign(t *testing.T, method jwt.SigningMethod, key any, header, claims map[string]any) string {
	t.Helper()
	token := &jwt.Token{Header: merged(f.header, header), Claims: jwt.MapClaims(merged(f.claims, claims)), Method: method}
	text, err := token.SignedString(key)
	require.NoError(t, err)
	return text
}

func merged(base, changes map[string]any) map[string]any {
	all := maps.Clone(base)
	for name, value := range changes {
		if value == nil {
			delete(all, name)
			continue
		}
		all[name] = value
	}
	return all
}

func TestForgedClaimsAndHeadersAreRefused(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	f := newForger(t, path)
	type members = map[string]any
	_, err := keys.Verify(f.sign(t, jwt.SigningMethodEdDSA, f.private, nil, nil), noon)
	require.NoError(t, err, "the unchanged forgery must pass, or the cases below show nothing")

	cases := map[string]struct{ header, claims members }{
		"no typ":              {members{"typ": nil}, nil},
		"typ of an id token":  {members{"typ": "JWT"}, nil},
		"typ in another case": {members{"typ": "AT+JWT"}, nil},
		"no kid":              {members{"kid": nil}, nil},
		"another kid":         {members{"kid": "other"}, nil},
		"kid not text":        {members{"kid": 1}, nil},
		"crit":                {members{"crit": []string{"exp"}}, nil},
		"jwk":                 {members{"jwk": members{"kty": "OKP"}}, nil},
		"jku":                 {members{"jku": "https://example.org/keys"}, nil},
		"cty for typ":         {members{"typ": nil, "cty": "at+jwt"}, nil},
		"no issuer":           {nil, members{"iss": nil}},
		"another issuer":      {nil, members{"iss": "swallowtail.example"}},
		"no audience":         {nil, members{"aud": nil}},
		"another audience":    {nil, members{"aud": "other-api"}},
		"no exp":              {nil, members{"exp": nil}},
		"exp as text":         {nil, members{"exp": "tomorrow"}},
		"no iat":              {nil, members{"iat": nil}},
		"iat to come":         {nil, members{"iat": noon.Unix() + 1}},
		"nbf to come":         {nil, members{"nbf": noon.Unix() + 1}},
		"no jti":              {nil, members{"jti": nil}},
		"lives too long":      {nil, members{"exp": noon.Add(access.AccessTTL).Unix() + 1}},
		"no sub":              {nil, members{"sub": nil}},
		"sub not an id":       {nil, members{"sub": "somebody"}},
		"sub nobody":          {nil, members{"sub": uuid.Nil.String()}},
		"no client":           {nil, members{"client_id": nil}},
		"client of a device":  {nil, members{"client_id": "swallowtail-device"}},
		"no role":             {nil, members{"role": nil}},
		"unknown role":        {nil, members{"role": "admin"}},
		"no clinic":           {nil, members{"clinic": nil}},
		"no session":          {nil, members{"sid": nil}},
		"session not an id":   {nil, members{"sid": "x"}},
		"clinic not an id":    {nil, members{"clinic": "north"}},
		"also a household":    {nil, members{"household": uuid.NewString()}},
		"upload only":         {nil, members{"upload_only": true}},
		"longer than allowed": {nil, members{"note": strings.Repeat("a", 4096)}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := keys.Verify(f.sign(t, jwt.SigningMethodEdDSA, f.private, c.header, c.claims), noon)
			assertUnauthenticated(t, err, "token-invalid")
		})
	}
}

func TestForgedSignaturesAreRefused(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	f := newForger(t, path)
	_, stranger, err := ed25519.GenerateKey(rand.Reader)
	require.NoError(t, err)
	public, ok := f.private.Public().(ed25519.PublicKey)
	require.True(t, ok)

	cases := map[string]string{
		"another key": f.sign(t, jwt.SigningMethodEdDSA, stranger, nil, nil),
		"alg none":    f.sign(t, jwt.SigningMethodNone, jwt.UnsafeAllowNoneSignatureType, map[string]any{"alg": "none"}, nil),
		// The classic confusion: the public key, known to everybody, used as the secret of an HMAC.
		"alg HS256":           f.sign(t, jwt.SigningMethodHS256, []byte(public), map[string]any{"alg": "HS256"}, nil),
		"alg in another case": f.sign(t, jwt.SigningMethodEdDSA, f.private, map[string]any{"alg": "eddsa"}, nil),
	}
	for name, token := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := keys.Verify(token, noon)
			assertUnauthenticated(t, err, "token-invalid")
		})
	}
}

func TestTokenHasOneSpelling(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	token, err := keys.Issue(device(), access.AccessTTL, noon, "a")
	require.NoError(t, err)
	parts := strings.Split(token, ".")

	cases := map[string]string{
		"empty":             "",
		"line break after":  token + "\n",
		"line break within": parts[0] + "." + parts[1] + "." + parts[2][:9] + "\r\n" + parts[2][9:],
		"space before":      " " + token,
		"padding":           token + "==",
		"unused bits set":   token[:len(token)-1] + string(token[len(token)-1]+1),
		"two parts":         parts[0] + "." + parts[1],
		"four parts":        token + ".",
		"no signature":      parts[0] + "." + parts[1] + ".",
		"body of another":   parts[0] + "." + parts[0] + "." + parts[2],
	}
	for name, altered := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := keys.Verify(altered, noon)
			assertUnauthenticated(t, err, "token-invalid")
		})
	}
}

func TestTokenOfAnotherServerIsRefused(t *testing.T) {
	t.Parallel()
	ours, _ := newKeys(t)
	theirs, _ := newKeys(t)
	token, err := theirs.Issue(clinician(), access.AccessTTL, noon, "a")
	require.NoError(t, err)

	_, err = ours.Verify(token, noon)
	assertUnauthenticated(t, err, "token-invalid")
}

// TestAFileOfVersion1 has a second key that was put there by hand, and verifies without end.
func TestAFileOfVersion1(t *testing.T) {
	t.Parallel()
	before, path := newKeys(t)
	_, other := newKeys(t)
	old := issue(t, before)
	path = prependKey(t, path, other)

	after, err := access.LoadOrCreateKeys(path, rand.Reader, noon)
	require.NoError(t, err)
	fresh := issue(t, after)

	assert.Len(t, after.JWKS(noon.AddDate(9, 0, 0)).Keys, 2)
	_, err = after.Verify(old, noon)
	require.NoError(t, err, "a token signed before the rotation")
	_, err = after.Verify(fresh, noon)
	require.NoError(t, err)
	_, err = before.Verify(fresh, noon)
	assertUnauthenticated(t, err, "token-invalid")
}

func issue(t *testing.T, keys *access.Keys) string {
	t.Helper()
	token, err := keys.Issue(clinician(), access.AccessTTL, noon, "a")
	require.NoError(t, err)
	return token
}

// prependKey writes a copy of the key file at path, with the signing key of the file at other in front.
func prependKey(t *testing.T, path, other string) string {
	t.Helper()
	read := func(path string) (file map[string]json.RawMessage, keys []json.RawMessage) {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(data, &file))
		require.NoError(t, json.Unmarshal(file["signing_keys"], &keys))
		return file, keys
	}
	file, keys := read(path)
	_, front := read(other)
	list, err := json.Marshal(append(front, keys...))
	require.NoError(t, err)
	file["version"], file["signing_keys"] = json.RawMessage("1"), list
	data, err := json.Marshal(file)
	require.NoError(t, err)
	rotated := filepath.Join(t.TempDir(), "keys")
	require.NoError(t, os.WriteFile(rotated, data, 0o600))
	return rotated
}

func FuzzVerify(f *testing.F) {
	keys := fixedKeys(f)
	// Fixed ids: every process of a fuzzing run must issue the same token.
	token, err := keys.Issue(access.Principal{
		Role: access.RoleClinician, ClinicID: uuid.UUID{15: 1}, ClinicianID: uuid.UUID{15: 2}, Session: uuid.UUID{15: 3},
	}, access.AccessTTL, noon, "token-1")
	require.NoError(f, err)
	f.Add(token)
	f.Add(token + "\n")
	f.Add(strings.ToUpper(token))
	f.Add(strings.Replace(token, ".", "..", 1))
	f.Add("eyJhbGciOiJub25lIn0.eyJleHAiOjFlMzA4fQ.")

	f.Fuzz(func(t *testing.T, candidate string) {
		p, err := keys.Verify(candidate, noon)
		if candidate == token {
			require.NoError(t, err)
			return
		}
		require.Equal(t, fault.Unauthenticated, fault.KindOf(err), "only the one token that was issued is good")
		require.Zero(t, p)
	})
}
