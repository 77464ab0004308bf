package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/http"
	"os"
	"strings"
	"time"
)

const healthTime = 5 * time.Second

var errNoCertificate = errors.New("no certificate can be read in it")

// health asks a running server whether it is alive, for a container's health check.
func health(ctx context.Context, c *call) error {
	set, _ := c.flags()
	addr := set.String("addr", "127.0.0.1:8080", "the address of the server, after https:// if it serves HTTPS and --tls-cert is not given")
	cert := set.String("tls-cert", "", "the `file` of PEM certificates that it serves HTTPS with, which are trusted whatever their name")
	if err := c.parse(set); err != nil {
		return err
	}
	base := *addr
	switch {
	case strings.Contains(base, "://"):
	case *cert != "":
		base = "https://" + base
	default:
		base = "http://" + base
	}
	transport, err := trusting(*cert)
	if err != nil {
		return err
	}
	defer transport.CloseIdleConnections()
	ctx, cancel := context.WithTimeout(ctx, healthTime)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimSuffix(base, "/")+"/healthz", nil)
	if err != nil {
		return fmt.Errorf("address: %w", err)
	}
	answer, err := (&http.Client{Transport: transport}).Do(request)
	if err != nil {
		return fmt.Errorf("ask: %w", err)
	}
	if err := answer.Body.Close(); err != nil {
		return fmt.Errorf("ask: %w", err)
	}
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("the server answers with status %d", answer.StatusCode)
	}
	return nil
}

// trusting trusts the certificates in a file, or those that the system trusts where none is named. Who has the key of a
// certificate in the file is the server, by whatever name it is asked: a health check asks the machine that it runs on.
func trusting(cert string) (*http.Transport, error) {
	transport := &http.Transport{ForceAttemptHTTP2: true}
	if cert == "" {
		return transport, nil
	}
	pem, err := os.ReadFile(cert) //nolint:gosec // the path is the operator's choice
	if err != nil {
		return nil, fmt.Errorf("certificate to trust: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("certificate to trust: %s: %w", cert, errNoCertificate)
	}
	transport.TLSClientConfig = &tls.Config{
		MinVersion: tls.VersionTLS12, RootCAs: pool,
		InsecureSkipVerify: true, //nolint:gosec // the next line verifies all but the name
		VerifyConnection: func(state tls.ConnectionState) error {
			_, err := state.PeerCertificates[0].Verify(x509.VerifyOptions{Roots: pool})
			return err
		},
	}
	return transport, nil
}
