package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/openapi"
)

// validating is held while an answer is looked at: the validator renders schemas that it shares.
var validating sync.Mutex

// described holds answers to the description. It is made once for all tests, since that takes long.
var described = sync.OnceValues(func() (validator.Validator, error) {
	document, err := libopenapi.NewDocument(openapi.YAML())
	if err != nil {
		return nil, err
	}
	// What was sent goes out as it was sent, and the description is no answer with a schema of its own.
	free := []string{
		"$.body.changes[*].body.**", "$.body.changes[*].sent.**", "$.body.entries[*].body.**", "$.body.entries[*].sent.**",
		"$.body.info.**", "$.body.servers[*].**", "$.body.security[*].**", "$.body.tags[*].**", "$.body.paths**",
		"$.body.components.**",
	}
	v, errs := validator.NewValidator(document, config.WithFormatAssertions(), config.WithStrictMode(),
		config.WithoutSecurityValidation(), config.WithStrictIgnorePaths(free...),
		// Every answer has these, so the description names them nowhere.
		config.WithStrictIgnoredHeadersExtra("X-Content-Type-Options", "X-Frame-Options", "Referrer-Policy", "Content-Security-Policy",
			"Permissions-Policy", "Cross-Origin-Opener-Policy", "Cross-Origin-Resource-Policy", "Strict-Transport-Security",
			"Access-Control-Allow-Origin", "Access-Control-Expose-Headers", "Vary"))
	if len(errs) > 0 {
		return nil, fmt.Errorf("read the description: %v", errs)
	}
	return v, nil
})

// wire carries requests to a handler and fails the test unless every answer is as the description has it, and every
// problem document keeps to itself what is nobody's business.
type wire struct {
	t       testing.TB
	handler http.Handler
	// elsewhere marks calls that the description knows nothing of, which must be answered with a problem all the same.
	elsewhere bool
}

// RoundTrip implements http.RoundTripper.
func (w wire) RoundTrip(request *http.Request) (*http.Response, error) {
	recorder := httptest.NewRecorder()
	if request.URL.Path == streamPath {
		w.handler.ServeHTTP(untilAnEvent(recorder, request))
	} else {
		w.handler.ServeHTTP(recorder, request)
	}
	response := recorder.Result()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		return nil, err
	}
	plain := body
	if response.Header.Get("Content-Encoding") == "gzip" {
		plain = gunzipped(w.t, body)
	}
	if !isTwinned(w.t) { // whose tests have looked at that already
		w.check(request, response, plain)
	}
	response.Body = io.NopCloser(bytes.NewReader(body))
	return response, nil
}

// Under the race detector one of so many answers is held to the description: the validator is nobody's but the tests', one at a time, and
// takes most of their time.
const raceAnswers = 16

var answered atomic.Int64

func (w wire) check(request *http.Request, response *http.Response, body []byte) {
	w.t.Helper()
	if !raceDetector || answered.Add(1)%raceAnswers == 0 {
		w.hold(request, response, body)
	}
	if request.URL.Path == streamPath && response.StatusCode == http.StatusOK && !w.elsewhere {
		eventsIn(w.t, string(body)) // of which the description can say no more than that they are text
	}
	if response.StatusCode >= http.StatusBadRequest {
		assert.Equal(w.t, "application/problem+json", response.Header.Get("Content-Type"))
		assertDiscreet(w.t, body)
	}
}

// hold holds an answer to the description.
func (w wire) hold(request *http.Request, response *http.Response, body []byte) {
	w.t.Helper()
	v, err := described()
	require.NoError(w.t, err)
	as, status := request, response.StatusCode
	if w.elsewhere {
		as, status = httptest.NewRequest(http.MethodGet, "/v1/plans/01940000-0000-7000-8000-000000000001", nil), http.StatusNotFound
	}
	seen := &http.Response{StatusCode: status, Header: response.Header.Clone(), Body: io.NopCloser(bytes.NewReader(body))}
	seen.Header.Del("Content-Encoding")
	validating.Lock()
	_, problems := v.ValidateHttpResponse(as, seen)
	validating.Unlock()
	for _, p := range problems {
		w.t.Errorf("%s %s answered %d otherwise than described: %s: %s %v\n%s", request.Method, request.URL,
			response.StatusCode, p.Message, p.Reason, p.SchemaValidationErrors, body)
	}
}

// secret stands in whatever the tests send that must not come back in a problem.
const secret = "qzxq"

// assertDiscreet fails the test if a problem document tells of the inside of the server, or repeats what was sent.
func assertDiscreet(t testing.TB, body []byte) {
	t.Helper()
	var doc map[string]any
	require.NoError(t, json.Unmarshal(body, &doc), "%s", body)
	delete(doc, "instance") // the address that was called
	told, err := json.Marshal(doc)
	require.NoError(t, err)
	for _, never := range []string{
		secret, "oas.", "clinic.", "access.", "practice.", "door.", "Go ", "golang", "*string", "[]string", "uint", "struct",
		"SELECT", "INSERT", "sql", "SQL", "sqlite", ".db", "/tmp", ".go", "goroutine", "panic", "json:", "jsontext", "strconv",
		"parsing", "unmarshal", "base64", "EOF", "runtime", "NaN", "<nil>", "%!",
	} {
		assert.NotContains(t, string(told), never)
	}
}

// call is one request.
type call struct {
	method, path string
	as           who
	body         any // a string or bytes go out as they are, all else as JSON; nil is no body
	header       map[string]string
	elsewhere    bool
	from         netip.Addr // the zero one: whatever requests of tests come from
}

// reply is one answer.
type reply struct {
	t      testing.TB
	status int
	header http.Header
	body   []byte
}

// on returns the house as another test, such as a subtest, calls it.
func (h *house) on(t testing.TB) *house {
	other := *h
	other.t = t
	return &other
}

func (h *house) do(c call) reply {
	h.t.Helper()
	request := h.request(c)
	response, err := wire{t: h.t, handler: h.handler, elsewhere: c.elsewhere}.RoundTrip(request)
	require.NoError(h.t, err)
	body, err := io.ReadAll(response.Body)
	require.NoError(h.t, err)
	return reply{t: h.t, status: response.StatusCode, header: response.Header, body: body}
}

func (h *house) request(c call) *http.Request {
	h.t.Helper()
	var body io.Reader
	if c.body != nil {
		body = bytes.NewReader(encoded(h.t, c.body))
	}
	request := httptest.NewRequestWithContext(h.t.Context(), c.method, c.path, body)
	if c.from.IsValid() {
		request.RemoteAddr = netip.AddrPortFrom(c.from, 40_000).String()
	}
	if c.body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	if c.as.house != nil {
		if token := c.as.token(); token != "" {
			request.Header.Set("Authorization", "Bearer "+token)
		}
	}
	for name, value := range c.header {
		request.Header.Set(name, value)
	}
	return request
}

func encoded(t testing.TB, body any) []byte {
	t.Helper()
	switch b := body.(type) {
	case string:
		return []byte(b)
	case []byte:
		return b
	}
	b, err := json.Marshal(body)
	require.NoError(t, err)
	return b
}

func (w who) get(path string) reply {
	w.house.t.Helper()
	return w.house.do(call{method: http.MethodGet, path: path, as: w})
}

func (w who) post(path string, body any) reply {
	w.house.t.Helper()
	return w.house.do(call{method: http.MethodPost, path: path, as: w, body: body})
}

// ok fails the test unless the status is the one wanted.
func (r reply) ok(status int) reply {
	r.t.Helper()
	require.Equal(r.t, status, r.status, "%s", r.body)
	return r
}

func (r reply) doc() map[string]any {
	r.t.Helper()
	var doc map[string]any
	require.NoError(r.t, json.Unmarshal(r.body, &doc), "%s", r.body)
	return doc
}

func (r reply) at(path ...any) any { r.t.Helper(); return at(r.t, r.doc(), path...) }

func (r reply) text(path ...any) string {
	r.t.Helper()
	text, ok := r.at(path...).(string)
	require.True(r.t, ok, "%v is no text in %s", path, r.body)
	return text
}

func (r reply) list(path ...any) []any {
	r.t.Helper()
	list, ok := r.at(path...).([]any)
	require.True(r.t, ok, "%v is no list in %s", path, r.body)
	return list
}

// at returns what lies below a path of member names and indices.
func at(t testing.TB, doc any, path ...any) any {
	t.Helper()
	for _, step := range path {
		switch key := step.(type) {
		case string:
			object, ok := doc.(map[string]any)
			require.True(t, ok, "no object at %v of %v: %v", key, path, doc)
			value, has := object[key]
			require.True(t, has, "no %q at %v: %v", key, path, doc)
			doc = value
		case int:
			list, ok := doc.([]any)
			require.True(t, ok && key < len(list), "no element %d at %v: %v", key, path, doc)
			doc = list[key]
		}
	}
	return doc
}

// pluck returns the same member of each element of a list.
func pluck(t testing.TB, list []any, path ...any) []any {
	t.Helper()
	values := make([]any, len(list))
	for i, element := range list {
		values[i] = at(t, element, path...)
	}
	return values
}

// refused fails the test unless the answer is the problem wanted, pointing at exactly these places.
func (r reply) refused(status int, problem string, pointers ...string) reply {
	r.t.Helper()
	require.Equal(r.t, status, r.status, "%s", r.body)
	doc := r.doc()
	assert.Equal(r.t, "/problems/"+problem, doc["type"], "%s", r.body)
	assert.InDelta(r.t, status, doc["status"], 0)
	assert.NotEmpty(r.t, doc["detail"])
	var told []string
	if places, ok := doc["errors"].([]any); ok {
		for _, place := range places {
			told = append(told, at(r.t, place, "pointer").(string))
		}
	}
	assert.ElementsMatch(r.t, pointers, told, "%s", r.body)
	return r
}

// keys returns the names of an object's members.
func keys(doc any) []string {
	var names []string
	for name := range doc.(map[string]any) {
		names = append(names, name)
	}
	return names
}

// with returns a copy of an object with a member changed; a nil value leaves it out.
func with(object map[string]any, name string, value any) map[string]any {
	copied := map[string]any{}
	for n, v := range object {
		copied[n] = v
	}
	copied[name] = value
	if value == nil {
		delete(copied, name)
	}
	return copied
}

func repeated(text string, n int) string { return strings.Repeat(text, n) }
