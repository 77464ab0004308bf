package access

import (
	"fmt"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"
	"golang.org/x/text/unicode/norm"

	"swallowtail/internal/fault"
)

// Bounds on the length of a password, in characters (code points). NIST SP 800-63B-4, section 3.1.1.2, asks for at least 15 where
// a password may be all that is asked for, which a clinic can choose, and for at least 64 to be allowed.
const (
	MinPassword = 15
	MaxPassword = 128
)

// service is what the service is called, which is among the first that anybody would try.
const service = "swallowtail"

// CheckNewPassword refuses a password that is too short, too long, not UTF-8, one that has come to light in a breach, or one that
// is easy to guess for somebody who knows the account's e-mail address and what else is about it, such as the names of the
// person and of the clinic: fault.Invalid, "password-unsuitable", pointing at "/password". Any characters are allowed and no
// kind is asked for (NIST SP 800-63B-4, section 3.1.1.2).
func CheckNewPassword(password, email string, about ...string) error {
	refuse := func(why string) error {
		return fault.New(fault.Invalid, "password-unsuitable", "The password cannot be used.").At("/password", why)
	}
	length := utf8.RuneCountInString(password)
	switch {
	case !utf8.ValidString(password):
		return refuse("must be UTF-8 text")
	case length < MinPassword || length > MaxPassword:
		return refuse(fmt.Sprintf("must have %d to %d characters", MinPassword, MaxPassword))
	case fold(password) == fold(email):
		return refuse("must not be the e-mail address")
	case easyToGuess(fold(password), knownWords(append(about, service, email)...)):
		return refuse("is too easy to guess: take several words that have nothing to do with each other or with this clinic")
	}
	return nil
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

// typed brings a password to one form, however the device spells its characters (NIST SP 800-63B-4, section 3.1.1.2: NFKC).
func typed(password string) string { return norm.NFKC.String(password) }

// HashPassword returns the Argon2id hash to store, in the usual encoded form with its parameters and a random salt. It
// does not judge the password: see CheckNewPassword.
func HashPassword(password string, cost PasswordCost) (string, error) {
	hash, err := argon2id.CreateHash(typed(password), &argon2id.Params{
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
	forms := []string{typed(password)}
	if forms[0] != password {
		forms = append(forms, password) // hashed before passwords were brought to one form
	}
	if hash == "" {
		for range forms {
			if _, err := HashPassword(password, cost); err != nil {
				return false, err
			}
		}
		return false, nil
	}
	fits := false
	for _, form := range forms { // all of them, so that the time taken does not tell which it was
		ok, err := argon2id.ComparePasswordAndHash(form, hash)
		if err != nil {
			return false, fmt.Errorf("check password: %w", err)
		}
		fits = fits || ok
	}
	return fits, nil
}
