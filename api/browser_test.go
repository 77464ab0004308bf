package api_test

import (
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"swallowtail/api"
)

// TestHeaders looks at the headers that keep answers from being kept or misread.
func TestHeaders(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	page := w.nobody("").get("/docs").ok(http.StatusOK)
	_, after, _ := strings.Cut(string(page.body), "<style>")
	sheet, _, _ := strings.Cut(after, "</style>")
	hash := sha256.Sum256([]byte(sheet))
	const nothing = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	const button = "default-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
	for _, test := range []struct {
		answer reply
		policy string
	}{
		{w.clinician.get(w.family.path("summary")), nothing},
		{w.nobody("").get("/v1/roster"), nothing},
		{w.do(call{method: http.MethodGet, path: "/nowhere", elsewhere: true}), nothing},
		{w.papa.get(streamPath), nothing},
		{w.nobody("").get("/v1/unsubscribe/x"), button},
		{w.post("/v1/unsubscribe/x", nil), nothing},
		{page, nothing + "; style-src 'sha256-" + base64.StdEncoding.EncodeToString(hash[:]) + "'"},
	} {
		h := test.answer.header
		assert.Equal(t, test.policy, h.Get("Content-Security-Policy"))
		assert.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
		assert.Equal(t, "no-store", h.Get("Cache-Control"))
		assert.Equal(t, "DENY", h.Get("X-Frame-Options"))
		assert.Equal(t, "no-referrer", h.Get("Referrer-Policy"))
		assert.Contains(t, h.Get("Permissions-Policy"), "camera=(), ")
		assert.Equal(t, "same-origin", h.Get("Cross-Origin-Opener-Policy"))
		assert.Equal(t, "same-origin", h.Get("Cross-Origin-Resource-Policy"))
		for _, never := range []string{"Server", "X-Powered-By", "Set-Cookie", "Access-Control-Allow-Origin", "Strict-Transport-Security"} {
			assert.Empty(t, h.Values(never), never)
		}
	}
	assert.NotContains(t, string(page.body), "style=", "the policy lets no such style through")

	secure := httptest.NewRequest(http.MethodGet, "/healthz", nil)
	secure.TLS = &tls.ConnectionState{}
	recorder := httptest.NewRecorder()
	w.handler.ServeHTTP(recorder, secure)
	assert.Equal(t, "max-age=31536000", recorder.Header().Get("Strict-Transport-Security"))
}

const home = "https://app.example.org"

// preflight asks as a browser does before it lets a page send something.
func (h *house) preflight(origin, method, path string) *httptest.ResponseRecorder {
	request := httptest.NewRequest(http.MethodOptions, path, nil)
	request.Header.Set("Origin", origin)
	request.Header.Set("Access-Control-Request-Method", method)
	request.Header.Set("Access-Control-Request-Headers", "authorization, content-type")
	recorder := httptest.NewRecorder()
	h.handler.ServeHTTP(recorder, request)
	return recorder
}

func TestPagesOfOtherOrigins(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	assert.Empty(t, w.preflight(home, http.MethodPost, "/v1/sync").Header().Values("Access-Control-Allow-Origin"))
	from := func(origin, path string) http.Header {
		return w.do(call{method: http.MethodGet, path: path, as: w.papa.who, header: map[string]string{"Origin": origin}}).header
	}
	assert.Empty(t, from(home, "/v1/household").Values("Access-Control-Allow-Origin"))

	w.edged(api.Config{Origins: []string{home, "https://other.example.org:8443"}})
	for _, origin := range []string{home, "https://other.example.org:8443"} {
		asked := w.preflight(origin, http.MethodPost, "/v1/sync")
		assert.Equal(t, http.StatusNoContent, asked.Code)
		assert.Equal(t, origin, asked.Header().Get("Access-Control-Allow-Origin"))
		assert.Equal(t, "GET,POST", asked.Header().Get("Access-Control-Allow-Methods"))
		assert.Equal(t, "Authorization,Content-Type,Content-Encoding,If-None-Match", asked.Header().Get("Access-Control-Allow-Headers"))
		assert.Empty(t, asked.Header().Values("Access-Control-Allow-Credentials"))
		for _, path := range []string{"/v1/household", "/v1/roster"} { // also what is refused can be read
			h := from(origin, path)
			assert.Equal(t, origin, h.Get("Access-Control-Allow-Origin"))
			assert.Equal(t, "ETag,Retry-After", h.Get("Access-Control-Expose-Headers"))
			assert.Empty(t, h.Values("Access-Control-Allow-Credentials"))
			assert.Contains(t, h.Values("Vary"), "Origin")
		}
	}
	for _, origin := range []string{
		"http://app.example.org", "https://app.example.org.evil.example", "https://evil-app.example.org", "https://app.example.org:8443",
		"https://sub.app.example.org", "null", "*", "https://APP.example.org.", "",
	} {
		assert.Empty(t, w.preflight(origin, http.MethodPost, "/v1/sync").Header().Values("Access-Control-Allow-Origin"), origin)
		assert.Empty(t, from(origin, "/v1/household").Values("Access-Control-Allow-Origin"), origin)
	}
}
