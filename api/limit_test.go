package api_test

import (
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/netip"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
	"swallowtail/internal/access"
	"swallowtail/openapi"
)

// edged gives the house another front, with edges of its own.
func (h *house) edged(c api.Config) {
	h.t.Helper()
	c.Service, c.Keys, c.Now = h.service, h.keys, h.clock.now
	if c.Log == nil {
		c.Log = slog.New(slog.NewTextHandler(h.t.Output(), &slog.HandlerOptions{Level: slog.LevelError}))
	}
	var err error
	h.handler, err = api.New(c)
	require.NoError(h.t, err)
}

// from calls from an address.
func (h *house) from(address string, c call) reply {
	h.t.Helper()
	request := h.request(c)
	request.RemoteAddr = address
	response, err := wire{t: h.t, handler: h.handler, elsewhere: c.elsewhere}.RoundTrip(request)
	require.NoError(h.t, err)
	body, err := io.ReadAll(response.Body)
	require.NoError(h.t, err)
	return reply{t: h.t, status: response.StatusCode, header: response.Header, body: body}
}

// waits fails the test unless the answer is to come back after so many seconds.
func (r reply) waits(seconds int) {
	r.t.Helper()
	r.refused(http.StatusTooManyRequests, "rate-limited")
	assert.Equal(r.t, strconv.Itoa(seconds), r.header.Get("Retry-After"))
	assert.InDelta(r.t, seconds, r.at("retry_after"), 0)
}

var healthz = call{method: http.MethodGet, path: "/healthz"}

func TestAnAddressHasACeiling(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.edged(api.Config{Limits: api.Limits{Address: api.Rate{PerSecond: 1, Burst: 3}}})
	for _, same := range [][]string{
		{"192.0.2.1:1000", "192.0.2.1:2000", "[::ffff:192.0.2.1]:3000"},
		{"[2001:db8:0:1::1]:1000", "[2001:db8:0:1:ffff::2]:1000", "[2001:db8:0:1::3]:1000"},
		{"127.0.0.1:1000", "127.0.0.1:1001", "127.0.0.1:1002"},
		{"", "nonsense", "[fe80::1%eth0"},
	} {
		for _, address := range same {
			h.from(address, healthz).ok(http.StatusOK)
		}
		h.from(same[0], healthz).waits(1)
		h.from(same[0], call{method: http.MethodGet, path: "/" + secret, elsewhere: true}).ok(http.StatusTooManyRequests)
	}
	for _, other := range []string{"192.0.2.2:1000", "[2001:db8:0:2::1]:1000"} {
		h.from(other, healthz).ok(http.StatusOK)
	}
	h.clock.advance(999 * time.Millisecond)
	h.from("192.0.2.1:1000", healthz).waits(1)
	h.clock.advance(time.Millisecond)
	h.from("192.0.2.1:1000", healthz).ok(http.StatusOK)
	h.from("192.0.2.1:1000", healthz).waits(1)
}

// TestRetryAfterIsTrue comes back exactly when it is told to, and a second earlier.
func TestRetryAfterIsTrue(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for _, perSecond := range []float64{0.01, 0.07, 0.3, 0.9, 1, 3, 1000} {
		h.edged(api.Config{Limits: api.Limits{Address: api.Rate{PerSecond: perSecond, Burst: 1}}})
		h.from("192.0.2.1:1", healthz).ok(http.StatusOK)
		told := h.from("192.0.2.1:1", healthz).ok(http.StatusTooManyRequests)
		seconds, err := strconv.Atoi(told.header.Get("Retry-After"))
		require.NoError(t, err)
		require.Positive(t, seconds)
		if seconds > 1 {
			h.clock.advance(time.Duration(seconds-1) * time.Second)
			h.from("192.0.2.1:1", healthz).waits(1)
			seconds = 1
		}
		h.clock.advance(time.Duration(seconds) * time.Second)
		h.from("192.0.2.1:1", healthz).ok(http.StatusOK)
	}
}

// TestGuessesAreFew guesses at each secret from one address.
func TestGuessesAreFew(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.edged(api.Config{Limits: api.Limits{Guess: api.Rate{PerSecond: 0.1, Burst: 2}}})
	guesses := map[string]call{}
	for _, target := range w.targets() {
		if target.as == nil && target.method == http.MethodPost && target.id != "unsubscribe" {
			guesses[target.id] = call{method: target.method, path: target.path, body: target.body}
		}
	}
	ask := func(id, address string) reply { return w.from(address, guesses[id]) }
	const here, elsewhere = "192.0.2.1:1", "192.0.2.2:1"
	ask("signIn", here).ok(http.StatusOK)
	require.NotEqual(t, http.StatusTooManyRequests, ask("setUpSecondFactor", here).status)
	ask("signIn", here).waits(10)
	ask("setUpSecondFactor", here).waits(10)
	assert.NotEqual(t, http.StatusTooManyRequests, ask("signIn", elsewhere).status)
	for id, guess := range guesses {
		if id == "signIn" || id == "setUpSecondFactor" || id == "refreshTokens" || id == "signOut" {
			continue // those about tokens count the bad ones alone
		}
		for range 2 {
			assert.NotEqual(t, http.StatusTooManyRequests, ask(id, here).status, id)
		}
		ask(id, here).waits(10)
		guess.body, guess.header = secret, map[string]string{"Content-Type": "text/plain"}
		w.from(here, guess).waits(10) // nothing is read of it
	}
	for range 20 {
		w.from(here, call{method: http.MethodPost, path: "/v1/unsubscribe/" + secret}).refused(http.StatusNotFound, "not-found")
		w.from(here, call{method: http.MethodGet, path: w.family.path("summary"), as: w.clinician}).ok(http.StatusOK)
		w.from(here, call{method: http.MethodGet, path: "/v1/consent-text"}).ok(http.StatusOK)
	}
	w.clock.advance(10 * time.Second)
	ask("signIn", here).ok(http.StatusOK)
	ask("signIn", here).waits(10)
}

// TestBadTokensCount counts tokens that are none against the address, and lets the good ones from there through.
func TestBadTokensCount(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	expired, err := w.keys.Issue(w.clinician.principal, access.AccessTTL, start.Add(-access.AccessTTL), "old")
	require.NoError(t, err)
	w.edged(api.Config{Limits: api.Limits{Guess: api.Rate{PerSecond: 0.5, Burst: 2}}})
	ask := func(as who) reply { return w.do(call{method: http.MethodGet, path: "/v1/roster", as: as}) }
	for range 5 {
		ask(w.nobody(expired)).refused(http.StatusUnauthorized, "token-expired")
	}
	ask(w.nobody("x"+secret)).refused(http.StatusUnauthorized, "token-invalid")
	ask(w.nobody("")).refused(http.StatusUnauthorized, "token-required")
	ask(w.nobody("x" + secret)).waits(2)
	ask(w.nobody("")).waits(2)
	ask(w.clinician).ok(http.StatusOK)
	ask(w.nobody(expired)).refused(http.StatusUnauthorized, "token-expired")
	w.post("/v1/auth/sign-in", map[string]any{"email": w.email(), "password": password}).ok(http.StatusOK)
}

// TestBadRefreshTokensCount, and good ones from the same address are let through.
func TestBadRefreshTokensCount(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.edged(api.Config{Limits: api.Limits{Guess: api.Rate{PerSecond: 0.5, Burst: 2}}})
	in := w.post("/v1/auth/sign-in", map[string]any{"email": w.email(), "password": password}).ok(http.StatusOK)
	bad := func() reply { return w.refresh("x" + secret) }
	bad().refused(http.StatusUnauthorized, "refresh-refused")
	bad().refused(http.StatusUnauthorized, "refresh-refused")
	bad().waits(2)
	w.refresh(in.text("refresh_token")).ok(http.StatusOK)
	w.nobody("x" + secret).get("/v1/roster").waits(2)
	w.post("/v1/auth/sign-out", map[string]any{"refresh_token": "x"}).ok(http.StatusNoContent)
}

// TestWhoIsRefusedOftenWaits: refusals are on the trail, which is never cut, so there are to be few.
func TestWhoIsRefusedOftenWaits(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.edged(api.Config{Limits: api.Limits{Refused: api.Rate{PerSecond: 0.1, Burst: 3}}})
	before := len(w.lead.get("/v1/audit?limit=500").ok(http.StatusOK).list("rows"))
	w.papa.get("/v1/roster").refused(http.StatusForbidden, "forbidden")
	w.papa.get("/v1/learners/"+uuid.NewString()+"/nights").refused(http.StatusNotFound, "not-found")
	w.papa.get("/v1/cohort").refused(http.StatusForbidden, "forbidden")
	for range 5 {
		w.papa.get("/v1/roster").waits(10)
		w.papa.get("/v1/household").waits(10)
	}
	w.clinician.get("/v1/roster").ok(http.StatusOK)
	assert.Len(t, w.lead.get("/v1/audit?limit=500").ok(http.StatusOK).list("rows"), before+1+3+1, "one of each that was not made to wait")
	w.clock.advance(10 * time.Second)
	w.papa.get("/v1/household").ok(http.StatusOK)
}

// post calls as nobody.
func (h *house) post(path string, body any) reply { return h.nobody("").post(path, body) }

// TestCallersCountForThemselves has callers share an address, and one change it.
func TestCallersCountForThemselves(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.edged(api.Config{Limits: api.Limits{Caller: api.Rate{PerSecond: 1, Burst: 3}}})
	second, err := w.service.IssueServiceToken(t.Context(), w.id, access.RoleScheduler, time.Hour, w.clock.now())
	require.NoError(t, err)
	for name, c := range map[string]call{
		"a device":                {method: http.MethodGet, path: "/v1/household", as: w.papa.who},
		"another of the same one": {method: http.MethodGet, path: "/v1/household", as: w.spare.who},
		"a clinician":             {method: http.MethodGet, path: "/v1/roster", as: w.clinician},
		"a lead":                  {method: http.MethodGet, path: "/v1/roster", as: w.lead},
		"a scheduler":             {method: http.MethodGet, path: "/v1/reminders/overdue", as: w.scheduler},
		"another scheduler":       {method: http.MethodGet, path: "/v1/reminders/overdue", as: w.nobody(second)},
	} {
		for range 3 {
			require.Equal(t, http.StatusOK, w.from("192.0.2.1:1", c).status, name)
		}
		w.from("192.0.2.1:1", c).waits(1)
		w.from("198.51.100.7:1", c).waits(1)
	}
	for range 10 {
		w.from("192.0.2.1:1", healthz).ok(http.StatusOK)
		w.from("192.0.2.1:1", call{method: http.MethodGet, path: "/readyz"}).ok(http.StatusOK)
	}
}

// TestABucketCountsRight calls many times at once.
func TestABucketCountsRight(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.edged(api.Config{Limits: api.Limits{Address: api.Rate{PerSecond: 1, Burst: 20}}})
	var through atomic.Int64
	var callers sync.WaitGroup
	for range 60 {
		callers.Go(func() {
			if h.from("192.0.2.1:1", healthz).status == http.StatusOK {
				through.Add(1)
			}
		})
	}
	callers.Wait()
	assert.Equal(t, int64(20), through.Load())
}

// TestEveryOperationMayBeTooOften looks whether the description says so.
func TestEveryOperationMayBeTooOften(t *testing.T) {
	t.Parallel()
	converted, err := openapi.JSON()
	require.NoError(t, err)
	var doc struct {
		Paths map[string]map[string]struct {
			Responses map[string]struct {
				Ref string `json:"$ref"`
			} `json:"responses"`
		} `json:"paths"`
	}
	require.NoError(t, json.Unmarshal(converted, &doc))
	require.NotEmpty(t, doc.Paths)
	for path, item := range doc.Paths {
		for method, operation := range item {
			assert.Equal(t, "#/components/responses/TooManyRequests", operation.Responses["429"].Ref, "%s %s", method, path)
		}
	}
}

// TestWhoIsBehindAProxy tells addresses as a proxy says, if it is a trusted one.
func TestWhoIsBehindAProxy(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	one := api.Limits{Address: api.Rate{PerSecond: 1, Burst: 1}}
	through := func(proxy, forwarded string) int {
		c := healthz
		if forwarded != "" {
			c.header = map[string]string{"X-Forwarded-For": forwarded}
		}
		return h.from(proxy, c).status
	}
	const often, fine = http.StatusTooManyRequests, http.StatusOK
	// Without the setting nobody is believed, also in private networks and on the same machine.
	for _, direct := range []string{"192.0.2.1:1", "127.0.0.1:1", "10.0.0.1:1", "[fe80::1]:1", "[fd00::1]:1"} {
		h.edged(api.Config{Limits: one})
		assert.Equal(t, fine, through(direct, "203.0.113.1"), direct)
		assert.Equal(t, often, through(direct, "203.0.113.2"), direct)
	}
	// With it, exactly these are.
	trusted := []netip.Prefix{netip.MustParsePrefix("10.1.2.3/16"), netip.MustParsePrefix("2001:db8:f::/48")}
	for name, test := range map[string]struct {
		proxy, first, second string
		want                 int
	}{
		"two clients":                    {"10.1.0.1:1", "203.0.113.1", "203.0.113.2", fine},
		"one client":                     {"10.1.0.1:1", "203.0.113.1", "203.0.113.1", often},
		"one client by two proxies":      {"10.1.0.1:1", "203.0.113.1", "203.0.113.1, 10.1.9.9", often},
		"what a client made up":          {"10.1.0.1:1", "1.1.1.1, 203.0.113.1", "2.2.2.2, 203.0.113.1", often},
		"a made-up proxy":                {"10.1.0.1:1", "1.1.1.1, 10.1.9.9, 203.0.113.1", "2.2.2.2, 10.1.9.9, 203.0.113.1", often},
		"another private address":        {"10.2.0.1:1", "203.0.113.1", "203.0.113.2", often},
		"the same machine":               {"127.0.0.1:1", "203.0.113.1", "203.0.113.2", often},
		"IPv6":                           {"[2001:db8:f::1]:1", "2001:db8:1::1", "2001:db8:2::1", fine},
		"a client in a private network":  {"10.1.0.1:1", "10.2.0.1", "10.2.0.2", fine},
		"no address: the proxy's counts": {"10.1.0.1:1", secret, "", often},
	} {
		h.edged(api.Config{Limits: one, Proxies: trusted})
		assert.Equal(t, fine, through(test.proxy, test.first), name)
		assert.Equal(t, test.want, through(test.proxy, test.second), name)
	}
}

func TestLimitsThatAreNone(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for _, wrong := range []api.Rate{{PerSecond: -1, Burst: 1}, {PerSecond: 1}, {Burst: 3}} {
		for _, l := range []api.Limits{{Address: wrong}, {Guess: wrong}, {Caller: wrong}} {
			_, err := api.New(api.Config{Service: h.service, Keys: h.keys, Log: slog.Default(), Now: h.clock.now, Limits: l})
			require.Error(t, err)
		}
	}
}

func TestRatesAsText(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]api.Rate{"0": {}, "20/300": {PerSecond: 20, Burst: 300}, "0.5/1": {PerSecond: 0.5, Burst: 1}} {
		var r api.Rate
		require.NoError(t, r.UnmarshalText([]byte(text)))
		assert.Equal(t, want, r)
		back, err := r.MarshalText()
		require.NoError(t, err)
		assert.Equal(t, text, string(back))
	}
	for _, wrong := range []string{"", "20", "20/", "/20", "0/5", "-1/5", "1/0", "1/-1", "NaN/1", "+Inf/1", "1/1.5", "1/2/3", "x"} {
		var r api.Rate
		require.Error(t, r.UnmarshalText([]byte(wrong)), wrong)
	}
}
