package api_test

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const streamPath = "/v1/sync/stream"

// leaver is a listener that goes away after its first event.
type leaver struct {
	*httptest.ResponseRecorder
	leave context.CancelFunc
}

// Flush implements http.Flusher.
func (l leaver) Flush() {
	l.ResponseRecorder.Flush()
	l.leave()
}

// untilAnEvent makes a stream an answer that ends, so that it can be looked at like any other.
func untilAnEvent(recorder *httptest.ResponseRecorder, request *http.Request) (http.ResponseWriter, *http.Request) {
	ctx, leave := context.WithCancel(request.Context())
	return leaver{recorder, leave}, request.WithContext(ctx)
}

// event is what a listener hears; a comment has the name ":".
type event struct {
	name  string
	epoch string
	head  int64
}

// eventsIn reads a stream, or what there is of it, and fails the test unless it is in the form that is described.
func eventsIn(t testing.TB, text string) []event {
	t.Helper()
	require.True(t, strings.HasPrefix(text, "retry: 3000\ndata: "), "%q", text)
	text = strings.TrimPrefix(text, "retry: 3000\n")
	require.True(t, strings.HasSuffix(text, "\n\n"), "%q", text)
	var all []event
	for block := range strings.SplitSeq(strings.TrimSuffix(text, "\n\n"), "\n\n") {
		all = append(all, eventIn(t, block))
	}
	return all
}

func eventIn(t testing.TB, block string) event {
	t.Helper()
	if block == ":" {
		return event{name: ":"}
	}
	var e event
	if name, rest, named := strings.Cut(block, "\n"); named {
		e.name, block = strings.TrimPrefix(name, "event: "), rest
		assert.Equal(t, "token-expired", e.name)
	}
	data, ok := strings.CutPrefix(block, "data: ")
	require.True(t, ok, "%q", block)
	var doc struct {
		Epoch *string `json:"epoch"`
		Head  *int64  `json:"head"`
	}
	reader := json.NewDecoder(strings.NewReader(data))
	reader.DisallowUnknownFields()
	require.NoError(t, reader.Decode(&doc))
	_, err := uuid.Parse(*doc.Epoch)
	require.NoError(t, err)
	e.epoch, e.head = *doc.Epoch, *doc.Head
	return e
}

// hearing collects what a stream says, as it comes.
type hearing struct {
	t     testing.TB
	leave context.CancelFunc
	over  chan struct{}

	mu     sync.Mutex
	blocks []string
	came   []time.Time
}

// hear connects and listens until the test ends or leaves.
func hear(t testing.TB, client *http.Client, base, token string) *hearing {
	t.Helper()
	ctx, leave := context.WithCancel(t.Context())
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, base+streamPath, nil)
	require.NoError(t, err)
	request.Header.Set("Authorization", "Bearer "+token)
	response, err := client.Do(request)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, response.StatusCode)
	require.Equal(t, "text/event-stream", response.Header.Get("Content-Type"))
	h := &hearing{t: t, leave: leave, over: make(chan struct{})}
	go func() {
		defer close(h.over)
		h.collect(response.Body)
	}()
	t.Cleanup(func() {
		leave()
		<-h.over
		_ = response.Body.Close()
	})
	return h
}

func (h *hearing) collect(body io.Reader) {
	lines := bufio.NewScanner(body)
	var block strings.Builder
	for lines.Scan() {
		if lines.Text() != "" {
			block.WriteString(lines.Text() + "\n")
			continue
		}
		h.mu.Lock()
		h.blocks, h.came = append(h.blocks, block.String()), append(h.came, time.Now())
		h.mu.Unlock()
		block.Reset()
	}
}

// news returns what has come since it was asked last, and when the last of it came.
func (h *hearing) news() (all []event, last time.Time) {
	h.t.Helper()
	h.mu.Lock()
	defer h.mu.Unlock()
	for i, block := range h.blocks {
		all = append(all, eventIn(h.t, strings.TrimSuffix(strings.TrimPrefix(block, "retry: 3000\n"), "\n")))
		last = h.came[i]
	}
	h.blocks, h.came = nil, nil
	return all, last
}

// heads returns the revisions that have come since it was asked last.
func (h *hearing) heads() []int64 {
	h.t.Helper()
	heads := []int64{}
	all, _ := h.news()
	for _, e := range all {
		if e.name == "" {
			heads = append(heads, e.head)
		}
	}
	return heads
}

func (h *hearing) ended() bool {
	select {
	case <-h.over:
		return true
	default:
		return false
	}
}

// eventually waits, within bounds, for what others bring about.
func eventually(t testing.TB, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !holds(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			stacks := make([]byte, 1<<20)
			require.FailNow(t, "it does not come about", "%s", stacks[:runtime.Stack(stacks, true)])
		}
	}
}

// exchange is a network within a bubble: connections are pipes, since waiting for a real one keeps a bubble's time from
// going on.
type exchange struct {
	calls chan net.Conn
	gone  chan struct{}
}

// Accept implements net.Listener.
func (x *exchange) Accept() (net.Conn, error) {
	select {
	case conn := <-x.calls:
		return conn, nil
	case <-x.gone:
		return nil, net.ErrClosed
	}
}

// Close implements net.Listener.
func (x *exchange) Close() error {
	close(x.gone)
	return nil
}

// Addr implements net.Listener.
func (x *exchange) Addr() net.Addr { return &net.UnixAddr{Name: "exchange", Net: "pipe"} }

func (x *exchange) dial(context.Context, string, string) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case x.calls <- theirs:
		return ours, nil
	case <-x.gone:
		return nil, net.ErrClosed
	}
}

// served is a server in a bubble, which can be stopped and started like a process.
type served struct {
	t    testing.TB
	at   atomic.Pointer[exchange] // nil while it is stopped
	stop func()                   // once, in order
}

// dial connects to the server as it is now.
func (s *served) dial(ctx context.Context, network, address string) (net.Conn, error) {
	x := s.at.Load()
	if x == nil {
		return nil, net.ErrClosed
	}
	return x.dial(ctx, network, address)
}

// start serves a house with the bounds of a real server.
func (s *served) start(h *house) {
	x, ended := &exchange{calls: make(chan net.Conn), gone: make(chan struct{})}, make(chan error, 1)
	s.at.Store(x)
	server := &http.Server{
		Handler: h.handler, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: time.Minute,
		IdleTimeout: 2 * time.Minute,
	}
	go func() { ended <- server.Serve(x) }()
	s.stop = sync.OnceFunc(func() {
		s.at.Store(nil)
		h.service.EndListening()
		require.NoError(s.t, server.Shutdown(context.WithoutCancel(s.t.Context())))
		assert.ErrorIs(s.t, <-ended, http.ErrServerClosed)
	})
}

// connected serves the house until the test ends, and returns the server and a client of it.
func (h *house) connected() (*served, *http.Client) {
	h.t.Helper()
	s := &served{t: h.t}
	s.start(h)
	transport := &http.Transport{DialContext: s.dial}
	h.t.Cleanup(func() {
		s.stop()
		transport.CloseIdleConnections()
	})
	return s, &http.Client{Transport: transport}
}
