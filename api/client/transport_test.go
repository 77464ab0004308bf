package client_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// overHTTP puts the server behind HTTP, with tokens that can be refused and refreshed.
type overHTTP struct {
	*httptest.Server
	mu        sync.Mutex
	server    *server
	access    string
	refresh   string
	refreshes int
	headers   []http.Header
}

func newOverHTTP(t *testing.T, s *server) *overHTTP {
	t.Helper()
	o := &overHTTP{server: s, access: "access-0", refresh: "refresh-0"}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /v1/sync", o.sync)
	mux.HandleFunc("POST /v1/auth/refresh", o.renew)
	o.Server = httptest.NewServer(mux)
	t.Cleanup(o.Close)
	return o
}

func (o *overHTTP) sync(w http.ResponseWriter, r *http.Request) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.headers = append(o.headers, r.Header.Clone())
	if r.Header.Get("Authorization") != "Bearer "+o.access {
		refuse(w, &client.Problem{Type: "/problems/unauthorised", Title: "No valid token", Status: 401})
		return
	}
	var body io.Reader = r.Body
	if r.Header.Get("Content-Encoding") == "gzip" {
		inflated, err := gzip.NewReader(body)
		if err != nil {
			refuse(w, &client.Problem{Type: "/problems/not-parseable", Status: 400})
			return
		}
		body = inflated
	}
	var request client.Request
	if err := json.NewDecoder(body).Decode(&request); err != nil {
		refuse(w, &client.Problem{Type: "/problems/not-parseable", Status: 400})
		return
	}
	answer, err := o.server.sync(mother, request)
	if err != nil {
		refuse(w, client.AsProblem(err))
		return
	}
	packed(w, answer)
}

func (o *overHTTP) renew(w http.ResponseWriter, r *http.Request) {
	o.mu.Lock()
	defer o.mu.Unlock()
	var asked struct {
		Refresh string `json:"refresh_token"`
	}
	if json.NewDecoder(r.Body).Decode(&asked) != nil || asked.Refresh != o.refresh {
		refuse(w, &client.Problem{Type: "/problems/refresh-spent", Title: "Spent", Status: 401})
		return
	}
	o.refreshes++
	o.refresh = "refresh-" + string(rune('0'+o.refreshes))
	_, _ = w.Write(encode(client.Pair{Access: o.access, ExpiresIn: 900, Refresh: o.refresh}))
}

// expire makes the access token in use stale.
func (o *overHTTP) expire() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.access += "+"
}

func refuse(w http.ResponseWriter, p *client.Problem) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	_, _ = w.Write(encode(p))
}

func packed(w http.ResponseWriter, answer any) {
	w.Header().Set("Content-Encoding", "gzip")
	w.Header().Set("Content-Type", "application/json")
	writer := gzip.NewWriter(w)
	_, _ = writer.Write(encode(answer))
	_ = writer.Close()
}

func (o *overHTTP) tokens(t *testing.T, disk client.TokenDisk) *client.Tokens {
	t.Helper()
	tokens, err := client.OpenTokens(disk, client.API{Base: o.URL, HTTP: o.Client()}.Refresh)
	require.NoError(t, err)
	return tokens
}

func (o *overHTTP) transport(t *testing.T) client.HTTPTransport {
	t.Helper()
	disk := &client.MemoryTokens{Pair: client.Pair{Access: "access-0", Refresh: "refresh-0"}}
	return client.HTTPTransport{Base: o.URL + "/", HTTP: o.Client(), Tokens: o.tokens(t, disk)}
}

func TestSyncOverHTTP(t *testing.T) {
	t.Parallel()
	s := newServer()
	o := newOverHTTP(t, s)
	p := newPhone(t, s, mother)
	device := p.useTransport(t, o.transport(t))
	written, err := device.RecordEvening(eveningOf(1))
	p.keep(err, written.Entries...)
	_, err = device.Sync(context.Background())
	require.NoError(t, err)
	_, err = device.Sync(context.Background())
	require.NoError(t, err)
	p.restart()
	requireInStep(t, p)

	assert.Equal(t, "gzip", o.headers[0].Get("Content-Encoding"), "an evening is worth compressing")
	assert.Empty(t, o.headers[1].Get("Content-Encoding"), "an empty call is not")
	assert.Equal(t, "gzip", o.headers[0].Get("Accept-Encoding"))
	assert.Equal(t, "application/json", o.headers[0].Get("Content-Type"))
}

func TestARefusedTokenIsRefreshedOnce(t *testing.T) {
	t.Parallel()
	s := newServer()
	o := newOverHTTP(t, s)
	disk := client.FileTokens{Path: filepath.Join(t.TempDir(), "tokens.json")}
	require.NoError(t, disk.SaveTokens(client.Pair{Access: "access-0", Refresh: "refresh-0"}))
	tokens := o.tokens(t, disk)
	transport := client.HTTPTransport{Base: o.URL, HTTP: o.Client(), Tokens: tokens}
	o.expire()

	var group sync.WaitGroup
	for range 8 {
		group.Go(func() {
			_, err := transport.Sync(context.Background(), client.Request{Limit: 1})
			assert.NoError(t, err)
		})
	}
	group.Wait()

	assert.Equal(t, 1, o.refreshes, "for all calls refused at once")
	saved, err := disk.LoadTokens()
	require.NoError(t, err)
	assert.Equal(t, client.Pair{Access: "access-0+", ExpiresIn: 900, Refresh: "refresh-1"}, saved)
	o.expire()
	_, err = client.HTTPTransport{Base: o.URL, Tokens: o.tokens(t, disk)}.Sync(context.Background(), client.Request{Limit: 1})
	require.NoError(t, err, "the new pair outlives a restart")
}

func TestTheNewPairIsSavedBeforeItIsUsed(t *testing.T) {
	t.Parallel()
	disk := &failingTokens{}
	disk.Pair = client.Pair{Access: "old", Refresh: "r0"}
	var used []string
	tokens, err := client.OpenTokens(disk, func(_ context.Context, refresh string) (client.Pair, error) {
		assert.Equal(t, "r0", refresh)
		return client.Pair{Access: "new", Refresh: "r1"}, nil
	})
	require.NoError(t, err)
	call := func(access string) error {
		used = append(used, access)
		if access == "old" {
			return &client.Problem{Status: 401}
		}
		assert.Equal(t, "new", disk.Pair.Access)
		return nil
	}
	disk.broken = true
	require.ErrorIs(t, tokens.Do(context.Background(), call), errPower)
	assert.Equal(t, []string{"old"}, used)
	disk.broken = false
	require.NoError(t, tokens.Do(context.Background(), call))
	assert.Equal(t, []string{"old", "old", "new"}, used)
	assert.Equal(t, "new", tokens.Access())
}

type failingTokens struct {
	client.MemoryTokens
	broken bool
}

func (f *failingTokens) SaveTokens(p client.Pair) error {
	if f.broken {
		return errPower
	}
	return f.MemoryTokens.SaveTokens(p)
}

func TestARefreshWithoutAnAnswerIsTriedOnceMore(t *testing.T) {
	t.Parallel()
	refused := &client.Problem{Type: "/problems/refresh-spent", Status: 401}
	cases := map[string]struct {
		answers []error
		wanted  error
		asked   int
	}{
		"answered":           {[]error{nil}, nil, 1},
		"lost once":          {[]error{errLost, nil}, nil, 2},
		"lost twice":         {[]error{errLost, errLost}, errLost, 2},
		"refused":            {[]error{refused}, refused, 1},
		"lost, then refused": {[]error{errLost, refused}, refused, 2},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			asked := 0
			tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: client.Pair{Access: "old"}}, func(context.Context, string) (client.Pair, error) {
				asked++
				return client.Pair{Access: "new"}, c.answers[asked-1]
			})
			require.NoError(t, err)
			err = tokens.Do(context.Background(), func(access string) error {
				if access == "old" {
					return &client.Problem{Status: 401}
				}
				return nil
			})
			require.ErrorIs(t, err, c.wanted)
			assert.Equal(t, c.asked, asked)
		})
	}
}

func TestATokenRefusedTwiceIsAProblem(t *testing.T) {
	t.Parallel()
	o := newOverHTTP(t, newServer())
	o.access = "known to nobody"
	disk := &client.MemoryTokens{Pair: client.Pair{Access: "a", Refresh: "spent"}}
	_, err := client.HTTPTransport{Base: o.URL, Tokens: o.tokens(t, disk)}.Sync(context.Background(), client.Request{})
	problem := client.AsProblem(err)
	require.NotNil(t, problem)
	assert.Equal(t, "/problems/refresh-spent", problem.Type)
	assert.Equal(t, 401, problem.Status)
}

// serving answers every call in the same way.
func serving(t *testing.T, answer http.HandlerFunc) client.HTTPTransport {
	t.Helper()
	s := httptest.NewServer(answer)
	t.Cleanup(s.Close)
	tokens, err := client.OpenTokens(&client.MemoryTokens{}, nil)
	require.NoError(t, err)
	return client.HTTPTransport{Base: s.URL, HTTP: s.Client(), Tokens: tokens}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		status     int
		header     map[string]string
		body       string
		kind       string
		retryAfter time.Duration
		later      bool
	}{
		"busy, seconds": {429, map[string]string{"Retry-After": "30"}, `{"type":"/problems/too-many-requests","title":"Slow down","status":429}`, "/problems/too-many-requests", 30 * time.Second, true},
		"busy, a date": {
			503,
			map[string]string{"Date": "Tue, 02 Mar 2027 19:00:00 GMT", "Retry-After": "Tue, 02 Mar 2027 19:02:00 GMT"},
			`{"type":"/problems/unavailable","title":"Not now","status":503}`, "/problems/unavailable", 2 * time.Minute, true,
		},
		"full": {
			507,
			map[string]string{"Retry-After": "30"},
			`{"type":"/problems/out-of-space","title":"Out of space","status":507}`,
			"/problems/out-of-space", 30 * time.Second, true,
		},
		"from something before the server": {502, nil, `<html>bad gateway</html>`, "about:blank", 0, false},
		"JSON, but no problem":             {503, map[string]string{"Retry-After": "soon"}, `{"message":"no"}`, "about:blank", 0, true},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			transport := serving(t, func(w http.ResponseWriter, _ *http.Request) {
				for name, value := range c.header {
					w.Header().Set(name, value)
				}
				w.WriteHeader(c.status)
				_, _ = io.WriteString(w, c.body)
			})
			_, err := transport.Sync(context.Background(), client.Request{})
			problem := client.AsProblem(err)
			require.NotNil(t, problem)
			assert.Equal(t, c.status, problem.Status)
			assert.Equal(t, c.kind, problem.Type)
			assert.Equal(t, c.retryAfter, problem.RetryAfter)
			assert.Equal(t, c.later, problem.ComeBackLater())
		})
	}
}

func TestAnswersOfAnySizeAreBounded(t *testing.T) {
	t.Parallel()
	transport := serving(t, func(w http.ResponseWriter, _ *http.Request) {
		packed(w, client.Response{Results: []client.Result{}, Epoch: strings.Repeat("e", 100_000)})
	})
	answer, err := transport.Sync(context.Background(), client.Request{})
	require.NoError(t, err)
	require.Len(t, answer.Epoch, 100_000)
	transport.MaxAnswer = 100_000
	_, err = transport.Sync(context.Background(), client.Request{})
	require.ErrorIs(t, err, client.ErrAnswerSize, "it is the size after decompression that counts")
}

func TestAnAnswerThatIsNoJSONIsAnError(t *testing.T) {
	t.Parallel()
	transport := serving(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "<html>") })
	_, err := transport.Sync(context.Background(), client.Request{})
	require.Error(t, err)
	assert.Nil(t, client.AsProblem(err))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err = transport.Sync(ctx, client.Request{})
	require.ErrorIs(t, err, context.Canceled)
}

func TestAProblemKeepsItsMembers(t *testing.T) {
	t.Parallel()
	const text = `{"type":"/problems/history-diverged","title":"The history has diverged","status":409,"detail":"Pull again.",
		"instance":"/v1/sync","errors":[{"pointer":"/cursor","detail":"Not of this history."}],"epoch":"4f0c","limits":{"entries":1000}}`
	var p client.Problem
	require.NoError(t, json.Unmarshal([]byte(text), &p))
	assert.Equal(t, "4f0c", p.Epoch())
	assert.Equal(t, []client.ProblemError{{Pointer: "/cursor", Detail: "Not of this history."}}, p.Errors)
	assert.JSONEq(t, text, string(encode(&p)))
	assert.Equal(t, "409 /problems/history-diverged: The history has diverged: Pull again. [/cursor Not of this history.]", p.Error())
	assert.Empty(t, (&client.Problem{}).Epoch())
	assert.Nil(t, client.AsProblem(errors.New("another")))
	require.Error(t, json.Unmarshal([]byte(`[]`), &p))
	assert.NotContains(t, string(encode(client.Problem{Title: "t"})), "null")
	assert.False(t, bytes.Contains(encode(&client.Problem{Status: 404}), []byte("Extra")))
}
