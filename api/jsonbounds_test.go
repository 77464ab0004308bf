package api_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestBodiesBeyondBounds offers every operation that takes a body one that is nested too deeply, and so on.
func TestBodiesBeyondBounds(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	nest := func(n int) string { return strings.Repeat("[", n) + strings.Repeat("]", n) }
	for _, target := range w.targets() {
		if target.body == nil || target.id == "sync" || target.id == "addClinicEntries" {
			continue
		}
		for name, test := range map[string]struct{ body, pointer string }{
			"deep":             {`{"a":{"b":` + nest(5_000) + `}}`, "/a/b/0/0"},
			"a long array":     {`{"a":[` + strings.Repeat("1,", 1000) + `1]}`, "/a/1000"},
			"many members":     {`{"a":{` + numbered(1001) + `}}`, "/a/m1000"},
			"a long string":    {`{"a":"` + repeated("x", 33_000) + `"}`, "/a"},
			"a long number":    {`{"a":` + repeated("9", 400) + `}`, "/a"},
			"a precise number": {`{"a":0.` + repeated("3", 40) + `}`, "/a"},
		} {
			t.Run(target.id+"/"+name, func(t *testing.T) {
				c := call{method: target.method, path: target.path, body: test.body}
				if len(target.as) > 0 {
					c.as = target.as[0]
				}
				w.on(t).do(c).refused(http.StatusUnprocessableEntity, "invalid-input", test.pointer)
			})
		}
	}
}

// numbered returns members of different names, m0 and on.
func numbered(n int) string {
	members := make([]string, n)
	for i := range members {
		members[i] = fmt.Sprintf(`"m%d":1`, i)
	}
	return strings.Join(members, ",")
}

// TestAnEntryBeyondBounds hands such entries in among good ones, of a known kind and of one that is not: they fail nothing, and
// nobody who reads the record is harmed by them.
func TestAnEntryBeyondBounds(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	nest := func(n int) string { return strings.Repeat("[", n) + strings.Repeat("]", n) }
	good := mama.session(start)
	var deep []entry
	for _, depth := range []int{32, 5_000, 9_994} {
		for _, kind := range []string{"try", "hum"} {
			deep = append(deep, with(mama.entry(kind, map[string]any{"x": "DEEP" + nest(depth)}), "subject", nil))
		}
	}
	body := string(encoded(t, mama.envelope(append([]entry{good}, deep...)...)))
	for _, depth := range []int{32, 5_000, 9_994} {
		body = strings.ReplaceAll(body, `"DEEP`+nest(depth)+`"`, nest(depth))
	}
	r := mama.post("/v1/sync", body).ok(http.StatusOK)
	assert.Equal(t, "accepted", r.text("results", 0, "status"))
	for i := range deep {
		assert.Equal(t, "quarantined", r.text("results", i+1, "status"))
	}
	papa.post("/v1/sync", papa.envelope()).ok(http.StatusOK)
	for _, e := range f.clinician.get(f.path("entries")).ok(http.StatusOK).list("entries") {
		if sent, has := e.(map[string]any)["sent"]; has {
			assert.IsType(t, "", sent, "what readers may not bear is told as text")
		}
	}
	f.checked()
}

// TestAnEnvelopeBeyondBounds has too much around the entries.
func TestAnEnvelopeBeyondBounds(t *testing.T) {
	t.Parallel()
	_, mama, _ := newTwoPhones(t)
	whole := string(encoded(t, mama.envelope()))
	mama.post("/v1/sync", strings.Replace(whole, `"schema":1`, `"schema":2,`+numbered(100), 1)).refused(http.StatusBadRequest, "body-unreadable")
	mama.post("/v1/sync", strings.Replace(whole, `"schema":1`, `"schema":1.`+repeated("0", 100), 1)).
		refused(http.StatusUnprocessableEntity, "invalid-input", "/schema")
	mama.post("/v1/sync", strings.Replace(whole, `"entries":[]`, `"entries":[`+repeated("[", 100_000), 1)).refused(http.StatusBadRequest, "body-unreadable")
}

// TestGzipBombs sends a little that would become much. Nothing beyond the bound is inflated.
func TestGzipBombs(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var bomb bytes.Buffer
	z, err := gzip.NewWriterLevel(&bomb, gzip.BestCompression)
	require.NoError(t, err)
	zeros := make([]byte, megabyte)
	for range 64 {
		_, err := z.Write(zeros)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	require.Less(t, bomb.Len(), megabyte/8)
	// Many streams one after the other are one body too (RFC 1952, section 2.2).
	small := gzipped(t, []byte(strings.Repeat(" ", megabyte/4)), gzip.BestCompression)
	for name, body := range map[string][]byte{
		"one stream": bomb.Bytes(), "many streams": bytes.Repeat(small, 5), "a bomb in a bomb": gzipped(t, bomb.Bytes(), gzip.BestCompression),
	} {
		c := call{
			method: http.MethodPost, path: "/v1/sync", as: w.papa.who, body: body, header: map[string]string{"Content-Encoding": "gzip"},
		}
		if name == "a bomb in a bomb" {
			w.do(c).refused(http.StatusBadRequest, "body-unreadable") // it is opened once
			continue
		}
		w.do(c).refused(http.StatusRequestEntityTooLarge, "too-large")
	}
}
