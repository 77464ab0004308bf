package channel

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/netip"
	"strconv"
	"strings"
	"time"
)

// TLS says how the connection to the relay is encrypted.
type TLS string

// The ways of encryption. The relay's certificate must be valid for its host name in each but NoTLS.
const (
	StartTLS    TLS = "starttls" // by STARTTLS (RFC 3207), without which nothing is sent
	ImplicitTLS TLS = "implicit" // from the first byte on (RFC 8314, section 3.3)
	NoTLS       TLS = "none"     // not at all, for a relay on loopback
)

// The times that hold where a configuration names none.
const (
	defaultTimeout       = time.Minute
	defaultAnswerTimeout = 10 * time.Minute // RFC 5321, section 4.5.3.2.6: a shorter one makes duplicates
)

// EmailConfig says how to reach the mail relay, and in whose name.
type EmailConfig struct {
	Host string // the relay's host name, or its IP address
	Port int    // 1 to 65535; 0 is 587 (RFC 6409), or 465 with implicit TLS (RFC 8314, section 3.3), or 25 without TLS
	TLS  TLS    // empty is StartTLS

	RootCAs *x509.CertPool // who may have signed the relay's certificate; nil is the system's

	Username, Password string // by AUTH PLAIN or LOGIN; both empty is no authentication

	From string // an address, with a name before it or not. Bounces come back to it, and Message-IDs are in its domain
	HELO string // what the service calls itself to the relay; empty is the domain of From

	Timeout       time.Duration // for everything up to the end of the message; 0 is one minute. After it, ErrLater
	AnswerTimeout time.Duration // for the answer to the whole message; 0 is ten minutes. After it, ErrUnclear

	Now func() time.Time // for the Date of messages
}

// Email sends messages through a mail relay by SMTP (RFC 5321), one connection for each.
//
// The relay has to sign what it passes on with DKIM, List-Unsubscribe and List-Unsubscribe-Post among the signed headers, as
// RFC 8058 asks. Nothing here does.
//
// SMTP knows nothing of messages that were taken before. The Message-ID is the same whenever a message is sent again, and
// some mailboxes show only one of two such (common practice), but none has to: Recognises is false.
//
// An acknowledged message has been taken by the relay. What becomes of it behind that comes back as a bounce to From.
type Email struct {
	config EmailConfig
	from   *mail.Address
	addr   string
	tls    *tls.Config
}

var _ Channel = (*Email)(nil)

// NewEmail returns the channel, or an error that says what is wrong with the configuration. It does not connect.
func NewEmail(c EmailConfig) (*Email, error) {
	c.TLS = orElse(c.TLS, StartTLS)
	from, err := mail.ParseAddress(c.From)
	if err != nil || checkAddress(from.Address) != nil {
		return nil, errors.New("email: From is not an address")
	}
	if err := c.check(); err != nil {
		return nil, fmt.Errorf("email: %w", err)
	}
	c.Port = orElse(c.Port, ports[c.TLS])
	c.HELO = orElse(c.HELO, domain(from.Address))
	c.Timeout = orElse(c.Timeout, defaultTimeout)
	c.AnswerTimeout = orElse(c.AnswerTimeout, defaultAnswerTimeout)
	return &Email{
		config: c, from: from, addr: net.JoinHostPort(c.Host, strconv.Itoa(c.Port)),
		tls: &tls.Config{ServerName: c.Host, RootCAs: c.RootCAs, MinVersion: tls.VersionTLS12}, // RFC 8996
	}, nil
}

// ports are where relays listen.
var ports = map[TLS]int{StartTLS: 587, ImplicitTLS: 465, NoTLS: 25}

func (c *EmailConfig) check() error {
	_, known := ports[c.TLS]
	switch {
	case c.Host == "" || c.Now == nil:
		return errors.New("no Host, or no Now")
	case !known:
		return fmt.Errorf("TLS is %q, not one of %q, %q and %q", c.TLS, StartTLS, ImplicitTLS, NoTLS)
	case c.TLS == NoTLS && !loopback(c.Host):
		return fmt.Errorf("TLS may be %q for a relay on loopback alone", NoTLS)
	case c.Port < 0 || c.Port > 65535:
		return fmt.Errorf("%d is no port", c.Port)
	case c.Timeout < 0 || c.AnswerTimeout < 0:
		return errors.New("a time is negative")
	case (c.Username == "") != (c.Password == ""):
		return errors.New("a Username without a Password, or the other way round")
	case strings.ContainsFunc(c.HELO, func(r rune) bool { return r <= ' ' || r > '~' }):
		return errors.New("the HELO is no host name")
	}
	return nil
}

func orElse[T comparable](value, otherwise T) T {
	var zero T
	if value == zero {
		return otherwise
	}
	return value
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// Name is "email".
func (e *Email) Name() string { return "email" }

// Recognises is false, see Email.
func (e *Email) Recognises() bool { return false }

// Send hands the message to the relay. Up to the end of the message, whatever goes wrong leaves it not taken; from there
// on only the relay's answer tells, and without one it is ErrUnclear. A context that ends breaks the connection off at once.
func (e *Email) Send(ctx context.Context, m Message) error {
	letter, err := e.compose(m)
	switch {
	case errors.Is(err, errAddress):
		return fmt.Errorf("email: %w: %w", ErrRefused, err)
	case err != nil: // whoever made the message is at fault, not the address
		return fmt.Errorf("email: %w: %w", ErrLater, err)
	}
	t := &talk{step: connecting}
	handing, cancel := context.WithTimeout(ctx, e.config.Timeout)
	defer cancel()
	t.conn, err = new(net.Dialer).DialContext(handing, "tcp", e.addr)
	if err != nil {
		return t.failure(handing, err)
	}
	defer func() { _ = t.conn.Close() }()
	if err := t.during(handing, func() error { return t.hand(e, letter) }); err != nil {
		return err
	}
	answering, cancel := context.WithTimeout(ctx, e.config.AnswerTimeout)
	defer cancel()
	return t.during(answering, t.end)
}
