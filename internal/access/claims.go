package access

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/golang-jwt/jwt/v5"
	"github.com/google/uuid"
)

// header is the header of an access token. It has these three members and no other: one that is not understood must not be
// ignored (RFC 7515, section 4.1.11), and one that brings or names a key of its own must not be followed (RFC 8725, section
// 3.10).
type header struct {
	Algorithm string `json:"alg"`
	Type      string `json:"typ"`
	KeyID     string `json:"kid"`
}

var errForeignHeader = errors.New("not that of an access token")

// readHeader reads the first part of a token more strictly than the parser does, which takes the last of two members of one
// name. The media type is taken in one spelling alone, the one that Issue writes, though RFC 9068, section 4, allows another.
func readHeader(token string) (header, error) {
	encoded, _, _ := strings.Cut(token, ".")
	raw, err := base64.RawURLEncoding.Strict().DecodeString(encoded)
	if err != nil {
		return header{}, err
	}
	var h header
	if err := json.Unmarshal(raw, &h, json.RejectUnknownMembers(true)); err != nil {
		return header{}, err
	}
	if h.Algorithm != jwt.SigningMethodEdDSA.Alg() || h.Type != tokenType {
		return header{}, errForeignHeader
	}
	return h, nil
}

// claims is the body of an access token: those that RFC 9068, section 2.2, requires, and our own. Instants are whole seconds
// since 1970, and there is one audience, since that is what Issue writes.
type claims struct {
	Issuer     string    `json:"iss"`
	Audience   []string  `json:"aud"`
	Subject    string    `json:"sub"`
	ID         string    `json:"jti"`
	IssuedAt   int64     `json:"iat"`
	Expires    int64     `json:"exp"`
	ClientID   string    `json:"client_id"`
	Role       Role      `json:"role"`
	Clinic     uuid.UUID `json:"clinic"`
	Household  uuid.UUID `json:"household,omitzero"`
	Caregiver  uuid.UUID `json:"caregiver,omitzero"`
	Session    uuid.UUID `json:"sid,omitzero"` // named as in OpenID Connect Front-Channel Logout 1.0, section 3 (from memory)
	UploadOnly bool      `json:"upload_only,omitempty"`
}

var _ jwt.Claims = claims{}

// latestInstant is the last second of the year 9999, beyond which instants can no longer be written.
const latestInstant = 253402300799

// UnmarshalJSON refuses what the usual decoder takes in its stride: members that are not known, that come twice or in other
// letters, numbers that are texts or no whole ones, and text that is not UTF-8.
func (c *claims) UnmarshalJSON(data []byte) error {
	type plain claims // without this method
	if err := json.Unmarshal(data, (*plain)(c), json.RejectUnknownMembers(true)); err != nil {
		return err
	}
	if c.IssuedAt < 0 || c.IssuedAt > latestInstant || c.Expires < 0 || c.Expires > latestInstant {
		return errors.New("an instant out of range")
	}
	return nil
}

// dateOf returns an instant for the parser, to which nil means that there is none.
func dateOf(seconds int64) *jwt.NumericDate {
	if seconds == 0 {
		return nil
	}
	return jwt.NewNumericDate(time.Unix(seconds, 0))
}

// GetExpirationTime implements jwt.Claims.
func (c claims) GetExpirationTime() (*jwt.NumericDate, error) { return dateOf(c.Expires), nil }

// GetIssuedAt implements jwt.Claims.
func (c claims) GetIssuedAt() (*jwt.NumericDate, error) { return dateOf(c.IssuedAt), nil }

// GetNotBefore implements jwt.Claims. Our tokens have no such claim, so it is among those that are not known.
func (c claims) GetNotBefore() (*jwt.NumericDate, error) { return nil, nil }

// GetIssuer implements jwt.Claims.
func (c claims) GetIssuer() (string, error) { return c.Issuer, nil }

// GetSubject implements jwt.Claims.
func (c claims) GetSubject() (string, error) { return c.Subject, nil }

// GetAudience implements jwt.Claims.
func (c claims) GetAudience() (jwt.ClaimStrings, error) { return c.Audience, nil }

// principal reads the claims of a verified token and checks that they fit together.
func (c claims) principal() (Principal, error) {
	if c.IssuedAt == 0 || c.ID == "" || len(c.ID) > maxTokenID || c.ClientID != clientID(c.Role) || len(c.Audience) != 1 {
		return Principal{}, errors.New("iat, jti, client_id or aud missing or wrong")
	}
	p := Principal{
		Role: c.Role, ClinicID: c.Clinic, HouseholdID: c.Household, CaregiverID: c.Caregiver, Session: c.Session,
		UploadOnly: c.UploadOnly,
		TokenID:    c.ID, IssuedAt: time.Unix(c.IssuedAt, 0).UTC(), ExpiresAt: time.Unix(c.Expires, 0).UTC(),
	}
	if tooLong(p.Role, p.ExpiresAt.Sub(p.IssuedAt)) {
		return Principal{}, fmt.Errorf("role %s lives too long", p.Role)
	}
	if p.Role != RoleScheduler {
		sub, err := uuid.Parse(c.Subject)
		if err != nil {
			return Principal{}, fmt.Errorf("sub: %w", err)
		}
		if p.Role == RoleDevice {
			p.DeviceID = sub
		} else {
			p.ClinicianID = sub
		}
	}
	if c.Subject != subject(p, c.ID) {
		return Principal{}, errors.New("sub is not in its one form")
	}
	return p, p.check()
}
