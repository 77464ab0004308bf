// Package channeltest is a mail relay for tests: a real SMTP server in a process of its own, which keeps what it is given
// and does what the address tells it to.
//
// The process is the test binary once more, so its TestMain begins with
//
//	if channeltest.Main() {
//		return
//	}
//
// An address's name, up to a plus sign, says what becomes of a message to it:
//
//	rcpt-550-5.1.1   RCPT TO is answered 550 5.1.1; any code will do, with an enhanced one (RFC 3463) or without
//	end-552          the whole message is answered 552, and not kept unless that begins with a 2
//	rcpt-mute        RCPT TO is never answered
//	end-mute         the whole message is kept, but never answered
//	end-lost         the whole message is kept, and the connection closed instead of an answer
//	cut              the connection is reset after the first octet of the message
//	first-…          as the rest says for the first message to that very address, and as any other address after it
//
// Any other is kept and acknowledged. So is mail from any sender, but for one called mail-550 and the like.
package channeltest

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Addresses for what tests most often want. A plus sign and a word make several of each: "end-lost+anna@example.test".
const (
	Refused = "rcpt-550-5.1.1@example.test" // never takes anything
	Later   = "rcpt-450-4.2.1@example.test" // takes nothing now
	Lost    = "end-lost@example.test"       // takes it, but the answer is lost
	Cut     = "cut@example.test"            // takes nothing, and the connection is lost
	Mute    = "end-mute@example.test"       // takes it, but never answers
)

// The ways in which the server encrypts.
const (
	StartTLS = "starttls"
	Implicit = "implicit"
)

// Options say what the server is like. The zero value is one on a free port, without TLS, that lets anybody in.
type Options struct {
	Addr      string // an address on loopback; empty is a free port of 127.0.0.1
	TLS       string // empty is none
	Username  string // empty lets anybody in
	Password  string
	Mechanism string // of AUTH: "PLAIN" or "LOGIN"; empty is PLAIN
	Hello     int    // the code, 400 or more, with which EHLO and HELO are refused; 0 welcomes
}

// Message is one message as the server took it.
type Message struct {
	Hello string   // what the client called itself
	User  string   // who had signed in
	TLS   bool     // whether it came encrypted
	From  string   // the envelope's sender
	To    []string // the envelope's recipients
	Data  []byte   // header and body, lines ending with CR LF
}

// startTime bounds how long a server may take to start, on a machine with much else to do.
const startTime = 30 * time.Second

// Server is a running server.
type Server struct {
	Host string
	Port int

	kept string // the file, a line of JSON for each message
	cert []byte
	stop func()
}

// Start runs a server until Stop or the end of the test.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	s := &Server{kept: filepath.Join(t.TempDir(), "kept.jsonl")}
	require.NoError(t, os.WriteFile(s.kept, nil, 0o600))
	given := orders{Options: o, Kept: s.kept}
	if o.TLS != "" {
		s.cert, given.Key = certificate(t)
		given.Cert = s.cert
	}
	self, err := os.Executable()
	require.NoError(t, err)
	said := &bytes.Buffer{}
	cmd := exec.CommandContext(context.WithoutCancel(t.Context()), self)
	cmd.Env, cmd.Stderr = append(os.Environ(), variable+"=1"), said
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	s.stop = sync.OnceFunc(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	t.Cleanup(s.stop)
	late := time.AfterFunc(startTime, func() { _ = cmd.Process.Kill() })
	defer late.Stop()
	require.NoError(t, json.NewEncoder(in).Encode(given))
	told, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		s.stop() // so that all it said is there
		require.FailNow(t, "the mail server did not start", "%v: %s", err, said)
	}
	host, port, err := net.SplitHostPort(strings.TrimSpace(told))
	require.NoError(t, err)
	s.Host = host
	s.Port, err = strconv.Atoi(port)
	require.NoError(t, err)
	return s
}

// Addr is host and port.
func (s *Server) Addr() string { return net.JoinHostPort(s.Host, strconv.Itoa(s.Port)) }

// Certificate is what the server shows where it speaks TLS, in PEM; it is valid for 127.0.0.1 and signed by itself. A client that is to trust the server takes it as a root.
func (s *Server) Certificate() []byte { return bytes.Clone(s.cert) }

// Stop ends the server as kill -9 does. What it has kept can be read still.
func (s *Server) Stop() { s.stop() }

// Messages returns what the server has kept, in the order in which it was taken. A message that was acknowledged is among
// them.
func (s *Server) Messages(t testing.TB) []Message {
	t.Helper()
	kept, err := os.ReadFile(s.kept)
	require.NoError(t, err)
	var messages []Message
	for line := range bytes.Lines(kept) {
		if !bytes.HasSuffix(line, []byte("\n")) {
			break // it is being written
		}
		var m Message
		require.NoError(t, json.Unmarshal(line, &m))
		messages = append(messages, m)
	}
	return messages
}
