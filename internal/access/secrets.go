package access

import (
	"encoding/base64"
	"fmt"
	"io"

	"github.com/google/uuid"
	"golang.org/x/crypto/argon2"

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
		return "", errRandom("refresh token", err)
	}
	return refreshPrefix + base64.RawURLEncoding.EncodeToString(raw), nil
}

// HashRefresh is how a refresh token is stored and looked up: 32 bytes. Any string has one; what is not a token of
// ours is not found.
func (k *Keys) HashRefresh(token string) []byte { return keyedHash(k.refresh, []byte(token)) }

// An invite code has 26 letters of 5 bits: 130 bits, above the 112 that NIST SP 800-63B-4 asks of a binding code that
// is scanned, so it needs no identifier typed beside it.
const (
	inviteLetters = 26
	inviteGroup   = 5
)

// NewInviteCode makes an invite code of 130 bits from random, such as "7ZK3Q-…": upper case, in groups divided by
// dashes, to be scanned or followed as a link. Store its HashInvite, never the code.
func NewInviteCode(random io.Reader) (string, error) {
	code, err := newLetters(random, inviteLetters)
	if err != nil {
		return "", errRandom("invite code", err)
	}
	return grouped(code, inviteGroup), nil
}

// NormalInvite brings a code as somebody typed it to the form that is hashed: 26 letters, upper case, no spaces or
// dashes, look-alike letters read as digits. What cannot be a code is fault.Invalid, "invite-code-invalid".
func NormalInvite(typed string) (string, error) {
	code, ok := normalLetters(typed, inviteLetters)
	if !ok {
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

// The short form of an invite's code is for whoever has to type it: the letters of the clinic, which are no secret, and 8 letters
// of 5 bits drawn at random. 40 bits are too few to stand alone: NIST SP 800-63B-4 asks of a code below 112 bits for an
// identifier typed beside it and a bound on guesses. So it is good for its clinic only, few may be tried (see the use case), and
// what is stored of it is a slow hash.
const (
	clinicLetters = 4
	secretLetters = 8
	shortLetters  = clinicLetters + secretLetters
	shortGroup    = 4
)

// NewShortCode makes the short form of a code of an invite to a clinic from random, such as "7ZK3-9QXM-4TD2".
func NewShortCode(clinic uuid.UUID, random io.Reader) (string, error) {
	secret, err := newLetters(random, secretLetters)
	if err != nil {
		return "", errRandom("short code", err)
	}
	return grouped(ClinicLetters(clinic)+secret, shortGroup), nil
}

// ClinicLetters are what the short codes of a clinic begin with. Two clinics in a million have the same, which does no harm.
func ClinicLetters(clinic uuid.UUID) string {
	return lettersOf(keyedHash([]byte("clinic letters"), clinic[:]), clinicLetters)
}

// NormalShort brings a short code as somebody typed it to the form that is hashed, and returns the letters of its clinic. False
// where it can't be one.
func NormalShort(typed string) (code, clinic string, ok bool) {
	code, ok = normalLetters(typed, shortLetters)
	if !ok {
		return "", "", false
	}
	return code, code[:clinicLetters], true
}

// HashShort is how a short code in its normal form is stored and looked up: 32 bytes of Argon2id at a cost, keyed, so that
// neither a copy of the store without the keys nor one with them gives the codes away quickly. It takes as long and as much
// memory as checking a password.
func (k *Keys) HashShort(normal string, cost PasswordCost) []byte {
	salt := keyedHash(k.invite, []byte("short code"), []byte(normal[:clinicLetters]))
	slow := argon2.IDKey([]byte(normal), salt, cost.Iterations, cost.MemoryKiB, cost.Parallelism, 32)
	return keyedHash(k.invite, []byte("short code"), slow)
}
