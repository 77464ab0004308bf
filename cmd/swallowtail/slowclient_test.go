package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// startBounded runs a server with other bounds than usual on a database until the test ends.
func startBounded(t *testing.T, db string, b bounds) *serving {
	t.Helper()
	return startServing(t, func(ctx context.Context, s streams) error {
		h, err := openHouse(ctx, db, logger(s, slog.LevelInfo), time.Now)
		if err != nil {
			return err
		}
		defer func() { assert.NoError(t, h.close()) }()
		h.bounds = b
		return h.listen(ctx, "127.0.0.1:0", time.Now, func(address string) error {
			_, err := fmt.Fprintf(s.out, "Swallowtail serves at http://%s\n", address)
			return err
		})
	})
}

// slowClient is a connection on which somebody takes their time.
type slowClient struct {
	net.Conn
	t *testing.T
}

func dial(t *testing.T, base string) slowClient {
	t.Helper()
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", strings.TrimPrefix(base, "http://"))
	require.NoError(t, err)
	require.NoError(t, conn.SetDeadline(time.Now().Add(startTime)))
	t.Cleanup(func() { _ = conn.Close() }) // it may have been closed
	return slowClient{conn, t}
}

// trickle sends the parts of a text one after the other, with pauses, until the server has had enough.
func (c slowClient) trickle(parts ...string) {
	for _, part := range parts {
		if _, err := io.WriteString(c, part); err != nil {
			c.wasEnded(err)
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// end reads until the server ends the connection, and returns what it said until then.
func (c slowClient) end() string {
	said, err := io.ReadAll(c)
	c.wasEnded(err)
	return string(said)
}

// wasEnded checks that it was the server that ended the connection, in whatever way, and no deadline of the test.
func (c slowClient) wasEnded(err error) {
	assert.NotErrorIs(c.t, err, os.ErrDeadlineExceeded, "the server waits for ever")
}

// shortBounds are long enough for whoever does not dawdle.
func shortBounds() bounds {
	const short = 500 * time.Millisecond
	return bounds{header: short, read: 2 * short, write: startTime, idle: short, drain: drainTime}
}

// TestSlowClients lets many clients be slow in every way that there is: the server ends each within its bounds, and serves
// others meanwhile.
func TestSlowClients(t *testing.T) {
	t.Parallel()
	const many, evenings = 20, 5
	db := filepath.Join(t.TempDir(), "practice.db")
	calm := startServe(t, db, nil)
	crowd := gather(t, db, calm.base, 1, 2)
	for _, p := range crowd.busy() {
		p.http = onceEach() // a connection that is kept may be ended just as it is used again
	}
	server := startBounded(t, db, shortBounds())
	letters := strings.Split(strings.Repeat("x", 1000), "") // ten seconds of them
	body := "POST /v1/sync HTTP/1.1\r\nHost: swallowtail\r\nContent-Type: application/json\r\nContent-Length: 5000\r\n\r\n"
	ways := []func(c slowClient){
		func(c slowClient) { assert.Empty(c.t, c.end(), "silent") },
		func(c slowClient) {
			c.trickle(append([]string{"GET /readyz HTTP/1.1\r\nHost: swallowtail\r\nX: "}, letters...)...)
			assert.NotContains(c.t, c.end(), "200 OK", "slow to say what it wants")
		},
		func(c slowClient) {
			c.trickle(append([]string{body}, letters...)...)
			assert.NotContains(c.t, c.end(), "200 OK", "slow with the body")
		},
		func(c slowClient) {
			c.trickle(body, "{")
			answer := c.end()
			assert.Contains(c.t, answer, "400 Bad Request", "silent in the body")
			assert.Contains(c.t, answer, "/problems/body-unreadable")
		},
		func(c slowClient) {
			c.trickle("GET /readyz HTTP/1.1\r\nHost: swallowtail\r\n\r\n")
			assert.Contains(c.t, c.end(), "200 OK", "silent after a request")
		},
	}
	var clients sync.WaitGroup
	for _, way := range ways {
		for range many {
			c := dial(t, server.base)
			clients.Go(func() { way(c) })
		}
	}
	crowd.handIn(t, evenings, []string{server.base}, func() {})
	clients.Wait()
	crowd.verify(t, calm.base)
	crowd.settle(t, db, calm.base)
	require.NoError(t, server.end())
}

// onceEach makes a connection for each call.
func onceEach() *http.Client {
	return &http.Client{Timeout: commandTime, Transport: &http.Transport{DisableKeepAlives: true}}
}

// TestAClientThatDoesNotListen goes on asking and reads nothing of the answers, until the server has had enough.
func TestAClientThatDoesNotListen(t *testing.T) {
	t.Parallel()
	b := usualBounds()
	b.write = 500 * time.Millisecond
	server := startBounded(t, filepath.Join(t.TempDir(), "practice.db"), b)
	c := dial(t, server.base)
	require.NoError(t, c.Conn.(*net.TCPConn).SetReadBuffer(4<<10))
	var err error
	for err == nil {
		_, err = io.WriteString(c, "GET /openapi.json HTTP/1.1\r\nHost: swallowtail\r\n\r\n")
	}
	c.wasEnded(err)
	require.NoError(t, caller(server.base).Call(t.Context(), http.MethodGet, "/readyz", nil, nil))
}

// TestAClientThatKeepsAServerFromItsEnd is in the middle of its body, with much time left, when the server is to stop.
func TestAClientThatKeepsAServerFromItsEnd(t *testing.T) {
	t.Parallel()
	b := usualBounds()
	b.drain = 50 * time.Millisecond
	server := startBounded(t, filepath.Join(t.TempDir(), "practice.db"), b)
	c := dial(t, server.base)
	c.trickle("POST /v1/auth/sign-in HTTP/1.1\r\nHost: swallowtail\r\nContent-Type: application/json\r\n" +
		"Content-Length: 100\r\nExpect: 100-continue\r\n\r\n")
	line, err := bufio.NewReader(c).ReadString('\n')
	require.NoError(t, err)
	require.Contains(t, line, "100 Continue") // now the server is at work on it
	require.NoError(t, server.end())
	assert.Contains(t, server.said.String(), "cut off what was still under way")
}

// TestABrokenOffCallIsNoFailure breaks calls off in the middle of a transaction, as phones without a signal do all day: it
// must not look as if the server failed.
func TestABrokenOffCallIsNoFailure(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	crowd := gather(t, db, server.base, 1, 1)
	crowd.active[0].breakOffUntil(t, server.base, func() bool {
		return strings.Contains(server.said.String(), `msg="call broken off" route=/v1/plans`)
	})
	assert.NotContains(t, server.said.String(), "level=ERROR")
	require.NoError(t, crowd.active[0].writeLittle(t.Context(), server.base))
}
