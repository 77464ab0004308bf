package apitest

import (
	"bytes"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
)

// Answer is all that a caller gets.
type Answer struct {
	Status int
	Header http.Header
	Body   []byte
}

// Ask has a handler answer a request, whose body is the one given.
func Ask(h http.Handler, r *http.Request, body []byte) Answer {
	recorder := httptest.NewRecorder()
	h.ServeHTTP(recorder, requestWith(r, body))
	return answerOf(recorder)
}

func answerOf(r *httptest.ResponseRecorder) Answer {
	got := r.Result()
	defer got.Body.Close()
	return Answer{Status: got.StatusCode, Header: got.Header, Body: r.Body.Bytes()}
}

// excerpt is how many octets of a body are shown around the place where two begin to differ.
const excerpt = 160

// Difference says how an answer differs from the one wanted; empty where it does in nothing. It quotes both.
func Difference(want, got Answer) string {
	if want.Status != got.Status {
		return fmt.Sprintf("status %d, not %d: %s", got.Status, want.Status, got.Body[:min(len(got.Body), excerpt)])
	}
	names := slices.Concat(slices.Collect(maps.Keys(want.Header)), slices.Collect(maps.Keys(got.Header)))
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		if !slices.Equal(want.Header[name], got.Header[name]) {
			return fmt.Sprintf("header %s: %q, not %q", name, got.Header[name], want.Header[name])
		}
	}
	if bytes.Equal(want.Body, got.Body) {
		return ""
	}
	at := 0
	for at < len(want.Body) && at < len(got.Body) && want.Body[at] == got.Body[at] {
		at++
	}
	around := func(b []byte) []byte { return b[max(0, at-excerpt/2):min(len(b), at+excerpt/2)] }
	return fmt.Sprintf("body differs from octet %d on: …%s…, not …%s…", at, around(got.Body), around(want.Body))
}
