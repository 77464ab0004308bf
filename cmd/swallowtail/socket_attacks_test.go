package main

import (
	"bufio"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestAttacksOnTheSocket sends what no client's library would: requests of which two readers would make two things, and what costs
// much to keep. Each is refused, most of them before anything of the service sees it, and the connection is of no use after.
func TestAttacksOnTheSocket(t *testing.T) {
	t.Parallel()
	server := startServe(t, filepath.Join(t.TempDir(), "practice.db"), nil)
	const signIn = "POST /v1/auth/sign-in HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
	for tries, attack := range map[string]struct {
		sent   string
		status int
	}{
		"a body has two lengths":            {signIn + "Content-Length: 2\r\nContent-Length: 3\r\n\r\n{} ", http.StatusBadRequest},
		"a body has a length below zero":    {signIn + "Content-Length: -1\r\n\r\n{}", http.StatusBadRequest},
		"a length is no number":             {signIn + "Content-Length: 0x2\r\n\r\n{}", http.StatusBadRequest},
		"a length has a sign":               {signIn + "Content-Length: +2\r\n\r\n{}", http.StatusBadRequest},
		"a body comes in pieces of no size": {signIn + "Connection: close\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n{}\r\n0\r\n\r\n", http.StatusBadRequest},
		"a body is coded in a way unknown":  {signIn + "Transfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n", http.StatusNotImplemented},
		"a body is more than anybody reads": {signIn + "Connection: close\r\nContent-Length: 1048577\r\n\r\n" + strings.Repeat(" ", 1<<20+1), http.StatusRequestEntityTooLarge},
		"a body is hidden by no length":     {signIn + "Connection: close\r\nContent-Length: 0\r\n\r\n{}", http.StatusBadRequest},
		"a request names two hosts":         {"GET /healthz HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n", http.StatusBadRequest},
		"a request names no host":           {"GET /healthz HTTP/1.1\r\n\r\n", http.StatusBadRequest},
		"a header has a space in its name":  {"GET /healthz HTTP/1.1\r\nHost: x\r\nContent-Length : 5\r\n\r\n", http.StatusBadRequest},
		"a header ends early":               {"GET /healthz HTTP/1.1\r\nHost: x\r\nX-A: b\x00c\r\n\r\n", http.StatusBadRequest},
		"headers are more than anybody sends": {
			"GET /healthz HTTP/1.1\r\nHost: x\r\n" + strings.Repeat("X-A: aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa\r\n", 10_000) + "\r\n",
			http.StatusRequestHeaderFieldsTooLarge,
		},
		"an address is of another scheme":   {"GET gopher://x/healthz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", http.StatusOK},
		"somebody wants to be put through":  {"CONNECT evil.example.test:443 HTTP/1.1\r\nHost: evil.example.test:443\r\nConnection: close\r\n\r\n", http.StatusNotFound},
		"a version is one that there isn't": {"GET /healthz HTTP/9.9\r\nHost: x\r\n\r\n", http.StatusHTTPVersionNotSupported},
		"an address breaks the line":        {"GET /healthz\rX: y HTTP/1.1\r\nHost: x\r\n\r\n", http.StatusBadRequest},
	} {
		t.Run(tries, func(t *testing.T) {
			t.Parallel()
			c := dial(t, server.base)
			_, _ = io.WriteString(c, attack.sent) // the server may have had enough before the end
			answers := bufio.NewReader(c)
			answer, err := http.ReadResponse(answers, nil)
			require.NoError(t, err)
			body, err := io.ReadAll(answer.Body)
			require.NoError(t, err)
			assert.Equal(t, attack.status, answer.StatusCode, "%s", body)
			assert.Empty(t, answer.Header.Get("Server"))
			assert.Less(t, len(body), 500)
			left, _ := io.ReadAll(answers) // an error says as well that it is over
			assert.Empty(t, left, "there is no second answer")
		})
	}
	t.Cleanup(func() {
		client := &http.Client{Timeout: commandTime}
		defer client.CloseIdleConnections()
		answer, err := client.Get(server.base + "/healthz")
		if assert.NoError(t, err) {
			assert.Equal(t, http.StatusOK, answer.StatusCode)
			assert.NoError(t, answer.Body.Close())
		}
		assert.NotContains(t, server.said.String(), "panic")
	})
}
