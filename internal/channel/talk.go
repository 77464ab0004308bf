package channel

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/textproto"
	"slices"
	"strings"
	"time"

	"github.com/wneessen/go-mail/smtp"
)

// A step is how far a talk with the relay has got, as errors name it.
type step string

const (
	connecting step = "connecting"
	greeting   step = "greeting"
	hello      step = "EHLO"
	encrypting step = "STARTTLS"
	signingIn  step = "AUTH"
	sender     step = "MAIL FROM"
	recipient  step = "RCPT TO"
	data       step = "DATA"
	message    step = "message"
	ending     step = "end of message" // from here on it may have been taken
)

// quitTimeout bounds the farewell, which nobody needs.
const quitTimeout = 5 * time.Second

var (
	errNoTLS  = errors.New("the relay offers no STARTTLS")
	errNoAuth = errors.New("the relay offers neither AUTH PLAIN nor LOGIN")
)

// A talk is one connection with one message. It is made of the library's steps, not of its DialAndSend: that one reports an
// error when the relay, having taken a message, fails to answer RSET or QUIT, and does not tell a connection lost before the
// end of the message from one lost after it.
type talk struct {
	conn  net.Conn // as dialled: below TLS, so that closing it breaks off whatever waits
	relay *smtp.Client
	data  io.WriteCloser
	step  step
}

// hand takes the talk up to the last line of the message, short of its end.
func (t *talk) hand(e *Email, l letter) error {
	for _, next := range []struct {
		step step
		take func() error
	}{
		{greeting, func() error { return t.greet(e) }},
		{hello, func() error { return t.relay.Hello(e.config.HELO) }},
		{encrypting, func() error { return t.encrypt(e) }},
		{signingIn, func() error { return t.signIn(e) }},
		{sender, func() error { return t.relay.Mail("<" + e.from.Address + ">") }},
		{recipient, func() error { return t.relay.Rcpt("<" + l.to + ">") }},
		{data, t.begin},
		{message, func() error { return t.write(l.text) }},
	} {
		t.step = next.step
		if err := next.take(); err != nil {
			return err
		}
	}
	return nil
}

func (t *talk) greet(e *Email) (err error) {
	conn := t.conn
	if e.config.TLS == ImplicitTLS {
		conn = tls.Client(conn, e.tls)
	}
	if t.relay, err = smtp.NewClient(conn, e.config.Host); err != nil {
		return err
	}
	// All we send is ASCII. A relay that was asked for SMTPUTF8 could pass the message on only where that is spoken too.
	t.relay.SkipSMTPUTF8(true)
	return nil
}

func (t *talk) encrypt(e *Email) error {
	if e.config.TLS != StartTLS {
		return nil
	}
	if ok, _ := t.relay.Extension("STARTTLS"); !ok {
		return errNoTLS
	}
	return t.relay.StartTLS(e.tls)
}

func (t *talk) signIn(e *Email) error {
	c := &e.config
	if c.Username == "" {
		return nil
	}
	_, offered := t.relay.Extension("AUTH")
	mechanisms := strings.Fields(offered)
	unencrypted := c.TLS == NoTLS // on loopback alone
	switch {
	case slices.Contains(mechanisms, "PLAIN"):
		return t.relay.Auth(smtp.PlainAuth("", c.Username, c.Password, c.Host, unencrypted))
	case slices.Contains(mechanisms, "LOGIN"):
		return t.relay.Auth(smtp.LoginAuth(c.Username, c.Password, c.Host, unencrypted))
	default:
		return errNoAuth
	}
}

func (t *talk) begin() (err error) {
	t.data, err = t.relay.Data()
	return err
}

// write sends all of the message but its end. It leaves nothing in the buffer, so that what is lost until here is known
// not to have been taken.
func (t *talk) write(text []byte) error {
	if _, err := t.data.Write(text); err != nil {
		return err
	}
	return t.relay.Text.W.Flush()
}

// end sends the line that ends the message, and awaits the answer. Any that begins with a 2 acknowledges (RFC 5321,
// section 4.2.1).
func (t *talk) end() error {
	t.step = ending
	err := t.data.Close()
	if reply, ok := errors.AsType[*textproto.Error](err); ok && reply.Code/100 == 2 {
		return nil
	}
	return err
}

// during does what it is given, and breaks it off when the context ends. Its error is one of Channel's.
func (t *talk) during(ctx context.Context, do func() error) error {
	stop := context.AfterFunc(ctx, func() { _ = t.conn.Close() })
	err := do()
	if !stop() && err == nil && t.step != ending {
		err = net.ErrClosed // it was done just when the time was up
	}
	if err != nil {
		return t.failure(ctx, err)
	}
	if t.step == ending {
		t.quit(ctx)
	}
	return nil
}

// quit takes leave as RFC 5321, section 4.1.1.10, wants it. What comes of that changes nothing any more.
func (t *talk) quit(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, quitTimeout)
	defer cancel()
	stop := context.AfterFunc(ctx, func() { _ = t.conn.Close() })
	defer stop()
	_ = t.relay.Quit()
}

// failure says what became of the message when this step went wrong, and why, in words that hold nothing of the relay's:
// they may repeat the address.
func (t *talk) failure(ctx context.Context, err error) error {
	if reply, ok := errors.AsType[*textproto.Error](err); ok {
		if t.relay != nil && t.relay.HasConnection() {
			t.quit(ctx)
		}
		return fmt.Errorf("email: %s: answered %s: %w", t.step, codes(reply), meaning(t.step, reply))
	}
	kind := ErrLater
	if t.step == ending {
		kind = ErrUnclear
	}
	if ended := ctx.Err(); ended != nil {
		return fmt.Errorf("email: %s: %w: %w", t.step, ended, kind)
	}
	return fmt.Errorf("email: %s: %s: %w", t.step, reason(err), kind)
}

// reason puts into words what kept the relay from answering, as far as the words are our own side's.
func reason(err error) string {
	var (
		network     *net.OpError
		name        *net.DNSError
		certificate *tls.CertificateVerificationError
		record      tls.RecordHeaderError
	)
	switch {
	case errors.Is(err, errNoTLS), errors.Is(err, errNoAuth):
		return err.Error()
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "the relay closed the connection"
	case errors.As(err, &certificate):
		return certificate.Error()
	case errors.As(err, &record):
		return "the relay does not speak TLS here"
	case errors.As(err, &name):
		return "the relay's name: " + name.Err
	case errors.As(err, &network):
		return network.Op + ": " + network.Err.Error()
	default:
		return "the relay was not understood"
	}
}
