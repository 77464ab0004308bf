package apitest

import (
	"bytes"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"regexp"
	"sync"
)

// Server is a server that takes part.
type Server struct {
	Name    string // of its store
	Handler http.Handler
}

// Tally counts the calls of which every server's answer was compared, by operation. Safe for concurrent use.
type Tally struct {
	Description Description

	mu    sync.Mutex
	count map[string]Count
}

// Count is how many calls were compared, and in how many of them what was asked for was done.
type Count struct{ Calls, Done int }

// Add counts a call and its answer.
func (t *Tally) Add(method, path string, status int) {
	of := t.Description.OperationOf(method, path)
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.count == nil {
		t.count = map[string]Count{}
	}
	c := t.count[of]
	c.Calls++
	if status < http.StatusBadRequest {
		c.Done++
	}
	t.count[of] = c
}

// Counts returns what has been counted, by operation; what is of none has an empty name.
func (t *Tally) Counts() map[string]Count {
	t.mu.Lock()
	defer t.mu.Unlock()
	return maps.Clone(t.count)
}

// Servers hands each request to every server, one after the other, and passes on what the first of them answers. It is used by one
// caller at a time: of calls that race, each server would see another order.
type Servers struct {
	All   []Server
	Tally *Tally
	// Differs is told of an answer that is not the first server's.
	Differs func(call, server, difference string)
	// Listen returns with what a listener is served until it leaves.
	Listen func(w *httptest.ResponseRecorder, r *http.Request) (http.ResponseWriter, *http.Request)
	Stream string // the path at which answers don't end by themselves
	// Apart matches what of a body is drawn by each server for itself, and so is not compared; nil for nothing.
	Apart *regexp.Regexp
}

// ServeHTTP implements http.Handler.
func (s *Servers) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		http.Error(w, "the test's body can't be read", http.StatusInternalServerError)
		return
	}
	first := s.ask(s.All[0], r, body)
	want := s.common(first)
	for _, other := range s.All[1:] {
		if d := Difference(want, s.common(s.ask(other, r, body))); d != "" {
			s.Differs(r.Method+" "+r.URL.RequestURI(), other.Name, d)
		}
	}
	s.Tally.Add(r.Method, r.URL.EscapedPath(), first.Status)
	maps.Copy(w.Header(), first.Header)
	w.WriteHeader(first.Status)
	_, _ = w.Write(first.Body) // a recorder takes everything
}

// common returns what of an answer all servers have in common.
func (s *Servers) common(a Answer) Answer {
	if s.Apart != nil {
		a.Body = s.Apart.ReplaceAll(a.Body, nil)
	}
	return a
}

func (s *Servers) ask(of Server, r *http.Request, body []byte) Answer {
	if r.URL.Path != s.Stream || s.Listen == nil {
		return Ask(of.Handler, r, body)
	}
	recorder := httptest.NewRecorder()
	of.Handler.ServeHTTP(s.Listen(recorder, requestWith(r, body)))
	return answerOf(recorder)
}

func requestWith(r *http.Request, body []byte) *http.Request {
	again := r.Clone(r.Context())
	again.Body = io.NopCloser(bytes.NewReader(body))
	return again
}
