package channel

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/mail"
	"net/url"
	"strings"
	"unicode"
	"unicode/utf8"

	gomail "github.com/wneessen/go-mail"
)

// What is wrong with a message. None repeats any of it.
var (
	errKey         = errors.New("the message has no key")
	errAddress     = errors.New("not an address that mail can be sent to")
	errSubject     = errors.New("the subject is not one line of text")
	errText        = errors.New("the text is not UTF-8")
	errUnsubscribe = errors.New("the address to unsubscribe at is not an https one")
)

// A letter is a message as the relay gets it.
type letter struct {
	to   string
	text []byte // header and body (RFC 5322), lines ending with CR LF
}

// compose writes the message down, or says what is wrong with it.
func (e *Email) compose(m Message) (letter, error) {
	if err := check(m); err != nil {
		return letter{}, err
	}
	g := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	g.FromMailAddress(e.from)
	g.ToMailAddress(&mail.Address{Address: m.To})
	g.Subject(m.Subject)
	g.SetDateWithValue(e.config.Now().UTC())
	g.SetMessageIDWithValue(messageID(m.Key, domain(e.from.Address)))
	g.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834, section 5: no automatic answers, please
	if m.Unsubscribe != "" {
		g.SetListUnsubscribe(m.Unsubscribe)
		g.SetListUnsubscribePost()
	}
	g.SetBodyString(gomail.TypeTextPlain, m.Text)
	var text bytes.Buffer
	if _, err := g.WriteTo(&text); err != nil {
		return letter{}, err
	}
	return letter{to: m.To, text: text.Bytes()}, nil
}

// messageID is the same for the same key. The key is hashed, since it may name whom it is for.
func messageID(key, domain string) string {
	sum := sha256.Sum256([]byte(key))
	return hex.EncodeToString(sum[:16]) + "@" + domain
}

func check(m Message) error {
	switch {
	case m.Key == "":
		return errKey
	case checkAddress(m.To) != nil:
		return errAddress
	case !utf8.ValidString(m.Subject) || strings.ContainsFunc(m.Subject, unicode.IsControl):
		return errSubject
	case !utf8.ValidString(m.Text):
		return errText
	case m.Unsubscribe != "" && !oneClick(m.Unsubscribe):
		return errUnsubscribe
	}
	return nil
}

// The longest that RFC 5321, sections 4.5.3.1.1 and 4.5.3.1.3, has every relay take: 256 octets with the angle brackets.
const (
	maxLocal   = 64
	maxAddress = 254
)

// checkAddress takes the addresses that people have: a name without quotes and a domain, in ASCII. A relay without SMTPUTF8
// (RFC 6531) takes no others, and a literal IP address is none that a person would give.
func checkAddress(address string) error {
	parsed, err := mail.ParseAddress(address)
	if err != nil || parsed.Address != address || len(address) > maxAddress {
		return errAddress
	}
	if len(address)-len(domain(address))-1 > maxLocal {
		return errAddress
	}
	for _, r := range address {
		if r <= ' ' || r > '~' {
			return errAddress
		}
	}
	if strings.ContainsFunc(domain(address), func(r rune) bool { return !isHostRune(r) }) {
		return errAddress
	}
	return nil
}

func isHostRune(r rune) bool {
	return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.'
}

func domain(address string) string {
	return address[strings.LastIndexByte(address, '@')+1:]
}

// oneClick tells whether an address can stand in List-Unsubscribe for RFC 8058, section 3.1: an https one. The characters
// that end it there (RFC 2369, section 2) must not be in it.
func oneClick(address string) bool {
	for _, r := range address {
		if r <= ' ' || r > '~' || strings.ContainsRune(`<>,"\`, r) {
			return false
		}
	}
	parsed, err := url.Parse(address)
	if err != nil || parsed.Hostname() == "" || parsed.User != nil {
		return false
	}
	return parsed.Scheme == "https" || parsed.Scheme == "http" && loopback(parsed.Hostname())
}
