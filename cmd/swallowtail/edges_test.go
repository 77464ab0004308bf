package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log/slog"
	"math/big"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// pairFiles are a certificate for this machine and its key.
type pairFiles struct{ cert, key string }

// newPair writes a certificate with a serial number into a folder, as a renewal does.
func newPair(t *testing.T, folder string, serial int64) pairFiles {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "swallowtail.example.test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, DNSNames: []string{"swallowtail.example.test"},
	}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	require.NoError(t, err)
	private, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	files := pairFiles{cert: filepath.Join(folder, "cert.pem"), key: filepath.Join(folder, "key.pem")}
	require.NoError(t, os.WriteFile(files.cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert}), 0o600))
	require.NoError(t, os.WriteFile(files.key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600))
	return files
}

// ask gets an address.
func ask(t *testing.T, client *http.Client, url string) (*http.Response, string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	require.NoError(t, err)
	answer, err := client.Do(request)
	require.NoError(t, err)
	defer answer.Body.Close()
	said, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return answer, string(said)
}

func TestHTTPS(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	pair := newPair(t, folder, 1)
	server := startServe(t, filepath.Join(folder, "practice.db"), nil, "--tls-cert", pair.cert, "--tls-key", pair.key)
	require.True(t, strings.HasPrefix(server.base, "https://127.0.0.1:"), server.base)

	transport, err := trusting(pair.cert)
	require.NoError(t, err)
	answer, _ := ask(t, &http.Client{Transport: transport}, server.base+"/healthz")
	assert.Equal(t, http.StatusOK, answer.StatusCode)
	assert.Equal(t, "HTTP/2.0", answer.Proto)
	assert.Equal(t, "max-age=31536000", answer.Header.Get("Strict-Transport-Security"))
	transport.CloseIdleConnections()

	dial := func(c *tls.Config) (tls.ConnectionState, error) {
		c.RootCAs, c.ServerName = transport.TLSClientConfig.RootCAs, "swallowtail.example.test"
		conn, err := (&tls.Dialer{Config: c}).DialContext(t.Context(), "tcp", strings.TrimPrefix(server.base, "https://"))
		if err != nil {
			return tls.ConnectionState{}, err
		}
		return conn.(*tls.Conn).ConnectionState(), conn.Close()
	}
	state, err := dial(&tls.Config{})
	require.NoError(t, err)
	assert.Equal(t, uint16(tls.VersionTLS13), state.Version)
	state, err = dial(&tls.Config{MaxVersion: tls.VersionTLS12}) //nolint:gosec // what is still served
	require.NoError(t, err)
	assert.Equal(t, tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256, state.CipherSuite)
	_, err = dial(&tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}) //nolint:gosec // what must be refused
	require.Error(t, err)
	weak := []uint16{tls.TLS_ECDHE_ECDSA_WITH_AES_128_CBC_SHA, tls.TLS_RSA_WITH_AES_128_GCM_SHA256}
	_, err = dial(&tls.Config{MaxVersion: tls.VersionTLS12, CipherSuites: weak}) //nolint:gosec // what must be refused
	require.Error(t, err)

	plain, said := ask(t, http.DefaultClient, strings.Replace(server.base, "https", "http", 1)+"/healthz")
	assert.Equal(t, http.StatusBadRequest, plain.StatusCode, said)

	require.NoError(t, execute(t, "health", "--addr", server.base, "--tls-cert", pair.cert).err)
	bare := strings.TrimPrefix(server.base, "https://")
	require.NoError(t, execute(t, "health", "--addr", bare, "--tls-cert", pair.cert).err)
	require.ErrorContains(t, execute(t, "health", "--addr", server.base).err, "certificate")
	require.ErrorContains(t, execute(t, "health", "--addr", server.base, "--tls-cert", newPair(t, t.TempDir(), 1).cert).err, "certificate")
	require.ErrorContains(t, execute(t, "health", "--addr", bare).err, "status 400")
	require.ErrorIs(t, execute(t, "health", "--addr", server.base, "--tls-cert", pair.key).err, errNoCertificate)
	require.NoError(t, server.end())
	assert.NotContains(t, server.said.String(), "127.0.0.1", "no address of a client is logged")
	assert.Contains(t, server.said.String(), "TLS handshake error from (address)")
}

// TestACertificateIsRenewed exchanges the files under a server, one after the other and with a mistake.
func TestACertificateIsRenewed(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	pair := newPair(t, folder, 1)
	now := time.Now()
	var said lockedBuffer
	c, err := openCertificate(pair.cert, pair.key, slog.New(slog.NewTextHandler(&said, nil)), func() time.Time { return now })
	require.NoError(t, err)
	// changed makes the files newer than any before, however coarse the times of files are.
	changes := 0
	changed := func() {
		changes++
		for _, file := range []string{pair.cert, pair.key} {
			require.NoError(t, os.Chtimes(file, time.Time{}, now.Add(time.Duration(changes)*time.Hour)))
		}
	}
	serial := func() int64 { return c.current().Leaf.SerialNumber.Int64() }
	assert.Equal(t, int64(1), serial())

	newPair(t, folder, 2)
	changed()
	assert.Equal(t, int64(1), serial(), "the files are not looked at for each connection")
	now = now.Add(recheck)
	assert.Equal(t, int64(2), serial())

	old, fresh := pair.key+".old", pair.key+".new"
	require.NoError(t, os.Rename(pair.key, old))
	newPair(t, folder, 3)
	require.NoError(t, os.Rename(pair.key, fresh))
	require.NoError(t, os.Rename(old, pair.key)) // the key of another certificate: half of a renewal
	changed()
	now = now.Add(recheck)
	assert.Equal(t, int64(2), serial())
	assert.Contains(t, said.String(), "can't be used")
	require.NoError(t, os.Rename(fresh, pair.key))
	changed()
	require.NoError(t, os.Chmod(pair.key, 0o644))
	now = now.Add(recheck)
	assert.Equal(t, int64(2), serial())
	assert.Contains(t, said.String(), "is open to other users")
	require.NoError(t, os.Chmod(pair.key, 0o600))
	now = now.Add(recheck)
	assert.Equal(t, int64(3), serial())
	require.NoError(t, os.Remove(pair.cert))
	now = now.Add(recheck)
	assert.Equal(t, int64(3), serial())
}

// TestEdgesThatAreRefused starts servers that would not be what is meant.
func TestEdgesThatAreRefused(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	pair := newPair(t, folder, 1)
	open := filepath.Join(folder, "open.pem")
	key, err := os.ReadFile(pair.key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(open, key, 0o644)) //nolint:gosec // what must be refused
	for name, test := range map[string]struct {
		flags []string
		says  string
	}{
		"a certificate alone":    {[]string{"--tls-cert", pair.cert}, "--tls-key"},
		"a key alone":            {[]string{"--tls-key", pair.key}, "--tls-cert"},
		"no certificate":         {[]string{"--tls-cert", pair.key, "--tls-key", pair.key}, "certificate"},
		"a key that is not hers": {[]string{"--tls-cert", pair.cert, "--tls-key", open}, "is open to other users"},
		"a missing key":          {[]string{"--tls-cert", pair.cert, "--tls-key", folder + "/none"}, "no such file"},
		"a folder as a key":      {[]string{"--tls-cert", pair.cert, "--tls-key", folder}, "is not a regular file"},
		"everybody a proxy":      {[]string{"--trusted-proxy", "0.0.0.0/0"}, "can't be trusted"},
		"everybody in IPv6":      {[]string{"--trusted-proxy", "10.0.0.0/8,::/0"}, "can't be trusted"},
		"an address as proxy":    {[]string{"--trusted-proxy", "10.0.0.1"}, "is no network"},
		"any origin":             {[]string{"--cors-origin", "*"}, "is no origin"},
		"any below":              {[]string{"--cors-origin", "https://*.example.org"}, "is no origin"},
		"an origin in the clear": {[]string{"--cors-origin", "http://app.example.org"}, "is no origin"},
		"an origin with a path":  {[]string{"--cors-origin", "https://app.example.org/"}, "is no origin"},
		"an origin in capitals":  {[]string{"--cors-origin", "https://APP.example.org"}, "is no origin"},
		"an origin with a name":  {[]string{"--cors-origin", "https://me@app.example.org"}, "is no origin"},
		"a link in the clear":    {[]string{"--invite-link", "http://app.example.org/enrol"}, "is no address of an app"},
		"a link with a fragment": {[]string{"--invite-link", "https://app.example.org/#x"}, "is no address of an app"},
		"one good, one null":     {[]string{"--cors-origin", "https://app.example.org,null"}, "is no origin"},
		"a rate of words":        {[]string{"--rate-caller", "often"}, "how many a second"},
		"an admin address taken": {[]string{"--admin-addr", "256.0.0.1:0"}, "admin address"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			args := append([]string{"serve", "--db", filepath.Join(t.TempDir(), "practice.db"), "--addr", "127.0.0.1:0"}, test.flags...)
			refused := execute(t, args...)
			require.ErrorContains(t, refused.err, test.says)
			assert.Empty(t, refused.out)
		})
	}
}

// TestEdgesAsText reads the flags back, from the environment too.
func TestEdgesAsText(t *testing.T) {
	t.Parallel()
	var p prefixes
	require.NoError(t, p.Set("10.1.2.3/8, 2001:db8::/32"))
	assert.Equal(t, "10.0.0.0/8,2001:db8::/32", p.String())
	require.NoError(t, p.Set(""))
	assert.Empty(t, p)
	var o origins
	require.NoError(t, o.Set("https://app.example.org, https://app.example.test:8443"))
	assert.Equal(t, "https://app.example.org,https://app.example.test:8443", o.String())
	require.NoError(t, o.Set(""))
	assert.Empty(t, o)
}

// TestServeBoundsCallers holds a running server to the rates of its flags.
func TestServeBoundsCallers(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, map[string]string{"SWALLOWTAIL_ADDR": "127.0.0.1:0", "SWALLOWTAIL_TRUSTED_PROXY": "127.0.0.0/8"},
		"--rate-address", "0.001/2")
	status := func(forwarded string) int {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.base+"/healthz", nil)
		require.NoError(t, err)
		request.Header.Set("X-Forwarded-For", forwarded)
		answer, err := http.DefaultClient.Do(request)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		return answer.StatusCode
	}
	assert.Equal(t, http.StatusOK, status("203.0.113.1"))
	assert.Equal(t, http.StatusOK, status("198.51.100.1, 203.0.113.1"))
	assert.Equal(t, http.StatusTooManyRequests, status("198.51.100.2, 203.0.113.1"))
	assert.Equal(t, http.StatusOK, status("203.0.113.2"))
}

var adminAt = regexp.MustCompile(`msg="metrics and profiles are served" at=(\S+)`)

// adminBase returns where a server's metrics are.
func (s *serving) adminBase(t *testing.T) string {
	t.Helper()
	found := adminAt.FindStringSubmatch(s.said.String())
	require.NotNil(t, found, s.said.String())
	return "http://" + found[1]
}

// TestTheAdminAddress serves metrics and profiles there, and neither where families call.
func TestTheAdminAddress(t *testing.T) {
	t.Parallel()
	server := startServe(t, filepath.Join(t.TempDir(), "practice.db"), nil, "--admin-addr", "127.0.0.1:0")
	inside := server.adminBase(t)
	client := &http.Client{Timeout: commandTime}
	defer client.CloseIdleConnections()
	for _, path := range []string{"/metrics", "/debug/pprof/", "/debug/pprof/cmdline", "/debug/pprof/goroutine?debug=1", "/debug/pprof/heap"} {
		answer, _ := ask(t, client, server.base+path)
		assert.Equal(t, http.StatusNotFound, answer.StatusCode, path)
		answer, _ = ask(t, client, inside+path)
		assert.Equal(t, http.StatusOK, answer.StatusCode, path)
	}
	answer, _ := ask(t, client, inside+"/healthz")
	assert.Equal(t, http.StatusNotFound, answer.StatusCode)
	_, metrics := ask(t, client, inside+"/metrics")
	for _, name := range []string{
		`swallowtail_request_duration_seconds_count{method="GET",route="other",status="404"} 5`,
		`swallowtail_refusals_total{problem="not-found"} 5`, "go_goroutines", "process_open_fds",
	} {
		assert.Contains(t, metrics, name)
	}
	assert.NotContains(t, server.said.String(), "level=WARN")
	require.NoError(t, server.end())
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, inside+"/metrics", nil)
	require.NoError(t, err)
	_, err = client.Do(request)
	require.Error(t, err, "it ends with the server")

	reachable := startServe(t, filepath.Join(t.TempDir(), "practice.db"), nil, "--admin-addr", "0.0.0.0:0")
	assert.Contains(t, reachable.said.String(), "the admin address can be reached from elsewhere")
	unseen := startServe(t, filepath.Join(t.TempDir(), "practice.db"), nil)
	assert.NotContains(t, unseen.said.String(), "metrics")
}
