package client_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// ether carries requests to functions, one after the other, and notes when each came. The last goes on answering.
type ether struct {
	t       *testing.T
	answers []func(r *http.Request) *http.Response
	came    []time.Time
	tokens  []string
}

func (e *ether) RoundTrip(r *http.Request) (*http.Response, error) {
	assert.Equal(e.t, "GET /v1/sync/stream", r.Method+" "+r.URL.Path)
	assert.Equal(e.t, "text/event-stream, application/problem+json", r.Header.Get("Accept"))
	e.came, e.tokens = append(e.came, time.Now()), append(e.tokens, r.Header.Get("Authorization"))
	answer := e.answers[min(len(e.came), len(e.answers))-1](r)
	if answer == nil {
		return nil, errLost
	}
	return answer, nil
}

// gaps returns the time between the attempts.
func (e *ether) gaps() []time.Duration {
	var gaps []time.Duration
	for i := 1; i < len(e.came); i++ {
		gaps = append(gaps, e.came[i].Sub(e.came[i-1]))
	}
	return gaps
}

func lostOnTheWay(*http.Request) *http.Response { return nil }

func refusing(status int, retryAfter string) func(*http.Request) *http.Response {
	return func(*http.Request) *http.Response {
		header := http.Header{}
		if retryAfter != "" {
			header.Set("Retry-After", retryAfter)
		}
		body := fmt.Sprintf(`{"type":"/problems/x","title":"X","status":%d}`, status)
		return &http.Response{StatusCode: status, Header: header, Body: io.NopCloser(strings.NewReader(body))}
	}
}

// saying is a stream of some texts, each a second after the other, which then ends, or goes silent.
func saying(silent bool, texts ...string) func(*http.Request) *http.Response {
	return func(r *http.Request) *http.Response {
		out, in := io.Pipe()
		context.AfterFunc(r.Context(), func() { _ = out.CloseWithError(r.Context().Err()) })
		go func() {
			for _, text := range texts {
				time.Sleep(time.Second)
				if _, err := io.WriteString(in, text); err != nil {
					return
				}
			}
			if !silent {
				_ = in.Close()
			}
		}()
		return &http.Response{StatusCode: http.StatusOK, Body: out}
	}
}

func at(head int64) string { return fmt.Sprintf("data: {\"epoch\":\"e\",\"head\":%d}\n\n", head) }

// listenFor listens for some time and returns what was heard and how it ended.
func listenFor(t *testing.T, d time.Duration, e *ether) (heard []client.Place, err error) {
	t.Helper()
	renewed := 0
	tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: client.Pair{Access: "a0"}}, func(context.Context, string) (client.Pair, error) {
		renewed++
		if renewed > 3 {
			return client.Pair{}, &client.Problem{Type: "/problems/refresh-refused", Status: 401}
		}
		return client.Pair{Access: fmt.Sprintf("a%d", renewed)}, nil
	})
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	stream := client.Stream{
		Base: "http://swallowtail.example/", HTTP: &http.Client{Transport: e}, Tokens: tokens,
		Backoff: client.Backoff{Least: 4 * time.Second, Most: time.Minute, Random: func() float64 { return 0.5 }},
	}
	err = stream.Listen(ctx, func(p client.Place) { heard = append(heard, p) })
	synctest.Wait()
	return heard, err
}

func TestListen(t *testing.T) {
	t.Parallel()
	places := func(heads ...int64) []client.Place {
		var all []client.Place
		for _, head := range heads {
			all = append(all, client.Place{Epoch: "e", Head: head})
		}
		return all
	}
	seconds := func(all ...float64) []time.Duration {
		var gaps []time.Duration
		for _, s := range all {
			gaps = append(gaps, time.Duration(s*float64(time.Second)))
		}
		return gaps
	}
	const expired = "event: token-expired\ndata: {\"epoch\":\"e\",\"head\":9}\n\n"
	for name, test := range map[string]struct {
		answers []func(*http.Request) *http.Response
		listens time.Duration
		heard   []client.Place
		gaps    []time.Duration // 3 s of the 4 s after a first failure: half of it and half of the rest
		ends    error           // or else in a problem
		status  int
	}{
		"what comes, once": {
			[]func(*http.Request) *http.Response{saying(true, at(1), at(1), ":\n\n", "event: later\ndata: x\n\n", at(4))},
			time.Minute, places(1, 4), nil, context.DeadlineExceeded, 0,
		},
		"a stream that ends": {
			[]func(*http.Request) *http.Response{saying(false, "retry: 8000\n"+at(1)), saying(false, at(1), at(2))},
			20 * time.Second, places(1, 2), seconds(1 + 8 + 1), context.DeadlineExceeded, 0,
		},
		"a connection that goes silent": {
			[]func(*http.Request) *http.Response{saying(true, at(1), ":\n\n"), saying(true, at(2))},
			90 * time.Second, places(1, 2), seconds(2 + 70 + 3), context.DeadlineExceeded, 0,
		},
		"no connection": {
			[]func(*http.Request) *http.Response{lostOnTheWay, lostOnTheWay, lostOnTheWay, lostOnTheWay, lostOnTheWay, lostOnTheWay, saying(true, at(1))},
			150 * time.Second, places(1), seconds(3, 6, 12, 24, 45, 45), context.DeadlineExceeded, 0,
		},
		"failures that follow a success count anew": {
			[]func(*http.Request) *http.Response{lostOnTheWay, lostOnTheWay, saying(false, at(1)), lostOnTheWay, saying(true)},
			time.Minute, places(1), seconds(3, 6, 1+3, 6), context.DeadlineExceeded, 0,
		},
		"a server that can't now": {
			[]func(*http.Request) *http.Response{refusing(503, "30"), refusing(500, ""), refusing(429, "1"), saying(true, at(1))},
			time.Minute, places(1), seconds(30+1, 6, 12), context.DeadlineExceeded, 0,
		},
		"tokens that expire": {
			[]func(*http.Request) *http.Response{saying(true, at(1), expired), saying(true, at(1), expired), saying(true, at(2))},
			time.Minute, places(1, 2), seconds(2, 2+3), context.DeadlineExceeded, 0,
		},
		"a token that is refused": {
			[]func(*http.Request) *http.Response{refusing(401, ""), saying(true, at(1))},
			time.Minute, places(1), seconds(0), context.DeadlineExceeded, 0,
		},
		"no further tokens": {
			[]func(*http.Request) *http.Response{saying(true, at(1), expired)},
			time.Hour, places(1), seconds(2, 2+3, 2, 2+3, 2, 2+3), nil, 401,
		},
		"a device that is revoked": {
			[]func(*http.Request) *http.Response{saying(false, at(1)), refusing(403, "")},
			time.Hour, places(1), seconds(1 + 3), nil, 403,
		},
		"an address that is none": {[]func(*http.Request) *http.Response{refusing(404, "")}, time.Hour, nil, nil, nil, 404},
		"an answer that breaks the contract": {
			[]func(*http.Request) *http.Response{saying(true, "data: x\n\n"), saying(true, at(1))},
			time.Minute, places(1), seconds(1 + 3), context.DeadlineExceeded, 0,
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				e := &ether{t: t, answers: test.answers}
				heard, err := listenFor(t, test.listens, e)
				assert.Equal(t, test.heard, heard)
				assert.Equal(t, test.gaps, e.gaps())
				if test.status == 0 {
					require.ErrorIs(t, err, test.ends)
					return
				}
				require.NotNil(t, client.AsProblem(err), "%v", err)
				assert.Equal(t, test.status, client.AsProblem(err).Status)
			})
		})
	}
}

// TestEachStreamHasTheNewestToken.
func TestEachStreamHasTheNewestToken(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		e := &ether{t: t, answers: []func(*http.Request) *http.Response{
			refusing(401, ""), saying(true, at(1), "event: token-expired\ndata: {}\n\n"), refusing(401, ""), saying(true, at(1)),
		}}
		_, err := listenFor(t, time.Minute, e)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		assert.Equal(t, []string{"Bearer a0", "Bearer a1", "Bearer a1", "Bearer a2"}, e.tokens)
	})
}

// TestAListenerThatIsBusyIsNotDead: while the caller syncs, silence says nothing of the connection.
func TestAListenerThatIsBusyIsNotDead(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		e := &ether{t: t, answers: []func(*http.Request) *http.Response{saying(true, at(1), at(2))}}
		tokens, err := client.OpenTokens(&client.MemoryTokens{}, nil)
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
		defer cancel()
		var heard []int64
		stream := client.Stream{
			Base: "http://swallowtail.example", HTTP: &http.Client{Transport: e}, Tokens: tokens, Silence: 3 * time.Minute,
			Backoff: client.Backoff{Least: time.Second, Most: time.Second, Random: func() float64 { return 0 }},
		}
		err = stream.Listen(ctx, func(p client.Place) {
			heard = append(heard, p.Head)
			time.Sleep(4 * time.Minute)
		})
		require.ErrorIs(t, err, context.DeadlineExceeded)
		assert.Equal(t, []int64{1, 2}, heard)
		assert.Len(t, e.came, 1)
		synctest.Wait()
	})
}
