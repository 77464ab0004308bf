package access

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/google/uuid"

	"swallowtail/internal/fault"
)

// Issuer and Audience are the "iss" and "aud" of every access token. They are fixed names, not addresses, so a token
// stays good when the server moves to another address.
const (
	Issuer   = "swallowtail"
	Audience = "swallowtail-api"
)

// AccessTTL is the longest life of a device's, clinician's or lead's access token. The session that it names is looked up at
// each call, so its end is noticed at once; the short life bounds what a token that leaked is good for.
const AccessTTL = 15 * time.Minute

// tokenType marks an access token (RFC 9068, section 2.1), so that no other JWT of ours can pass for one.
const tokenType = "at+jwt"

// maxTokenSize, in bytes, is several times what Issue produces.
const maxTokenSize = 4096

// maxTokenID is the longest token id (jti), in bytes.
const maxTokenID = 64

// claims is the body of an access token: those that RFC 9068, section 2.2, requires, and our own. The session is named as in
// OpenID Connect Front-Channel Logout 1.0, section 3 (from memory): sid.
type claims struct {
	jwt.RegisteredClaims
	ClientID   string    `json:"client_id"`
	Role       Role      `json:"role"`
	Clinic     uuid.UUID `json:"clinic"`
	Household  uuid.UUID `json:"household,omitzero"`
	Caregiver  uuid.UUID `json:"caregiver,omitzero"`
	Session    uuid.UUID `json:"sid,omitzero"`
	UploadOnly bool      `json:"upload_only,omitempty"`
}

// clientID names the kind of client that a role's tokens are for. RFC 9068 requires the claim; clients are not
// registered one by one here.
func clientID(role Role) string {
	switch role {
	case RoleDevice:
		return "swallowtail-device"
	case RoleScheduler:
		return "swallowtail-scheduler"
	default:
		return "swallowtail-clinic"
	}
}

// Issue signs an access token that says who p is, from now until ttl has passed, in whole seconds. id becomes the
// token's jti; p's TokenID, IssuedAt and ExpiresAt are not read. It fails when p's ids do not fit its role, when id is
// empty or longer than 64 bytes, and when ttl is under a second or, except for a scheduler, above AccessTTL.
func (k *Keys) Issue(p Principal, ttl time.Duration, now time.Time, id string) (string, error) {
	if err := p.check(); err != nil {
		return "", fmt.Errorf("issue token: %w", err)
	}
	if id == "" || len(id) > maxTokenID {
		return "", fmt.Errorf("issue token: id of %d bytes", len(id))
	}
	if ttl < time.Second || tooLong(p.Role, ttl) {
		return "", fmt.Errorf("issue token: ttl %s for role %s", ttl, p.Role)
	}
	issued := now.UTC().Truncate(time.Second)
	token := jwt.NewWithClaims(jwt.SigningMethodEdDSA, claims{
		RegisteredClaims: jwt.RegisteredClaims{
			Issuer: Issuer, Audience: jwt.ClaimStrings{Audience}, Subject: subject(p, id), ID: id,
			IssuedAt: jwt.NewNumericDate(issued), ExpiresAt: jwt.NewNumericDate(issued.Add(ttl)),
		},
		ClientID: clientID(p.Role),
		Role:     p.Role, Clinic: p.ClinicID, Household: p.HouseholdID, Caregiver: p.CaregiverID, Session: p.Session,
		UploadOnly: p.UploadOnly,
	})
	signer := k.signing[0]
	token.Header["typ"] = tokenType
	token.Header["kid"] = signer.id
	text, err := token.SignedString(signer.private)
	if err != nil {
		return "", fmt.Errorf("sign token: %w", err)
	}
	return text, nil
}

func tooLong(role Role, ttl time.Duration) bool { return role != RoleScheduler && ttl > AccessTTL }

// subject is who the token speaks for: the device, the clinician, or, for a scheduler, the token itself.
func subject(p Principal, id string) string {
	switch {
	case p.Role == RoleDevice:
		return p.DeviceID.String()
	case p.Role.Staff():
		return p.ClinicianID.String()
	default:
		return id
	}
}

// Verify returns the principal that an access token of ours states. It accepts only what Issue can have produced and
// what has not expired at now; anything else is fault.Unauthenticated, with problem "token-expired" when a refresh
// would help and "token-invalid" otherwise.
func (k *Keys) Verify(token string, now time.Time) (Principal, error) {
	p, err := k.verify(token, now)
	switch {
	case err == nil:
		return p, nil
	case errors.Is(err, jwt.ErrTokenExpired):
		return Principal{}, fault.New(fault.Unauthenticated, "token-expired", "The access token has expired.").Because(err)
	default:
		return Principal{}, fault.New(fault.Unauthenticated, "token-invalid", "The access token is not valid.").Because(err)
	}
}

func (k *Keys) verify(token string, now time.Time) (Principal, error) {
	// Base64 decoding skips line breaks even when strict, so a token could otherwise be written in more than one way.
	if len(token) > maxTokenSize || strings.ContainsAny(token, "\r\n") {
		return Principal{}, errors.New("too long or not on one line")
	}
	parser := jwt.NewParser(
		jwt.WithValidMethods([]string{jwt.SigningMethodEdDSA.Alg()}),
		jwt.WithIssuer(Issuer), jwt.WithAudience(Audience),
		jwt.WithExpirationRequired(), jwt.WithIssuedAt(), jwt.WithStrictDecoding(),
		jwt.WithTimeFunc(func() time.Time { return now }),
	)
	var c claims
	if _, err := parser.ParseWithClaims(token, &c, k.keyFor); err != nil {
		return Principal{}, err
	}
	return c.principal()
}

// keyFor finds the key that the header names. A header member that is not understood must not be ignored (RFC 7515,
// section 4.1.11), and none but these three is ever ours.
func (k *Keys) keyFor(token *jwt.Token) (any, error) {
	if len(token.Header) != 3 || token.Header["typ"] != tokenType {
		return nil, errors.New("header is not that of an access token")
	}
	id, _ := token.Header["kid"].(string)
	key, ok := k.verifyingKey(id)
	if !ok {
		return nil, errors.New("unknown key id")
	}
	return key, nil
}

// principal reads the claims of a verified token and checks that they fit together.
func (c claims) principal() (Principal, error) {
	if c.IssuedAt == nil || c.ID == "" || c.ClientID != clientID(c.Role) {
		return Principal{}, errors.New("iat, jti or client_id missing or wrong")
	}
	p := Principal{
		Role: c.Role, ClinicID: c.Clinic, HouseholdID: c.Household, CaregiverID: c.Caregiver, Session: c.Session,
		UploadOnly: c.UploadOnly, TokenID: c.ID, IssuedAt: c.IssuedAt.UTC(), ExpiresAt: c.ExpiresAt.UTC(),
	}
	if tooLong(p.Role, p.ExpiresAt.Sub(p.IssuedAt)) {
		return Principal{}, fmt.Errorf("role %s lives too long", p.Role)
	}
	sub, err := uuid.Parse(c.Subject)
	if err != nil && p.Role != RoleScheduler {
		return Principal{}, fmt.Errorf("sub: %w", err)
	}
	switch {
	case p.Role == RoleDevice:
		p.DeviceID = sub
	case p.Role.Staff():
		p.ClinicianID = sub
	}
	return p, p.check()
}
