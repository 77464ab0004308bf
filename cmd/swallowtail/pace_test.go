package main

import (
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// slowLine is a body on a line that brings it bit by bit, with a deadline as a connection has it.
type slowLine struct {
	http.ResponseWriter
	bits  []int           // octets of each
	pause []time.Duration // before each
	until time.Time
}

func (l *slowLine) SetReadDeadline(at time.Time) error {
	l.until = at
	return nil
}

func (l *slowLine) Read(into []byte) (int, error) {
	if len(l.bits) == 0 {
		return 0, io.EOF
	}
	arrives := time.Now().Add(l.pause[0])
	if arrives.After(l.until) {
		time.Sleep(time.Until(l.until))
		return 0, os.ErrDeadlineExceeded
	}
	time.Sleep(l.pause[0])
	n := min(l.bits[0], len(into))
	l.bits, l.pause = l.bits[1:], l.pause[1:]
	return n, nil
}

func (l *slowLine) Close() error { return nil }

func (l *slowLine) bring(octets int, pause time.Duration) *slowLine {
	l.bits, l.pause = append(l.bits, octets), append(l.pause, pause)
	return l
}

// TestWhoIsTooSlow reads bodies from lines of all sorts, at the usual pace.
func TestWhoIsTooSlow(t *testing.T) {
	t.Parallel()
	steady := func(octets, each int, pause time.Duration) *slowLine {
		l := &slowLine{}
		for ; octets > 0; octets -= each {
			l.bring(min(each, octets), pause)
		}
		return l
	}
	gap := steady(15_000, 200, 100*time.Millisecond).bring(200, 4*time.Second)
	rest := steady(15_000, 200, 100*time.Millisecond)
	gap.bits, gap.pause = append(gap.bits, rest.bits...), append(gap.pause, rest.pause...)
	for name, test := range map[string]struct {
		line  *slowLine
		fine  bool
		after time.Duration // it is over
	}{
		"a fortnight at 2 kB/s":          {steady(30_000, 200, 100*time.Millisecond), true, 15 * time.Second},
		"with no signal for a while":     {gap, true, 19 * time.Second},
		"a fortnight at 1 kB/s":          {steady(30_000, 100, 100*time.Millisecond), true, 30 * time.Second},
		"a little and late":              {steady(10, 10, 4*time.Second), true, 4 * time.Second},
		"nothing":                        {steady(10, 10, time.Hour), false, 5 * time.Second},
		"an octet now and then":          {steady(1_000, 1, 100*time.Millisecond), false, 5 * time.Second},
		"nothing after a good beginning": {steady(4_000, 1_000, time.Second).bring(1, time.Hour), false, 9 * time.Second},
		"just not too slow, for ever":    {steady(1_000_000, 250, time.Second), false, 30 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				began := time.Now()
				b := usualBounds()
				var err error
				reads := http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { _, err = io.Copy(io.Discard, r.Body) })
				r, failed := http.NewRequestWithContext(t.Context(), http.MethodPost, "/", test.line)
				require.NoError(t, failed)
				paced(reads, b.pace, b.read, b.write).ServeHTTP(test.line, r)
				if test.fine {
					require.NoError(t, err)
				} else {
					require.ErrorIs(t, err, os.ErrDeadlineExceeded)
				}
				assert.Equal(t, test.after, time.Since(began))
			})
		})
	}
}

// TestTwoHundredSlowConnections has two hundred connections dawdle with the header, with the body and over the answer. Only the
// pace ends them: the bounds of the whole are far away. Others are served meanwhile.
func TestTwoHundredSlowConnections(t *testing.T) {
	t.Parallel()
	const many, short = 200, 500 * time.Millisecond
	b := bounds{
		header: short, read: time.Hour, write: time.Hour, idle: time.Hour, drain: drainTime,
		pace: pace{window: short, in: 1_000, out: 4 << 10},
	}
	server := startBounded(t, filepath.Join(t.TempDir(), "practice.db"), b)
	octets := strings.Split(strings.Repeat("x", 3_000), "") // half a minute of them
	ways := []func(c slowClient){
		func(c slowClient) {
			c.trickle(append([]string{"GET /readyz HTTP/1.1\r\nHost: swallowtail\r\nX: "}, octets...)...)
		},
		func(c slowClient) {
			c.trickle(append([]string{"POST /v1/auth/sign-in HTTP/1.1\r\nHost: swallowtail\r\n" +
				"Content-Type: application/json\r\nContent-Length: 5000\r\n\r\n"}, octets...)...)
		},
		func(c slowClient) {
			err := c.Conn.(*net.TCPConn).SetReadBuffer(4 << 10)
			for err == nil {
				_, err = io.WriteString(c, "GET /openapi.yaml HTTP/1.1\r\nHost: swallowtail\r\n\r\n")
			}
			c.wasEnded(err)
		},
	}
	var gone atomic.Int64
	var clients sync.WaitGroup
	for n := range many {
		c := dial(t, server.base)
		clients.Go(func() {
			ways[n%len(ways)](c)
			gone.Add(1)
		})
	}
	served := 0
	for gone.Load() < many {
		require.NoError(t, caller(server.base).Call(t.Context(), http.MethodGet, "/readyz", nil, nil))
		served++
		time.Sleep(10 * time.Millisecond)
	}
	clients.Wait()
	assert.Positive(t, served)
	require.NoError(t, server.end())
}
