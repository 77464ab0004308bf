package load

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/go-json-experiment/json"

	"swallowtail/api/client"
)

var errAnswer = errors.New("the server's answer is not what was to be expected")

const (
	callTime  = 30 * time.Second // of one call
	maxAnswer = 16 << 20         // octets of one answer
	// attempts is how often a call is made that gets no answer, or is asked to come back later; the waits between them double from
	// firstWait, unless the server asks for a longer one.
	attempts  = 9
	firstWait = 50 * time.Millisecond
	// mostWait is the longest that a server may ask to wait for.
	mostWait = time.Minute
)

// line is one connection to the server, on which one call is made at a time.
type line struct {
	load    *Load
	server  int   // of those that there are, the one that is called: see base
	wire    *wire // nil where it is not connected
	counted *tally
	octets  octets
	written []byte // the body of the call under way
	zip     *gzip.Writer
	zipped  bytes.Buffer
	read    bytes.Buffer
}

// octets counts what goes over a line, headers included.
type octets struct{ sent, received atomic.Int64 }

// newLine returns a line that connects with its first call.
func (l *Load) newLine() *line {
	return &line{load: l, counted: newTally(), zip: gzip.NewWriter(io.Discard)}
}

type countedConn struct {
	net.Conn
	octets *octets
}

func (c *countedConn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	c.octets.received.Add(int64(n))
	return n, err
}

func (c *countedConn) Write(p []byte) (int, error) {
	n, err := c.Conn.Write(p)
	c.octets.sent.Add(int64(n))
	return n, err
}

// base returns the address of the server that is called now.
func (l *line) base() string {
	if at := l.server % (1 + len(l.load.Others)); at > 0 {
		return l.load.Others[at-1]
	}
	return l.load.Base
}

// request is a call to make.
type request struct {
	method, path string
	body         []byte // JSON; nil for none
	packed       bool   // whether the body is sent compressed
}

// call makes a call, again where the server asks for that or does not answer, and decodes the answer. Every call that is made may
// be made again: a sync call hands in entries with ids of their own. It notes how long the answer took, or what kind of failure
// it was.
func (l *line) call(ctx context.Context, who *client.Tokens, r request, out any) error {
	began := l.load.Now()
	defer func() { l.counted.done(l.load.Now().Sub(began)) }()
	for attempt := range attempts {
		err := who.Do(ctx, func(access string) error { return l.timed(ctx, access, r) })
		if err == nil {
			if err = decode(l.read.Bytes(), out); err != nil {
				err = fmt.Errorf("%w: %w", errAnswer, err)
			}
		}
		if err == nil {
			return nil
		}
		wait, again := waitAfter(err, attempt)
		if !again {
			l.counted.failed(kindOf(err))
			return err
		}
		l.counted.madeAgain(kindOf(err))
		if client.AsProblem(err) == nil {
			l.server++
		}
		select {
		case <-ctx.Done():
			l.counted.failed("stopped while waiting to try again")
			return ctx.Err()
		case <-time.After(wait):
		}
	}
	panic("unreachable: the last attempt is not made again")
}

// selective is what reads of an answer only what it wants: callers share the machine with who is measured.
type selective interface{ read(answer []byte) error }

// unread is an answer of which nothing is wanted.
type unread struct{}

// read looks only whether there is a document.
func (unread) read(answer []byte) error {
	if !bytes.HasPrefix(answer, []byte("{")) || !bytes.HasSuffix(bytes.TrimSpace(answer), []byte("}")) {
		return errAnswer
	}
	return nil
}

// page is one page of a list.
type page struct{ cursor *string }

// read reads from where to go on.
func (p *page) read(answer []byte) error {
	var err error
	p.cursor, err = cursorIn(answer)
	return errors.Join(err, unread{}.read(answer))
}

func decode(answer []byte, out any) error {
	if wants, is := out.(selective); is {
		return wants.read(answer)
	}
	return json.Unmarshal(answer, out)
}

// cursorIn finds the cursor in an answer; nil where there is none. In a text each quote has a backslash before it, so that what it finds
// can be but a member, and of several the last is the answer's own.
func cursorIn(answer []byte) (*string, error) {
	member := []byte(`"cursor":"`)
	_, behind, has := bytes.Cut(answer, member)
	if !has {
		return nil, nil //nolint:nilnil // there is nothing to go on from
	}
	for has { // quicker than from the end, where what is looked for is not hashed but compared
		var last []byte
		if _, last, has = bytes.Cut(behind, member); has {
			behind = last
		}
	}
	cursor, _, ended := bytes.Cut(behind, []byte(`"`))
	if !ended {
		return nil, errAnswer
	}
	text := string(cursor)
	return &text, nil
}

// waitAfter returns how long to wait before a call is made again, if it is.
func waitAfter(err error, attempt int) (wait time.Duration, again bool) {
	wait = firstWait << attempt
	if p := client.AsProblem(err); p != nil {
		return min(max(p.RetryAfter, wait), mostWait), p.ComeBackLater() && attempt+1 < attempts
	}
	return wait, !errors.Is(err, errAnswer) && attempt+1 < attempts
}

// timed makes one attempt, and notes how long it took if it was answered as hoped for. A call that has begun is seen to its end,
// since whoever breaks it off does not know what became of it.
func (l *line) timed(ctx context.Context, access string, r request) error {
	began := l.load.Now()
	err := l.exchange(context.WithoutCancel(ctx), access, r)
	if err == nil {
		ended := l.load.Now()
		l.counted.took(ended.Sub(began), ended)
	}
	return err
}

// exchange sends a request and reads the answer.
func (l *line) exchange(ctx context.Context, access string, r request) error {
	body, err := l.bodyOf(r)
	if err != nil {
		return err
	}
	request, err := http.NewRequestWithContext(ctx, r.method, l.base()+r.path, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("%w: %w", errAnswer, err)
	}
	request.Header.Set("Authorization", "Bearer "+access)
	if r.body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	if r.packed {
		request.Header.Set("Content-Encoding", "gzip")
	}
	if l.load.Compress {
		request.Header.Set("Accept-Encoding", "gzip")
	}
	status, header, err := l.ask(ctx, request)
	if err != nil {
		return err
	}
	if status != http.StatusOK {
		return problemOf(status, header, l.read.Bytes())
	}
	return nil
}

// bodyOf returns the body as it is sent.
func (l *line) bodyOf(r request) ([]byte, error) {
	if !r.packed {
		return r.body, nil
	}
	l.zipped.Reset()
	l.zip.Reset(&l.zipped)
	_, err := l.zip.Write(r.body)
	err = errors.Join(err, l.zip.Close())
	return l.zipped.Bytes(), err
}

// problemOf returns a refusal.
func problemOf(status int, header http.Header, body []byte) error {
	p := &client.Problem{}
	if p.UnmarshalJSON(body) != nil || p.Type == "" {
		p = &client.Problem{Type: "about:blank", Title: http.StatusText(status)}
	}
	p.Status = status
	if seconds, err := strconv.Atoi(header.Get("Retry-After")); err == nil && seconds > 0 {
		p.RetryAfter = time.Duration(seconds) * time.Second
	}
	return p
}

// kindOf names a failure so that those of one kind can be counted.
func kindOf(err error) string {
	p := client.AsProblem(err)
	switch {
	case p != nil:
		return fmt.Sprintf("%d %s", p.Status, p.Type)
	case errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, context.DeadlineExceeded):
		return "no answer in time"
	case errors.Is(err, errAnswer):
		return "an answer that was not to be expected"
	}
	return "no answer"
}
