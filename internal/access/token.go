package access

import (
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/golang-jwt/jwt/v5"

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
		Issuer: Issuer, Audience: []string{Audience}, Subject: subject(p, id), ID: id,
		IssuedAt: issued.Unix(), Expires: issued.Add(ttl).Unix(), ClientID: clientID(p.Role),
		Role: p.Role, Clinic: p.ClinicID, Household: p.HouseholdID, Caregiver: p.CaregiverID, Session: p.Session,
		UploadOnly: p.UploadOnly,
	})
	signer := k.ring.Load().signing[0]
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
// what has not expired at now, under a key that still verifies then; anything else is fault.Unauthenticated, with problem
// "token-expired" when a refresh would help and "token-invalid" otherwise. A key that is not known may be new: then the key
// file is looked at first, at most once a second.
func (k *Keys) Verify(token string, now time.Time) (Principal, error) {
	p, err := k.verify(token, now)
	if errors.Is(err, errUnknownKey) && k.lookForKey(now) {
		p, err = k.verify(token, now)
	}
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
	hash := sha256.Sum256([]byte(token))
	if p, ok := k.verified.find(hash, k.ring.Load(), now); ok {
		return p, nil
	}
	header, err := readHeader(token)
	if err != nil {
		return Principal{}, fmt.Errorf("header: %w", err)
	}
	parser := jwt.NewParser(
		jwt.WithValidMethods([]string{jwt.SigningMethodEdDSA.Alg()}),
		jwt.WithIssuer(Issuer), jwt.WithAudience(Audience),
		jwt.WithExpirationRequired(), jwt.WithIssuedAt(), jwt.WithStrictDecoding(),
		jwt.WithTimeFunc(func() time.Time { return now }),
	)
	var key ed25519.PublicKey
	keyFor := func(*jwt.Token) (any, error) {
		var err error
		key, err = k.ring.Load().verifyingKey(header.KeyID, now)
		return key, err
	}
	var c claims
	if _, err := parser.ParseWithClaims(token, &c, keyFor); err != nil {
		return Principal{}, err
	}
	p, err := c.principal()
	if err == nil {
		k.verified.add(hash, verifiedToken{principal: p, keyID: header.KeyID, key: key})
	}
	return p, err
}
