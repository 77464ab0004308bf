package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"sync"
	"time"
)

// recheck is how long a certificate is used before its files are looked at again.
const recheck = 10 * time.Second

// certificate is a certificate and its key in files, which a renewal exchanges while the server runs. Safe for concurrent use.
type certificate struct {
	cert, key string
	log       *slog.Logger
	now       func() time.Time

	mu     sync.Mutex
	pair   *tls.Certificate
	seen   [2]stamp
	looked time.Time
}

// stamp tells a file from what it was before.
type stamp struct {
	changed time.Time
	size    int64
}

func openCertificate(cert, key string, log *slog.Logger, now func() time.Time) (*certificate, error) {
	c := &certificate{cert: cert, key: key, log: log, now: now, looked: now()}
	var err error
	if c.seen, err = c.stamps(); err != nil {
		return nil, err
	}
	c.pair, err = c.read()
	return c, err
}

// config returns what connections are held to: TLS 1.2 and later (RFC 9325, section 3.1.1), and of TLS 1.2 only suites with
// ephemeral keys and authenticated encryption, which are also all that HTTP/2 allows (RFC 9113, appendix A). The suites of TLS
// 1.3 and the key exchanges are those of Go, which prefers X25519MLKEM768.
func (c *certificate) config() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12,
		CipherSuites: []uint16{
			tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256, tls.TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256,
			tls.TLS_ECDHE_ECDSA_WITH_AES_256_GCM_SHA384, tls.TLS_ECDHE_RSA_WITH_AES_256_GCM_SHA384,
			tls.TLS_ECDHE_ECDSA_WITH_CHACHA20_POLY1305_SHA256, tls.TLS_ECDHE_RSA_WITH_CHACHA20_POLY1305_SHA256,
		},
		NextProtos:     []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current(), nil },
	}
}

// current returns the certificate in force. Files that can't be used, as in the middle of a renewal, leave the one before, and
// are looked at again.
func (c *certificate) current() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.now()
	if now.Sub(c.looked).Abs() < recheck {
		return c.pair
	}
	c.looked = now
	seen, err := c.stamps()
	if err == nil && seen == c.seen {
		return c.pair
	}
	var pair *tls.Certificate
	if err == nil {
		pair, err = c.read()
	}
	if err != nil {
		c.log.LogAttrs(context.Background(), slog.LevelWarn, "the renewed certificate can't be used", slog.Any("error", err))
		return c.pair
	}
	c.pair, c.seen = pair, seen
	c.log.Info("took a renewed certificate")
	return c.pair
}

func (c *certificate) stamps() (stamps [2]stamp, err error) {
	for i, path := range []string{c.cert, c.key} {
		info, err := os.Stat(path)
		if err != nil {
			return stamps, fmt.Errorf("certificate: %w", err)
		}
		stamps[i] = stamp{changed: info.ModTime(), size: info.Size()}
	}
	return stamps, nil
}

func (c *certificate) read() (*tls.Certificate, error) {
	info, err := os.Stat(c.key)
	if err != nil {
		return nil, fmt.Errorf("key of the certificate: %w", err)
	}
	if err := onlyItsOwners(c.key, info.Mode()); err != nil {
		return nil, err
	}
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		return nil, fmt.Errorf("read certificate: %w", err)
	}
	return &pair, nil
}

func onlyItsOwners(path string, mode fs.FileMode) error {
	if !mode.IsRegular() {
		return fmt.Errorf("%s is not a regular file", path)
	}
	if perm := mode.Perm(); perm&0o077 != 0 {
		return fmt.Errorf("%s is open to other users (mode %04o): run \"chmod 600 %s\"", path, perm, path)
	}
	return nil
}
