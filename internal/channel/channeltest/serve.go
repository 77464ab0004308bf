package channeltest

import (
	"bufio"
	"bytes"
	"crypto/subtle"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// variable is set for a process that is to be a server.
const variable = "SWALLOWTAIL_TEST_MAIL"

// orders are what Start tells its process, in one line of JSON on standard input.
type orders struct {
	Options

	Kept      string
	Cert, Key []byte // PEM
}

// Main serves mail, if Start has begun this process for that, until standard input ends; and tells whether it did.
func Main() bool {
	if os.Getenv(variable) == "" {
		return false
	}
	if err := serve(os.Stdin, os.Stdout); err != nil {
		panic(err) // to standard error, for whom Start tells it
	}
	return true
}

func serve(in io.Reader, out io.Writer) error {
	reader := bufio.NewReader(in)
	line, err := reader.ReadBytes('\n')
	if err != nil {
		return err
	}
	r := &relay{seen: map[string]bool{}}
	if err := json.Unmarshal(line, &r.orders); err != nil {
		return err
	}
	server, listener, err := r.listen()
	if err != nil {
		return err
	}
	go func() {
		// A test that is gone, however it went, takes its end of the pipe with it.
		_, _ = io.Copy(io.Discard, reader)
		_ = server.Close()
	}()
	fmt.Fprintln(out, listener.Addr())
	return server.Serve(listener)
}

// A relay is the server's one memory.
type relay struct {
	orders

	mu   sync.Mutex
	seen map[string]bool // addresses that begin with first-
}

func (r *relay) listen() (*smtp.Server, net.Listener, error) {
	addr := r.Addr
	if addr == "" {
		addr = "127.0.0.1:0"
	}
	listener, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, nil, err
	}
	server := smtp.NewServer(smtp.BackendFunc(r.session))
	server.Domain, server.AllowInsecureAuth, server.EnableSMTPUTF8 = "relay.example.test", r.TLS == "", true
	if r.TLS == "" {
		return server, listener, nil
	}
	pair, err := tls.X509KeyPair(r.Cert, r.Key)
	if err != nil {
		return nil, nil, err
	}
	config := &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	if r.TLS == Implicit {
		return server, tls.NewListener(listener, config), nil
	}
	server.TLSConfig = config
	return server, listener, nil
}

func (r *relay) session(c *smtp.Conn) (smtp.Session, error) {
	if r.Hello != 0 {
		return nil, &smtp.SMTPError{Code: r.Hello, Message: "not today"}
	}
	_, encrypted := c.TLSConnectionState()
	return &session{relay: r, conn: c, message: Message{Hello: c.Hostname(), TLS: encrypted}}, nil
}

// keep writes a message down before anybody is told that it was taken.
func (r *relay) keep(m Message) error {
	line, err := json.Marshal(m)
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	file, err := os.OpenFile(r.Kept, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = file.Write(append(line, '\n'))
	if closed := file.Close(); err == nil {
		err = closed
	}
	return err
}

// script is what becomes of a message to that address, by its name.
func (r *relay) script(address string) string {
	name, _, _ := strings.Cut(address, "@")
	name, _, _ = strings.Cut(name, "+")
	rest, once := strings.CutPrefix(strings.ToLower(name), "first-")
	if !once {
		return rest
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.seen[address] {
		return ""
	}
	r.seen[address] = true
	return rest
}

// A session is one connection, and the message that it is about.
type session struct {
	relay   *relay
	conn    *smtp.Conn
	message Message
	script  string // of the last recipient
}

var _ smtp.AuthSession = (*session)(nil)

func (s *session) AuthMechanisms() []string {
	switch {
	case s.relay.Username == "":
		return nil
	case s.relay.Mechanism == "":
		return []string{sasl.Plain}
	default:
		return []string{s.relay.Mechanism}
	}
}

func (s *session) Auth(mechanism string) (sasl.Server, error) {
	if mechanism == sasl.Login {
		return &login{check: s.signIn}, nil
	}
	return sasl.NewPlainServer(func(_, username, password string) error { return s.signIn(username, password) }), nil
}

func (s *session) signIn(username, password string) error {
	want, got := s.relay.Username+"\x00"+s.relay.Password, username+"\x00"+password
	if subtle.ConstantTimeCompare([]byte(want), []byte(got)) != 1 {
		return smtp.ErrAuthFailed
	}
	s.message.User = username
	return nil
}

func (s *session) Mail(from string, options *smtp.MailOptions) error {
	if s.relay.Username != "" && s.message.User == "" {
		return smtp.ErrAuthRequired
	}
	if options.UTF8 {
		return &smtp.SMTPError{Code: 555, EnhancedCode: smtp.EnhancedCode{5, 6, 7}, Message: "nobody asks for SMTPUTF8 here"}
	}
	if reply := answer("mail", s.relay.script(from), from); reply != nil {
		return reply
	}
	s.message.From = from
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.script = s.relay.script(to)
	if reply := answer("rcpt", s.script, to); reply != nil {
		return reply
	}
	switch s.script {
	case "rcpt-mute":
		s.wait()
	case "cut":
		// A client must not be able to send everything before it learns.
		if tcp, ok := s.socket().(*net.TCPConn); ok {
			return tcp.SetReadBuffer(1 << 14)
		}
	}
	s.message.To = append(s.message.To, to)
	return nil
}

func (s *session) Data(r io.Reader) error {
	if s.script == "cut" {
		_, err := io.ReadFull(r, make([]byte, 1))
		if tcp, ok := s.socket().(*net.TCPConn); ok && err == nil {
			err = tcp.SetLinger(0) // closing resets
		}
		_ = s.socket().Close()
		return err
	}
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	reply := answer("end", s.script, strings.Join(s.message.To, ", "))
	if reply == nil || reply.Code/100 == 2 {
		s.message.Data = data
		if err := s.relay.keep(s.message); err != nil {
			return err
		}
	}
	if reply != nil {
		return reply
	}
	switch s.script {
	case "end-lost":
		return s.socket().Close()
	case "end-mute":
		s.wait()
	}
	return nil
}

// wait returns when the client has gone.
func (s *session) wait() { _, _ = io.Copy(io.Discard, s.conn.Conn()) }

// socket is the connection below TLS.
func (s *session) socket() net.Conn {
	if encrypted, ok := s.conn.Conn().(*tls.Conn); ok {
		return encrypted.NetConn()
	}
	return s.conn.Conn()
}

func (s *session) Reset() {
	s.message = Message{Hello: s.message.Hello, User: s.message.User, TLS: s.message.TLS}
	s.script = ""
}

func (s *session) Logout() error { return nil }

var scripted = regexp.MustCompile(`^(mail|rcpt|end)-([2345]\d\d)(?:-([245])\.(\d{1,3})\.(\d{1,3}))?$`)

// answer is what a script answers at that step; nil where it says nothing of it. As real ones do, it names the address.
func answer(step, script, address string) *smtp.SMTPError {
	found := scripted.FindStringSubmatch(script)
	if found == nil || found[1] != step {
		return nil
	}
	reply := &smtp.SMTPError{
		EnhancedCode: smtp.NoEnhancedCode, Message: fmt.Sprintf("<%s>: as the address asks for", address),
	}
	reply.Code, _ = strconv.Atoi(found[2]) // digits, as the pattern says
	for i := range reply.EnhancedCode {
		if found[3] != "" {
			reply.EnhancedCode[i], _ = strconv.Atoi(found[3+i])
		}
	}
	return reply
}

// login is AUTH LOGIN, of which sasl has the client's side alone. It is described nowhere but in use: two questions.
type login struct {
	check    func(username, password string) error
	username []byte
}

func (l *login) Next(response []byte) (challenge []byte, done bool, err error) {
	switch {
	case response == nil:
		return []byte("Username:"), false, nil
	case l.username == nil:
		l.username = bytes.Clone(response)
		return []byte("Password:"), false, nil
	default:
		return nil, true, l.check(string(l.username), string(response))
	}
}
