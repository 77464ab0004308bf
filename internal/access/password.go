package access

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"

	"swallowtail/internal/fault"
)

// Bounds on the length of a password, in characters (code points).
const (
	MinPassword = 12
	MaxPassword = 128
)

// trivialPasswords are long enough and yet among the first that anybody would try. In lower case; the list is our own.
var trivialPasswords = map[string]bool{
	"123456789012": true, "1234567890123": true, "12345678901234": true, "123456789123": true, "123123123123": true,
	"abcdefghijkl": true, "abcdefghijklm": true, "abcd12345678": true, "abc123abc123": true, "adminadminadmin": true,
	"administrator": true, "administrator1": true, "changemechangeme": true, "correcthorsebatterystaple": true,
	"iloveyouiloveyou": true, "letmeinletmein": true, "password1234": true, "password12345": true,
	"password123456": true, "passwordpassword": true, "qwerty123456": true, "qwertyqwerty": true,
	"qwertyuiop12": true, "qwertyuiop123": true, "qwertyuiopasdf": true, "swallowtail1": true, "swallowtail12": true,
	"swallowtail123": true, "welcome12345": true, "welcomewelcome": true,
}

// CheckNewPassword refuses a password that is too short, too long, not UTF-8, the account's own e-mail address, one
// character repeated, or trivial: fault.Invalid, "password-unsuitable", pointing at "/password".
func CheckNewPassword(password, email string) error {
	refuse := func(why string) error {
		return fault.New(fault.Invalid, "password-unsuitable", "The password cannot be used.").At("/password", why)
	}
	folded := strings.ToLower(strings.TrimSpace(password))
	switch length := utf8.RuneCountInString(password); {
	case !utf8.ValidString(password):
		return refuse("must be UTF-8 text")
	case length < MinPassword || length > MaxPassword:
		return refuse(fmt.Sprintf("must have %d to %d characters", MinPassword, MaxPassword))
	case folded == strings.ToLower(strings.TrimSpace(email)):
		return refuse("must not be the e-mail address")
	case isRepeat(folded) || trivialPasswords[folded]:
		return refuse("is too easy to guess")
	}
	return nil
}

// isRepeat tells whether s is empty or one character over and over.
func isRepeat(s string) bool {
	_, size := utf8.DecodeRuneInString(s)
	return strings.Trim(s, s[:size]) == ""
}

// PasswordCost is the work that one guess at a password takes.
type PasswordCost struct {
	MemoryKiB   uint32
	Iterations  uint32
	Parallelism uint8
}

// DefaultPasswordCost is Argon2id with 19 MiB, two passes and one lane, as the OWASP Password Storage Cheat Sheet
// recommends as a minimum. Each check takes that memory, so the edge must bound how many run at once.
func DefaultPasswordCost() PasswordCost {
	return PasswordCost{MemoryKiB: 19 * 1024, Iterations: 2, Parallelism: 1}
}

// HashPassword returns the Argon2id hash to store, in the usual encoded form with its parameters and a random salt. It
// does not judge the password: see CheckNewPassword.
func HashPassword(password string, cost PasswordCost) (string, error) {
	hash, err := argon2id.CreateHash(password, &argon2id.Params{
		Memory: cost.MemoryKiB, Iterations: cost.Iterations, Parallelism: cost.Parallelism,
		SaltLength: 16, KeyLength: 32,
	})
	if err != nil {
		return "", fmt.Errorf("hash password: %w", err)
	}
	return hash, nil
}

// CheckPassword tells whether the password belongs to the stored hash. An empty hash stands for an account that does
// not exist: the answer is no, after the work that cost asks for, so that the time taken does not tell which addresses
// have accounts. An error means that the stored hash is damaged.
func CheckPassword(password, hash string, cost PasswordCost) (bool, error) {
	if hash == "" {
		_, err := HashPassword(password, cost)
		return false, err
	}
	ok, err := argon2id.ComparePasswordAndHash(password, hash)
	if err != nil {
		return false, fmt.Errorf("check password: %w", err)
	}
	return ok, nil
}
