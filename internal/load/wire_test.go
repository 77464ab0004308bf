package load

import (
	"compress/gzip"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// lineTo returns a line to a server that answers as told, and a count of the connections made to it.
func lineTo(t *testing.T, answer http.HandlerFunc) (*line, *atomic.Int64) {
	t.Helper()
	connections := &atomic.Int64{}
	s := httptest.NewUnstartedServer(answer)
	s.Config.ConnState = func(_ net.Conn, state http.ConnState) {
		if state == http.StateNew {
			connections.Add(1)
		}
	}
	s.Start()
	t.Cleanup(s.Close)
	l := (&Load{Config: Config{Base: s.URL, Now: time.Now}}).newLine() //nolint:forbidigo // real calls take real time
	t.Cleanup(l.end)
	return l, connections
}

func (l *line) get(t *testing.T) (string, error) {
	t.Helper()
	err := l.exchange(t.Context(), "token", request{method: http.MethodGet, path: "/"})
	return l.read.String(), err
}

// TestALineKeepsItsConnection as long as the server does, and makes another one after that.
func TestALineKeepsItsConnection(t *testing.T) {
	t.Parallel()
	var calls int
	l, connections := lineTo(t, func(w http.ResponseWriter, _ *http.Request) {
		if calls++; calls == 3 {
			w.Header().Set("Connection", "close")
		}
		_, _ = fmt.Fprintf(w, `{"call":%d}`, calls)
	})
	for n, want := range []int64{1, 1, 1, 2, 2} {
		got, err := l.get(t)
		require.NoError(t, err)
		assert.Equal(t, fmt.Sprintf(`{"call":%d}`, n+1), got)
		assert.Equal(t, want, connections.Load(), n)
	}
	assert.Positive(t, l.octets.sent.Load())
	assert.Positive(t, l.octets.received.Load())
}

// TestAListIsReadToItsEnd, wherever in an answer it says how to go on.
func TestAListIsReadToItsEnd(t *testing.T) {
	t.Parallel()
	for name, answer := range map[string]string{
		"first": `{"cursor":%s,"learners":[{"nickname":"\",\"cursor\":\"no"}]}`,
		"last":  `{"learners":[{"nickname":"\",\"cursor\":\"no"}],"cursor":%s}`,
		"amid":  `{"learners":[],"cursor":%s,"as_of":"2027-03-01T18:00:00Z"}`,
	} {
		var asked []string
		l, _ := lineTo(t, func(w http.ResponseWriter, r *http.Request) {
			asked = append(asked, r.URL.RawQuery)
			cursor := `"next"`
			if len(asked) == 3 {
				cursor = "null"
			}
			_, _ = fmt.Fprintf(w, answer, cursor)
		})
		tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: client.Pair{Access: "token"}}, nil)
		require.NoError(t, err)
		l.pages(t.Context(), func() *client.Tokens { return tokens }, "/v1/roster", url.Values{"limit": {"1"}})
		assert.Equal(t, []string{"limit=1", "cursor=next&limit=1", "cursor=next&limit=1"}, asked, name)
		assert.Empty(t, l.counted.errors, name)
	}
}

// TestAnAnswerIsBounded, and what has been cut off is not taken for the next.
func TestAnAnswerIsBounded(t *testing.T) {
	t.Parallel()
	much := true
	l, connections := lineTo(t, func(w http.ResponseWriter, _ *http.Request) {
		if !much {
			_, _ = io.WriteString(w, "{}")
			return
		}
		_, _ = io.Copy(w, io.LimitReader(strings.NewReader(strings.Repeat("x", maxAnswer+1)), maxAnswer+1))
	})
	_, err := l.get(t)
	require.ErrorIs(t, err, errAnswer)
	much = false
	got, err := l.get(t)
	require.NoError(t, err)
	assert.Equal(t, "{}", got)
	assert.Equal(t, int64(2), connections.Load())
}

func TestAnAnswerIsUncompressed(t *testing.T) {
	t.Parallel()
	sound := true
	l, _ := lineTo(t, func(w http.ResponseWriter, r *http.Request) {
		assert.Equal(t, "gzip", r.Header.Get("Accept-Encoding"))
		w.Header().Set("Content-Encoding", "gzip")
		if !sound {
			_, _ = io.WriteString(w, "{}")
			return
		}
		zipped := gzip.NewWriter(w)
		_, _ = io.WriteString(zipped, `{"much":"the same"}`)
		_ = zipped.Close()
	})
	l.load.Compress = true
	got, err := l.get(t)
	require.NoError(t, err)
	assert.JSONEq(t, `{"much":"the same"}`, got)
	sound = false
	_, err = l.get(t)
	require.ErrorIs(t, err, errAnswer)
}

// TestAServersCertificateIsLookedAt calls one that nobody vouches for.
func TestAServersCertificateIsLookedAt(t *testing.T) {
	t.Parallel()
	s := httptest.NewTLSServer(http.NotFoundHandler())
	t.Cleanup(s.Close)
	l := (&Load{Config: Config{Base: s.URL, Now: time.Now}}).newLine() //nolint:forbidigo // real calls take real time
	_, err := l.get(t)
	var refused *tls.CertificateVerificationError
	require.ErrorAs(t, err, &refused)
	l.load.Base = "https://[::1"
	_, err = l.get(t)
	require.ErrorIs(t, err, errAnswer)
}
