package client

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"
)

const (
	maxAnswerBytes = 64 << 20 // of one answer, after decompression, unless told otherwise
	compressFrom   = 1 << 10  // bytes from which compression pays
)

// ErrAnswerSize says that an answer was larger than allowed; none of it was used.
var ErrAnswerSize = errors.New("the answer is too large")

// httpCall is one exchange of JSON.
type httpCall struct {
	client    *http.Client // nil is http.DefaultClient
	base      string       // such as http://127.0.0.1:8080
	token     string       // bearer token; empty for none
	method    string
	path      string // with its query
	in        any    // nil for no body
	accept    string // media types; empty is JSON
	compress  bool   // whether a larger body may be sent compressed
	maxAnswer int64  // bytes; 0 is maxAnswerBytes
}

// do decodes a 2xx answer into out, unless that is nil. Another status is a *Problem.
func (c httpCall) do(ctx context.Context, out any) error {
	answer, err := c.send(ctx)
	if err != nil {
		return fmt.Errorf("%s %s: %w", c.method, pathOnly(c.path), err)
	}
	defer answer.Body.Close()
	body, err := c.read(answer.Body)
	if err != nil {
		return fmt.Errorf("%s %s: read the answer: %w", c.method, pathOnly(c.path), err)
	}
	if answer.StatusCode/100 != 2 {
		return fmt.Errorf("%s %s: %w", c.method, pathOnly(c.path), problemOf(answer, body))
	}
	if out == nil {
		return nil
	}
	if err := json.Unmarshal(body, out); err != nil {
		return fmt.Errorf("%s %s: decode the answer: %w", c.method, pathOnly(c.path), err)
	}
	return nil
}

// pathOnly leaves the query out of an error.
func pathOnly(path string) string {
	path, _, _ = strings.Cut(path, "?")
	return path
}

func (c httpCall) send(ctx context.Context) (*http.Response, error) {
	body, compressed, err := c.body()
	if err != nil {
		return nil, fmt.Errorf("encode: %w", err)
	}
	request, err := http.NewRequestWithContext(ctx, c.method, strings.TrimSuffix(c.base, "/")+c.path, body)
	if err != nil {
		return nil, err
	}
	request.Header.Set("Accept", cmp.Or(c.accept, "application/json, application/problem+json"))
	if c.in != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	if compressed {
		request.Header.Set("Content-Encoding", "gzip")
	}
	if c.token != "" {
		request.Header.Set("Authorization", "Bearer "+c.token)
	}
	client := c.client
	if client == nil {
		client = http.DefaultClient
	}
	// The standard transport asks for gzip and inflates the answer of itself.
	return client.Do(request)
}

func (c httpCall) body() (body io.Reader, compressed bool, err error) {
	if c.in == nil {
		return nil, false, nil
	}
	text, err := json.Marshal(c.in)
	if err != nil {
		return nil, false, err
	}
	if !c.compress || len(text) < compressFrom {
		return bytes.NewReader(text), false, nil
	}
	var packed bytes.Buffer
	writer := gzip.NewWriter(&packed)
	_, err = writer.Write(text)
	return &packed, true, errors.Join(err, writer.Close())
}

func (c httpCall) read(body io.Reader) ([]byte, error) {
	limit := c.maxAnswer
	if limit == 0 {
		limit = maxAnswerBytes
	}
	text, err := io.ReadAll(io.LimitReader(body, limit+1))
	if err != nil {
		return nil, err
	}
	if int64(len(text)) > limit {
		return nil, fmt.Errorf("%w: more than %d bytes", ErrAnswerSize, limit)
	}
	return text, nil
}

// problemOf makes a problem of whatever a server, or something before it, refused with.
func problemOf(answer *http.Response, body []byte) *Problem {
	p := &Problem{}
	if json.Unmarshal(body, p) != nil || p.Type == "" {
		p = &Problem{Type: "about:blank", Title: http.StatusText(answer.StatusCode)}
	}
	p.Status = answer.StatusCode
	p.RetryAfter = retryAfter(answer.Header)
	return p
}

// retryAfter reads both forms of the header; a date is measured against the server's own clock.
func retryAfter(header http.Header) time.Duration {
	value := header.Get("Retry-After")
	if seconds, err := strconv.Atoi(value); err == nil && seconds >= 0 {
		return time.Duration(seconds) * time.Second
	}
	at, err := http.ParseTime(value)
	if err != nil {
		return 0
	}
	now, err := http.ParseTime(header.Get("Date"))
	if err != nil {
		return 0
	}
	return max(0, at.Sub(now))
}
