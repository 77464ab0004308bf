package load

import (
	"bufio"
	"compress/gzip"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"time"
)

// wire is a connection on which whoever sends a request reads the answer too. Go's own client has a goroutine of the connection read it,
// and another one write, which suits those who make many calls at once and takes one who makes a call at a time as long again as all else
// they do, on the cores of the server that is measured.
type wire struct {
	to   string // the server's address, as it is called
	conn net.Conn
	in   *bufio.Reader
	out  *bufio.Writer
}

var usualPorts = map[string]string{"http": "80", "https": "443"}

// dial connects with a server, and counts what goes over the connection.
func dial(ctx context.Context, to string, octets *octets) (*wire, error) {
	at, err := url.Parse(to)
	if err != nil {
		return nil, fmt.Errorf("%w: the server's address: %w", errAnswer, err)
	}
	address := at.Host
	if at.Port() == "" {
		address = net.JoinHostPort(at.Hostname(), usualPorts[at.Scheme])
	}
	plain, err := (&net.Dialer{Timeout: callTime}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	conn := net.Conn(&countedConn{Conn: plain, octets: octets})
	if at.Scheme == "https" {
		conn = tls.Client(conn, &tls.Config{ServerName: at.Hostname(), MinVersion: tls.VersionTLS12})
	}
	return &wire{to: to, conn: conn, in: bufio.NewReader(conn), out: bufio.NewWriter(conn)}, nil
}

// send sends a request, and returns the answer, the body of which is to be read by the deadline too.
func (w *wire) send(request *http.Request, deadline time.Time) (*http.Response, error) {
	err := errors.Join(w.conn.SetDeadline(deadline), request.Write(w.out), w.out.Flush())
	if err != nil {
		return nil, err
	}
	return http.ReadResponse(w.in, request)
}

// ask sends a request to the server that is called now, over the connection that there is or another one, and reads the answer's body.
// After an error the connection is closed.
func (l *line) ask(ctx context.Context, request *http.Request) (status int, header http.Header, err error) {
	if l.wire != nil && l.wire.to != l.base() {
		l.end()
	}
	if l.wire == nil {
		w, err := dial(ctx, l.base(), &l.octets)
		if err != nil {
			return 0, nil, err
		}
		l.wire = w
	}
	response, err := l.wire.send(request, l.load.Now().Add(callTime))
	if err != nil {
		l.end()
		return 0, nil, err
	}
	err = errors.Join(l.readBody(response), response.Body.Close())
	if err != nil || response.Close {
		l.end()
	}
	return response.StatusCode, response.Header, err
}

// readBody reads the body of an answer, as it was before it was compressed.
func (l *line) readBody(response *http.Response) error {
	body := io.Reader(response.Body)
	if response.Header.Get("Content-Encoding") == "gzip" {
		unzipped, err := gzip.NewReader(body)
		if err != nil {
			return fmt.Errorf("%w: %w", errAnswer, err)
		}
		body = unzipped
	}
	l.read.Reset()
	n, err := l.read.ReadFrom(io.LimitReader(body, maxAnswer+1))
	if err == nil && n > maxAnswer {
		return fmt.Errorf("%w: more than %d octets", errAnswer, maxAnswer)
	}
	return err
}

// end closes the connection, if there is one.
func (l *line) end() {
	if l.wire != nil {
		_ = l.wire.conn.Close() // nothing is waiting to be sent
		l.wire = nil
	}
}
