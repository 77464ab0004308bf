package client

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Place is where a household's record stands. A device whose State has another Epoch or Head has something to pull.
type Place struct {
	Epoch string `json:"epoch"` // the name of the server's history
	Head  int64  `json:"head"`  // the household's latest revision
}

// Backoff says how long to wait before the next attempt. All of it must be set.
type Backoff struct {
	Least  time.Duration  // after the first failure
	Most   time.Duration  // after many: each failure doubles the wait
	Random func() float64 // from 0 up to 1; it spreads devices out, which would all come back at once otherwise
}

// after returns the wait after so many failures in a row, at least as long as the server asked for: from half the span that
// the failures amount to up to all of it.
func (b Backoff) after(failures int, asked time.Duration) time.Duration {
	span := b.Least
	for range failures {
		if span >= b.Most {
			break
		}
		span *= 2
	}
	half := min(span, b.Most) / 2
	return max(asked, half) + time.Duration(b.Random()*float64(half))
}

// defaultSilence is more than two of the server's comments apart.
const defaultSilence = 70 * time.Second

// Stream is a device's ear: it hears when its household has something new. Base, Tokens and Backoff are needed.
type Stream struct {
	Base    string       // such as http://127.0.0.1:8080
	HTTP    *http.Client // its Timeout would end every stream, so it must have none; nil is http.DefaultClient
	Tokens  *Tokens
	Backoff Backoff
	Silence time.Duration // after which a connection is taken for dead; 0 is 70 s
}

// Listen calls heard with where the household's record stands, at once and then whenever that is elsewhere than it was told
// last. It goes on, over connections that fail and tokens that expire, until ctx ends, whose error it returns, or the server
// refuses the device for good: with a *Problem, wrapped, of status 403 once it has been revoked and 401 once its refresh token
// is refused. The stream waits for heard, which usually calls Device.Sync.
func (s Stream) Listen(ctx context.Context, heard func(Place)) error {
	if s.Silence == 0 {
		s.Silence = defaultSilence
	}
	l := &listening{Stream: s, heard: heard}
	for failures := 0; ; failures++ {
		err := s.Tokens.Do(ctx, func(access string) error { return l.once(ctx, access) })
		if ctx.Err() != nil {
			return ctx.Err()
		}
		problem := AsProblem(err)
		if problem != nil && problem != errExpired && problem.Status/100 == 4 && !problem.ComeBackLater() {
			return fmt.Errorf("listen: %w", err)
		}
		if l.alive {
			failures = 0
		}
		asked := l.comeBack
		if problem != nil {
			asked = problem.RetryAfter
		}
		if err := wait(ctx, s.Backoff.after(failures, asked)); err != nil {
			return err
		}
	}
}

func wait(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

// listening is one Listen.
type listening struct {
	Stream
	heard    func(Place)
	last     *Place        // what heard was told last
	alive    bool          // the last connection said something
	comeBack time.Duration // how long the server wants a device to stay away that has lost its stream
}

// errExpired ends a stream with its token, so that Tokens get another.
var errExpired = &Problem{Type: "/problems/token-expired", Title: "The access token has expired", Status: http.StatusUnauthorized}

// once listens over one connection, to its end.
func (l *listening) once(ctx context.Context, access string) error {
	l.alive = false
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	silence := time.AfterFunc(l.Silence, cancel)
	defer silence.Stop()
	c := httpCall{
		client: l.HTTP, base: l.Base, token: access, method: http.MethodGet, path: "/v1/sync/stream",
		accept: "text/event-stream, application/problem+json",
	}
	answer, err := c.send(ctx)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		body, err := c.read(answer.Body)
		if err != nil {
			return err
		}
		return problemOf(answer, body)
	}
	return l.read(answer.Body, silence)
}

// read takes in the events of a stream. Every line puts off the time at which it counts as dead.
func (l *listening) read(stream io.Reader, silence *time.Timer) error {
	var name, data string
	lines := bufio.NewScanner(stream)
	for lines.Scan() {
		silence.Reset(l.Silence)
		if lines.Text() == "" {
			silence.Stop() // while the caller is busy
			if err := l.take(name, data); err != nil {
				return err
			}
			silence.Reset(l.Silence)
			name, data = "", ""
			continue
		}
		field, value, _ := strings.Cut(lines.Text(), ":")
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "event":
			name = value
		case "data":
			data = value
		case "retry":
			if ms, err := strconv.Atoi(value); err == nil {
				l.comeBack = time.Duration(ms) * time.Millisecond
			}
		}
	}
	return lines.Err()
}

// take takes in one event; those of other names are for later versions of this client.
func (l *listening) take(name, data string) error {
	switch {
	case name == "token-expired":
		return errExpired
	case name != "" || data == "":
		return nil
	}
	var place Place
	if err := json.Unmarshal([]byte(data), &place); err != nil {
		return fmt.Errorf("%w: %w", ErrAnswer, err)
	}
	l.alive = true
	if l.last == nil || *l.last != place {
		l.last = &place
		l.heard(place)
	}
	return nil
}
