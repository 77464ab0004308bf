package api_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const megabyte = 1 << 20

// TestBodiesThatCannotBeRead offers every operation that takes a body what is none.
func TestBodiesThatCannotBeRead(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, target := range w.targets() {
		if target.body == nil {
			continue
		}
		good := string(encoded(t, target.body))
		object := good[:len(good)-1] // open for a further member
		if object != "{" {
			object += ","
		}
		// One member of the body, said once more.
		var members map[string]json.RawMessage
		require.NoError(t, json.Unmarshal([]byte(good), &members))
		twice := object + `"a":1,"a":2}`
		for name, value := range members {
			twice = object + fmt.Sprintf("%q:%s}", name, value)
		}
		plain := func(body any) call {
			c := call{method: target.method, path: target.path, body: body}
			if len(target.as) > 0 {
				c.as = target.as[0]
			}
			return c
		}
		headed := func(body any, name, value string) call {
			c := plain(body)
			c.header = map[string]string{name: value}
			return c
		}
		squeezed := gzipped(t, []byte(good), gzip.DefaultCompression)
		broken := append([]byte{}, squeezed...)
		broken[len(broken)-5] ^= 0xff // in the checksum
		garbled := append([]byte{}, squeezed...)
		garbled[12] ^= 0xff
		padded := object + `"` + secret + `":"` + strings.Repeat("x", megabyte) + `"}`
		for name, test := range map[string]struct {
			call    call
			status  int
			problem string
		}{
			"nothing":             {plain(""), http.StatusBadRequest, "body-unreadable"},
			"white space":         {plain("  \n"), http.StatusBadRequest, "body-unreadable"},
			"no JSON":             {plain(secret), http.StatusBadRequest, "body-unreadable"},
			"cut off":             {plain(good[:len(good)-1]), http.StatusBadRequest, "body-unreadable"},
			"something after":     {plain(good + good), http.StatusBadRequest, "body-unreadable"},
			"a member twice":      {plain(twice), http.StatusBadRequest, "body-unreadable"},
			"bad UTF-8":           {plain(object + "\"" + secret + "\":\"\xff\"}"), http.StatusBadRequest, "body-unreadable"},
			"a bare NUL":          {plain(object + "\"" + secret + "\":\"\x00\"}"), http.StatusBadRequest, "body-unreadable"},
			"no type":             {headed(good, "Content-Type", ""), http.StatusUnsupportedMediaType, "unsupported-media-type"},
			"another type":        {headed(good, "Content-Type", "text/plain"), http.StatusUnsupportedMediaType, "unsupported-media-type"},
			"a strange type":      {headed(good, "Content-Type", "; "+secret), http.StatusUnsupportedMediaType, "unsupported-media-type"},
			"another encoding":    {headed(good, "Content-Encoding", "br"), http.StatusUnsupportedMediaType, "unsupported-encoding"},
			"two encodings":       {headed(good, "Content-Encoding", "gzip, gzip"), http.StatusUnsupportedMediaType, "unsupported-encoding"},
			"no gzip":             {headed(good, "Content-Encoding", "gzip"), http.StatusBadRequest, "body-unreadable"},
			"gzip cut off":        {headed(squeezed[:len(squeezed)-9], "Content-Encoding", "gzip"), http.StatusBadRequest, "body-unreadable"},
			"gzip altered":        {headed(broken, "Content-Encoding", "gzip"), http.StatusBadRequest, "body-unreadable"},
			"gzip garbled":        {headed(garbled, "Content-Encoding", "gzip"), http.StatusBadRequest, "body-unreadable"},
			"something after it":  {headed(append(squeezed, "more"...), "Content-Encoding", "gzip"), http.StatusBadRequest, "body-unreadable"},
			"too long":            {plain(padded), http.StatusRequestEntityTooLarge, "too-large"},
			"too long inflated":   {headed(gzipped(t, []byte(padded), gzip.BestCompression), "Content-Encoding", "gzip"), http.StatusRequestEntityTooLarge, "too-large"},
			"too long uninflated": {headed(gzipped(t, []byte(padded), gzip.NoCompression), "Content-Encoding", "gzip"), http.StatusRequestEntityTooLarge, "too-large"},
		} {
			t.Run(target.id+"/"+name, func(t *testing.T) {
				if lenient := target.id == "sync" || target.id == "addClinicEntries"; lenient && name == "bad UTF-8" {
					return // what an envelope holds is looked at one by one: see the tests of entries
				}
				r := w.on(t).do(test.call).refused(test.status, test.problem)
				if test.problem == "too-large" {
					assert.Equal(t, map[string]any{"bytes": float64(megabyte), "entries": 1000.0}, r.at("limits"))
				}
			})
		}
	}
}

// TestABodyAtTheLimitIsRead sends as much as is allowed, plain and compressed badly.
func TestABodyAtTheLimitIsRead(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	head, tail := `{"label":"`, `"}`
	body := head + "blue" + tail + strings.Repeat(" ", megabyte-len(head)-len("blue")-len(tail))
	require.Len(t, body, megabyte)
	w.clinician.post("/v1/households", body).ok(http.StatusCreated)
	w.clinician.post("/v1/households", body+" ").refused(http.StatusRequestEntityTooLarge, "too-large")
	for _, level := range []int{gzip.NoCompression, gzip.BestSpeed} {
		w.do(call{
			method: http.MethodPost, path: "/v1/households", as: w.clinician, body: gzipped(t, []byte(body), level),
			header: map[string]string{"Content-Encoding": "GZIP", "Content-Type": "application/json; charset=utf-8"},
		}).ok(http.StatusCreated)
	}
	w.do(call{
		method: http.MethodPost, path: "/v1/households", as: w.clinician, body: `{"label":"plain"}`,
		header: map[string]string{"Content-Encoding": "identity"},
	}).ok(http.StatusCreated)
}

// TestABadBodyLeavesNothingToTheNext sends bodies by turns that are compressed well and badly: what inflates them is used again.
func TestABadBodyLeavesNothingToTheNext(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	post := func(body []byte) reply {
		return w.do(call{
			method: http.MethodPost, path: "/v1/households", as: w.clinician, body: body, header: map[string]string{"Content-Encoding": "gzip"},
		})
	}
	for i := range 4 {
		label := strings.Repeat("green folder, ", i%3) + "blue"
		good := gzipped(t, []byte(`{"label":"`+label+`"}`), 1+i%9)
		altered := bytes.Clone(good)
		altered[len(altered)-5] ^= 0xff // in the checksum
		for _, bad := range [][]byte{[]byte("no gzip"), good[:len(good)-3], altered, good[:5]} {
			post(bad).refused(http.StatusBadRequest, "body-unreadable")
			made := post(good).ok(http.StatusCreated).text("id")
			assert.Equal(t, label, w.clinician.get("/v1/households/"+made).ok(http.StatusOK).text("label"))
		}
	}
}

// TestAnswersAreCompressed asks for gzip and for none.
func TestAnswersAreCompressed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, path := range []string{"/openapi.yaml", "/docs", w.family.path("nights")} {
		plain := w.do(call{method: http.MethodGet, path: path, as: w.clinician}).ok(http.StatusOK)
		squeezed := w.do(call{method: http.MethodGet, path: path, as: w.clinician, header: map[string]string{"Accept-Encoding": "gzip"}})
		assert.Empty(t, plain.header.Get("Content-Encoding"))
		assert.Equal(t, "gzip", squeezed.header.Get("Content-Encoding"))
		assert.Equal(t, plain.body, gunzipped(t, squeezed.body))
		assert.Less(t, len(squeezed.body), len(plain.body))
	}
}

// TestMembers offers each operation bodies of which one member is wrong, and wants to be told which.
func TestMembers(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	bodies := map[string]map[string]any{}
	targets := map[string]target{}
	for _, target := range w.targets() {
		if target.body != nil {
			targets[target.id] = target
			var body map[string]any
			require.NoError(t, json.Unmarshal(encoded(t, target.body), &body))
			bodies[target.id] = body
		}
	}
	for _, test := range memberTests(bodies) {
		t.Run(test.id+"/"+test.name, func(t *testing.T) {
			target := targets[test.id]
			c := call{method: target.method, path: target.path, body: test.body}
			if len(target.as) > 0 {
				c.as = target.as[0]
			}
			problem := test.problem
			if problem == "" {
				problem = "invalid-input"
			}
			w.on(t).do(c).refused(http.StatusUnprocessableEntity, problem, test.pointers...)
		})
	}
}
