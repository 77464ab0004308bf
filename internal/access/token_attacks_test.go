package access_test

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// The attacks of this file beside those of token_test.go: what they try is in their names. The sections are those of RFC 8725.

func part(text string) string { return base64.RawURLEncoding.EncodeToString([]byte(text)) }

// signText signs a header and claims as they are written, which no JSON encoder would write.
func (f forger) signText(header, claims string) string {
	signed := part(header) + "." + part(claims)
	return signed + "." + base64.RawURLEncoding.EncodeToString(ed25519.Sign(f.private, []byte(signed)))
}

// texts returns the header and the claims of a good token, written out.
func (f forger) texts(t *testing.T) (header, claims string) {
	t.Helper()
	h, err := json.Marshal(f.header)
	require.NoError(t, err)
	c, err := json.Marshal(f.claims)
	require.NoError(t, err)
	return string(h), string(c)
}

// with puts a member before the others of an object that is written out.
func with(object, member string) string { return "{" + member + "," + object[1:] }

// after puts a member behind the others.
func after(object, member string) string { return object[:len(object)-1] + "," + member + "}" }

// TestAttacksByHeader signs with the real key, as whoever got hold of a signing oracle could.
func TestAttacksByHeader(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	f := newForger(t, path)
	header, claims := f.texts(t)
	_, err := keys.Verify(f.signText(header, claims), noon)
	require.NoError(t, err, "the unchanged forgery must pass, or the cases below show nothing")
	own, err := json.Marshal(keys.JWKS(noon).Keys[0])
	require.NoError(t, err)
	spelt := func(typ string) string { return strings.Replace(header, `"at+jwt"`, `"`+typ+`"`, 1) }
	named := func(kid string) string { return strings.Replace(header, f.kid, kid, 1) }

	for name, text := range map[string]string{
		"our own key embedded (3.10)":            with(header, `"jwk":`+string(own)),
		"x5u (3.10)":                             with(header, `"x5u":"https://example.org/x.pem"`),
		"x5c (3.10)":                             with(header, `"x5c":["AAAA"]`),
		"x5t (3.10)":                             with(header, `"x5t":"AAAA"`),
		"jku of an address inside (3.10)":        with(header, `"jku":"http://127.0.0.1/keys"`),
		"crit that names nothing":                with(header, `"crit":[]`),
		"crit that names a member that is there": with(header, `"crit":["kid"]`),
		"unencoded payload (RFC 7797)":           with(header, `"b64":false,"crit":["b64"]`),
		"b64 without crit":                       with(header, `"b64":true`),
		"zip":                                    with(header, `"zip":"DEF"`),
		"a nested token announced":               with(header, `"cty":"JWT"`),
		"typ of the whole media type":            spelt("application/at+jwt"),
		"typ in upper case":                      spelt("AT+JWT"),
		"typ of the whole media type, shouted":   spelt("APPLICATION/AT+JWT"),
		"typ with a parameter":                   spelt("at+jwt;v=1"),
		"typ with a space":                       spelt("at+jwt "),
		"typ of an event":                        spelt("secevent+jwt"),
		"typ empty":                              spelt(""),
		"typ twice, ours last":                   with(header, `"typ":"JWT"`),
		"typ twice, ours first":                  after(header, `"typ":"JWT"`),
		"alg twice, none first":                  with(header, `"alg":"none"`),
		"alg twice, ours first":                  after(header, `"alg":"none"`),
		"alg twice, escaped":                     with(header, `"\u0061lg":"none"`),
		"kid twice, ours last":                   with(header, `"kid":"other"`),
		"kid twice, ours first":                  after(header, `"kid":"other"`),
		"kid in other letters beside ours":       with(header, `"KID":"other"`),
		"kid in other letters alone":             strings.Replace(header, `"kid"`, `"Kid"`, 1),
		"kid up a folder":                        named("../../../../dev/null"),
		"kid of a file":                          named("/proc/self/environ"),
		"kid with SQL":                           named("x' UNION SELECT 'key"),
		"kid with a command":                     named("key|id"),
		"kid ends early":                         named(f.kid + `\u0000`),
		"kid empty":                              named(""),
		"kid null":                               strings.Replace(header, `"`+f.kid+`"`, "null", 1),
		"kid a list":                             strings.Replace(header, `"`+f.kid+`"`, `["`+f.kid+`"]`, 1),
		"header null":                            "null",
		"header a list":                          "[" + header + "]",
		"two headers":                            header + header,
		"header not UTF-8":                       with(header, "\"\xff\":1"),
		"header empty":                           "",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := keys.Verify(f.signText(text, claims), noon)
			assertUnauthenticated(t, err, "token-invalid")
		})
	}
}

func TestAttacksByClaims(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	f := newForger(t, path)
	header, claims := f.texts(t)
	_, err := keys.Verify(f.signText(header, claims), noon)
	require.NoError(t, err, "the unchanged forgery must pass, or the cases below show nothing")
	member := func(name, value string) string {
		changed := merged(f.claims, map[string]any{name: json.RawMessage(value)})
		text, err := json.Marshal(changed)
		require.NoError(t, err)
		return string(text)
	}
	sub, _ := f.claims["sub"].(string)

	for name, text := range map[string]string{
		"aud as a text":                       member("aud", `"swallowtail-api"`),
		"aud of us and another":               member("aud", `["swallowtail-api","other-api"]`),
		"aud of another and us":               member("aud", `["other-api","swallowtail-api"]`),
		"aud twice over":                      member("aud", `["swallowtail-api","swallowtail-api"]`),
		"aud in other letters":                member("aud", `["SWALLOWTAIL-API"]`),
		"aud begins like ours":                member("aud", `["swallowtail-api/admin"]`),
		"aud of nobody":                       member("aud", `[]`),
		"aud null":                            member("aud", `null`),
		"aud in a list":                       member("aud", `[["swallowtail-api"]]`),
		"iss in other letters":                member("iss", `"Swallowtail"`),
		"iss with a space":                    member("iss", `"swallowtail "`),
		"iss a list":                          member("iss", `["swallowtail"]`),
		"iss null":                            member("iss", `null`),
		"exp as a text":                       member("exp", `"1803989700"`),
		"exp with a fraction":                 member("exp", `1803989700.5`),
		"exp with an exponent":                member("exp", `1.8039897e9`),
		"exp huge":                            member("exp", `1e308`),
		"exp beyond 64 bits":                  member("exp", `9223372036854775808`),
		"exp far away":                        member("exp", `9223372036854775807`),
		"exp in milliseconds":                 member("exp", `1803988800000000`),
		"exp negative":                        member("exp", `-1`),
		"exp zero":                            member("exp", `0`),
		"exp null":                            member("exp", `null`),
		"exp true":                            member("exp", `true`),
		"exp twice":                           after(claims, `"exp":1803989700`),
		"exp in other letters":                after(claims, `"EXP":1803989700`),
		"iat as a text":                       member("iat", `"1803988800"`),
		"iat with a fraction":                 member("iat", `1803988799.5`),
		"iat negative":                        member("iat", `-1`),
		"iat zero":                            member("iat", `0`),
		"iat a second to come":                member("iat", `1803988801`),
		"nbf past":                            after(claims, `"nbf":1`),
		"nbf as a text":                       after(claims, `"nbf":"1"`),
		"role twice":                          after(claims, `"role":"lead"`),
		"role twice, escaped":                 after(claims, `"rol\u0065":"lead"`),
		"role in other letters":               after(claims, `"ROLE":"lead"`),
		"role with a space":                   member("role", `"clinician "`),
		"role a list":                         member("role", `["clinician","lead"]`),
		"role null":                           member("role", `null`),
		"clinic twice":                        after(claims, `"clinic":"`+uuid.NewString()+`"`),
		"clinic null":                         member("clinic", `null`),
		"clinic the nil id":                   member("clinic", `"00000000-0000-0000-0000-000000000000"`),
		"sub in braces":                       member("sub", `"{`+sub+`}"`),
		"sub as a URN":                        member("sub", `"urn:uuid:`+sub+`"`),
		"sub without dashes":                  member("sub", `"`+strings.ReplaceAll(sub, "-", "")+`"`),
		"sub shouted":                         member("sub", `"A`+strings.ToUpper(sub[1:])+`"`),
		"jti too long":                        member("jti", `"`+strings.Repeat("a", 65)+`"`),
		"jti a number":                        member("jti", `1`),
		"a claim that says who may hold it":   after(claims, `"cnf":{"jkt":"AAAA"}`),
		"somebody acting for somebody":        after(claims, `"act":{"sub":"other"}`),
		"scope beside the role":               after(claims, `"scope":"admin"`),
		"claims null":                         `null`,
		"claims a list":                       `[` + claims + `]`,
		"claims a text":                       `"` + part(claims) + `"`,
		"claims twice":                        claims + claims,
		"claims not UTF-8":                    strings.Replace(claims, `"jti":"a"`, "\"jti\":\"a\xff\"", 1),
		"claims empty":                        "",
		"claims deep":                         after(claims, `"x":`+strings.Repeat("[", 900)+strings.Repeat("]", 900)),
		"a token of another kind, all in one": `{"iss":"swallowtail","aud":["swallowtail-api"],"sub":"` + sub + `"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := keys.Verify(f.signText(header, text), noon)
			assertUnauthenticated(t, err, "token-invalid")
		})
	}
}

// TestTokensOfOneRoleAsAnother gives a token the shape of one role and the name of another.
func TestTokensOfOneRoleAsAnother(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	f := newForger(t, path)
	type members = map[string]any
	year := noon.AddDate(1, 0, 0).Unix()
	service := members{"role": "scheduler", "client_id": "swallowtail-scheduler", "sub": "a", "exp": year, "sid": uuid.Nil}
	sign := func(changes ...members) string {
		for _, c := range changes[1:] {
			changes[0] = merged(changes[0], c)
		}
		return f.sign(t, jwt.SigningMethodEdDSA, f.private, nil, changes[0])
	}
	_, err := keys.Verify(sign(members{}, service), noon)
	require.NoError(t, err, "the unchanged forgery must pass, or the cases below show nothing")
	session := merged(service, members{"sid": uuid.New()})
	home := members{"household": uuid.NewString(), "caregiver": uuid.NewString()}

	for name, changes := range map[string]members{
		"a service token presented as a device":       merged(merged(session, home), members{"role": "device"}),
		"a service token presented as a clinician":    merged(session, members{"role": "clinician"}),
		"a service token presented as a lead":         merged(session, members{"role": "lead", "client_id": "swallowtail-clinic"}),
		"a service token with a household":            merged(service, home),
		"a service token that speaks for a clinician": merged(service, members{"sub": uuid.NewString()}),
		"a clinician who lives as long as a service":  {"exp": year},
		"a clinician presented as a device":           {"role": "device"},
		"a clinician presented as a scheduler":        {"role": "scheduler"},
		"a device as a clinician of its household":    merged(home, members{"role": "clinician"}),
		"a device without a caregiver": {
			"role": "device", "client_id": "swallowtail-device", "household": uuid.NewString(),
		},
		"a device that lives as long as a service": merged(home, members{
			"role": "device", "client_id": "swallowtail-device", "exp": year,
		}),
		"a scheduler that only uploads": merged(service, members{"upload_only": true}),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := keys.Verify(sign(members{}, changes), noon)
			assertUnauthenticated(t, err, "token-invalid")
		})
	}
}

// TestAttacksByAlgorithm uses what everybody knows, the public key, as the secret of another algorithm, and keys of its own.
func TestAttacksByAlgorithm(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	f := newForger(t, path)
	public, ok := f.private.Public().(ed25519.PublicKey)
	require.True(t, ok)
	der, err := x509.MarshalPKIXPublicKey(public)
	require.NoError(t, err)
	set, err := json.Marshal(keys.JWKS(noon))
	require.NoError(t, err)
	curve, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	modulus, err := rsa.GenerateKey(rand.Reader, 2048)
	require.NoError(t, err)
	sign := func(method jwt.SigningMethod, key any) string {
		return f.sign(t, method, key, map[string]any{"alg": method.Alg()}, nil)
	}

	for name, token := range map[string]string{
		"HS256 with the public key in DER":      sign(jwt.SigningMethodHS256, der),
		"HS256 with the public key in PEM":      sign(jwt.SigningMethodHS256, pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})),
		"HS256 with the public key in base64":   sign(jwt.SigningMethodHS256, []byte(base64.RawURLEncoding.EncodeToString(public))),
		"HS256 with the key set":                sign(jwt.SigningMethodHS256, set),
		"HS256 with no secret":                  sign(jwt.SigningMethodHS256, []byte{}),
		"HS512 with the public key":             sign(jwt.SigningMethodHS512, []byte(public)),
		"ES256 under our kid":                   sign(jwt.SigningMethodES256, curve),
		"RS256 under our kid":                   sign(jwt.SigningMethodRS256, modulus),
		"PS256 under our kid":                   sign(jwt.SigningMethodPS256, modulus),
		"an HMAC that says EdDSA":               relabelled(sign(jwt.SigningMethodHS256, []byte(public)), f),
		"an ECDSA signature that says EdDSA":    relabelled(sign(jwt.SigningMethodES256, curve), f),
		"alg none in another case":              none(t, f, "None"),
		"alg none shouted":                      none(t, f, "NONE"),
		"alg none without a signature":          none(t, f, "none"),
		"alg missing":                           none(t, f, ""),
		"EdDSA by its newer name (RFC 9864)":    none(t, f, "Ed25519"),
		"EdDSA of another curve (RFC 8037)":     none(t, f, "Ed448"),
		"the signature of another of our seals": f.signText("", "")[2:],
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := keys.Verify(token, noon)
			assertUnauthenticated(t, err, "token-invalid")
		})
	}
}

// relabelled gives a token the header of ours.
func relabelled(token string, f forger) string {
	_, rest, _ := strings.Cut(token, ".")
	return part(`{"alg":"EdDSA","kid":"`+f.kid+`","typ":"at+jwt"}`) + "." + rest
}

// none returns a token that names an algorithm and has no signature.
func none(t *testing.T, f forger, alg string) string {
	t.Helper()
	header, claims := f.texts(t)
	return part(strings.Replace(header, "EdDSA", alg, 1)) + "." + part(claims) + "."
}

// TestTokensWrittenOtherwise are the same bytes to a lenient reader.
func TestTokensWrittenOtherwise(t *testing.T) {
	t.Parallel()
	keys, path := newKeys(t)
	f := newForger(t, path)
	header, claims := f.texts(t)
	token := f.signText(header, claims)
	_, err := keys.Verify(token, noon)
	require.NoError(t, err)
	parts := strings.Split(token, ".")
	signature, err := base64.RawURLEncoding.DecodeString(parts[2])
	require.NoError(t, err)
	// S + L instead of S: the same signature to a reader that does not bound S (RFC 8032, section 5.1.7).
	malleable := append([]byte{}, signature...)
	addOrder(malleable[32:])

	for name, altered := range map[string]string{
		"trailing dot":                    token + ".",
		"trailing dots":                   token + "...",
		"leading dot":                     "." + token,
		"padding within":                  parts[0] + "=." + parts[1] + "." + parts[2],
		"the other base64":                parts[0] + "." + parts[1] + "." + base64.RawStdEncoding.EncodeToString(append(signature[:63:63], 0xff, 0xfb)),
		"unused bits set in the header":   loosened(header, claims, f, 0),
		"unused bits set in the claims":   loosened(header, claims, f, 1),
		"a blank within":                  parts[0] + ". " + parts[1] + "." + parts[2],
		"a tab after":                     token + "\t",
		"a NUL after":                     token + "\x00",
		"percent-encoded":                 strings.ReplaceAll(token, ".", "%2E"),
		"as a JSON serialisation":         `{"payload":"` + parts[1] + `","protected":"` + parts[0] + `","signature":"` + parts[2] + `"}`,
		"an encrypted token (five parts)": part(`{"alg":"dir","enc":"A256GCM"}`) + "..AAAA." + parts[1] + ".AAAA",
		"nested in itself":                part(header) + "." + part(token) + "." + parts[2],
		"with the scheme before it":       "Bearer " + token,
		"twice":                           token + "," + token,
		"signature cut":                   parts[0] + "." + parts[1] + "." + parts[2][:40],
		"signature longer":                token + "AA",
		"signature of zeros":              parts[0] + "." + parts[1] + "." + strings.Repeat("A", 86),
		"signature malleated":             parts[0] + "." + parts[1] + "." + base64.RawURLEncoding.EncodeToString(malleable),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := keys.Verify(altered, noon)
			assertUnauthenticated(t, err, "token-invalid")
		})
	}
}

// addOrder adds the order of the curve's group (RFC 8032, section 5.1) to a number of 32 bytes, the lowest first.
func addOrder(s []byte) {
	order := [32]byte{
		0xed, 0xd3, 0xf5, 0x5c, 0x1a, 0x63, 0x12, 0x58, 0xd6, 0x9c, 0xf7, 0xa2, 0xde, 0xf9, 0xde, 0x14, 31: 0x10,
	}
	carry := 0
	for i := range s {
		sum := int(s[i]) + int(order[i]) + carry
		s[i], carry = byte(sum), sum>>8
	}
}

// loosened signs a token of which one part has a bit set that base64 does not use.
func loosened(header, claims string, f forger, which int) string {
	texts := []string{header, claims}
	for len(texts[which])%3 != 1 { // so that four bits are left over
		texts[which] = texts[which][:1] + " " + texts[which][1:]
	}
	parts := []string{part(texts[0]), part(texts[1])}
	last := len(parts[which]) - 1
	parts[which] = parts[which][:last] + string(parts[which][last]+1)
	signed := strings.Join(parts, ".")
	return signed + "." + base64.RawURLEncoding.EncodeToString(ed25519.Sign(f.private, []byte(signed)))
}

// TestAnExpiredTokenUnderAnEndedKey tells nothing of a token whose signature nobody checks any more.
func TestAnExpiredTokenUnderAnEndedKey(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	token := issue(t, keys)
	rotate(t, keys, noon, noon.Add(time.Hour))
	_, err := keys.Verify(token, noon.Add(access.AccessTTL))
	assertUnauthenticated(t, err, "token-expired")
	_, err = keys.Verify(token, noon.Add(time.Hour))
	assertUnauthenticated(t, err, "token-invalid")
}
