package access

import (
	"encoding/base64"
	"fmt"
	"io"
	"strings"

	"swallowtail/internal/fault"
)

// refreshPrefix lets a person, or a scanner for leaked secrets, see what a string is.
const refreshPrefix = "swallowtail_refresh_"

// refreshBytes is the randomness in a refresh token: 256 bits.
const refreshBytes = 32

// NewRefreshToken makes a refresh token of 256 bits from random. Store its HashRefresh, never the token.
func NewRefreshToken(random io.Reader) (string, error) {
	raw := make([]byte, refreshBytes)
	if _, err := io.ReadFull(random, raw); err != nil {
		return "", fmt.Errorf("make refresh token: %w", err)
	}
	return refreshPrefix + base64.RawURLEncoding.EncodeToString(raw), nil
}

// HashRefresh is how a refresh token is stored and looked up: 32 bytes. Any string has one; what is not a token of
// ours is not found.
func (k *Keys) HashRefresh(token string) []byte { return keyedHash(k.refresh, []byte(token)) }

// inviteAlphabet is Crockford's base 32: no I, L, O, which are read as 1, 1, 0, and no U.
const inviteAlphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// An invite code has 26 letters of 5 bits: 130 bits, above the 112 that NIST SP 800-63B-4 asks of a binding code that
// is scanned, so it needs no identifier typed beside it.
const (
	inviteLetters = 26
	inviteGroup   = 5 // letters between dashes; the last group takes the one left over
	inviteBytes   = 17
)

// NewInviteCode makes an invite code of 130 bits from random, such as "7ZK3Q-…": upper case, in groups divided by
// dashes, to be read aloud or typed. Store its HashInvite, never the code.
func NewInviteCode(random io.Reader) (string, error) {
	raw := make([]byte, inviteBytes)
	if _, err := io.ReadFull(random, raw); err != nil {
		return "", fmt.Errorf("make invite code: %w", err)
	}
	var code strings.Builder
	for i := range inviteLetters {
		if i > 0 && i%inviteGroup == 0 && i < inviteLetters-1 {
			code.WriteByte('-')
		}
		code.WriteByte(inviteAlphabet[fiveBits(raw, i)])
	}
	return code.String(), nil
}

// fiveBits returns the i-th run of five bits of raw, which must reach one byte beyond the run's first.
func fiveBits(raw []byte, i int) int {
	bit := i * 5
	pair := int(raw[bit/8]) << 8
	if bit/8+1 < len(raw) {
		pair |= int(raw[bit/8+1])
	}
	return pair >> (11 - bit%8) & 31
}

// NormalInvite brings a code as somebody typed it to the form that is hashed: 26 letters, upper case, no spaces or
// dashes, look-alike letters read as digits. What cannot be a code is fault.Invalid, "invite-code-invalid".
func NormalInvite(typed string) (string, error) {
	code := strings.NewReplacer("-", "", " ", "", "O", "0", "I", "1", "L", "1").Replace(strings.ToUpper(typed))
	foreign := func(r rune) bool { return !strings.ContainsRune(inviteAlphabet, r) }
	if len(code) != inviteLetters || strings.ContainsFunc(code, foreign) {
		return "", fault.New(fault.Invalid, "invite-code-invalid", "This is not an invite code.").
			At("/invite_code", fmt.Sprintf("must have %d letters or digits, besides spaces and dashes", inviteLetters))
	}
	return code, nil
}

// HashInvite is how an invite code is stored and looked up: 32 bytes, the same for every way of typing the code. Its
// errors are those of NormalInvite.
func (k *Keys) HashInvite(typed string) ([]byte, error) {
	code, err := NormalInvite(typed)
	if err != nil {
		return nil, err
	}
	return keyedHash(k.invite, []byte(code)), nil
}
