package main

import (
	"crypto/x509"
	"errors"
	"flag"
	"fmt"
	"os"
	"time"

	"swallowtail/internal/channel"
)

// mailOptions say by which relay e-mail leaves.
type mailOptions struct {
	host, tls, roots         string
	port                     int
	username, password, from string
}

func (o *mailOptions) flags(set *flag.FlagSet) {
	set.StringVar(&o.host, "smtp-host", "", "the `host` of the mail relay")
	set.IntVar(&o.port, "smtp-port", 0, "its port; 587, or 465 with implicit TLS, unless given")
	set.StringVar(&o.tls, "smtp-tls", string(channel.StartTLS), "`how` to encrypt: starttls, implicit, or none for a relay on this machine")
	set.StringVar(&o.roots, "smtp-ca", "", "the `file` of PEM certificates that the relay's is signed by; those that the system trusts unless given")
	set.StringVar(&o.username, "smtp-username", "", "the `name` to sign in with; empty for none")
	set.StringVar(&o.password, "smtp-password", "", "the `password` to sign in with; safer in the environment, or in a file as @FILE")
	set.StringVar(&o.from, "mail-from", "", "the `address` that reminders come from, with a name or without, such as Practice <practice@example.org>")
}

// channel returns the channel for e-mail. A relay's answer is not waited for longer than a reminder is held: what it answers later
// would be told to nobody.
func (o *mailOptions) channel(lease time.Duration, now func() time.Time) ([]channel.Channel, error) {
	if o.host == "" || o.from == "" {
		return nil, errors.New("give --smtp-host and --mail-from")
	}
	password, err := secretOf(o.password)
	if err != nil {
		return nil, err
	}
	config := channel.EmailConfig{
		Host: o.host, Port: o.port, TLS: channel.TLS(o.tls), Username: o.username, Password: password, From: o.from, Now: now,
		AnswerTimeout: lease,
	}
	if o.roots != "" {
		pem, err := os.ReadFile(o.roots)
		if err != nil {
			return nil, fmt.Errorf("certificate to trust: %w", err)
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("certificate to trust: %s: %w", o.roots, errNoCertificate)
		}
	}
	email, err := channel.NewEmail(config)
	if err != nil {
		return nil, err
	}
	return []channel.Channel{email}, nil
}
