package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/prometheus/client_golang/prometheus"

	"swallowtail/api/client"
	"swallowtail/internal/scheduler"
)

// remindOptions are how reminders are sent.
type remindOptions struct {
	server   publicAddress
	cert     string
	token    string
	interval time.Duration
	once     bool
	dryRun   bool
	admin    string
	mail     mailOptions
	config   scheduler.Config
}

func (o *remindOptions) flags(set *flag.FlagSet) {
	o.config = scheduler.Usual()
	o.server = "http://127.0.0.1:8080"
	set.Var(&o.server, "server", "the `address` of the server, such as https://practice.example.org")
	set.StringVar(&o.cert, "tls-cert", "", "the `file` of PEM certificates that it serves HTTPS with, which are trusted whatever their name")
	set.StringVar(&o.token, "token", "", "the scheduler's `token`, as token issue gives it; safer in the environment, or in a file as @FILE")
	set.DurationVar(&o.interval, "interval", time.Minute, "how long to wait before looking again")
	set.BoolVar(&o.once, "once", false, "send what is due now, and end")
	set.BoolVar(&o.dryRun, "dry-run", false, "only list what is due now, claiming and sending nothing, and end")
	set.IntVar(&o.config.Limit, "limit", o.config.Limit, "how many reminders to claim at once, 1 to 500")
	set.DurationVar(&o.config.Lease, "lease", o.config.Lease, "how long they are this scheduler's, 10s to 15m")
	set.IntVar(&o.config.Workers, "workers", o.config.Workers, "how many to send at once")
	set.StringVar(&o.admin, "admin-addr", "", "the `address` to serve metrics and profiles at, for operators alone; nowhere when empty")
	o.mail.flags(set)
}

func (o *remindOptions) check() error {
	switch {
	case o.interval <= 0:
		return errors.New("--interval must be longer than nothing")
	case o.config.Limit < 1 || o.config.Limit > 500:
		return errors.New("--limit must be from 1 to 500")
	case o.config.Lease < 10*time.Second || o.config.Lease > 15*time.Minute:
		return errors.New("--lease must be from 10s to 15m")
	case o.config.Workers < 1 || o.config.Workers > 100:
		return errors.New("--workers must be from 1 to 100")
	}
	return nil
}

// remind sends the reminders that are due, as a client of a server like any other.
func remind(ctx context.Context, c *call) error {
	set, _ := c.flags()
	set.Lookup("db").Usage = "not used: reminders are claimed through the server's API"
	var o remindOptions
	o.flags(set)
	if err := c.parse(set); err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	desk, transport, err := o.desk()
	if err != nil {
		return err
	}
	defer transport.CloseIdleConnections()
	if o.dryRun {
		return listDue(ctx, c, desk.api)
	}
	log := logger(c.streams, slog.LevelInfo)
	email, err := o.mail.channel(o.config.Lease, time.Now)
	if err != nil {
		return err
	}
	o.config.Desk, o.config.Channels, o.config.Log, o.config.Now = desk, email, log, time.Now
	if o.once {
		tally, err := scheduler.New(o.config).Once(ctx)
		return errors.Join(json.MarshalWrite(c.out, tallied(tally)), endLine(c), err)
	}
	return o.run(ctx, log)
}

func endLine(c *call) error {
	_, err := fmt.Fprintln(c.out)
	return err
}

// run sends until ctx ends; what has been begun by then is seen to.
func (o *remindOptions) run(ctx context.Context, log *slog.Logger) error {
	registry := prometheus.NewRegistry()
	m := newRemindMetrics(registry)
	o.config.Watch = m.watch
	if o.admin != "" {
		inside, err := listenInside(ctx, o.admin, log)
		if err != nil {
			return err
		}
		server := adminServer(registry, log)
		go func() { _ = server.Serve(inside) }() // ends with Close
		defer server.Close()                     //nolint:errcheck // nothing is left to be done about it
	}
	failing := false
	scheduler.New(o.config).Run(ctx, o.interval, func(t scheduler.Tally, err error) {
		switch {
		case err != nil:
			m.failed.Inc()
			if !failing { // once, not every minute
				log.WarnContext(ctx, "can't claim reminders", slog.String("error", err.Error()))
			}
		case t.Claimed > 0:
			log.InfoContext(ctx, "reminders", slog.Int("claimed", t.Claimed), slog.Int("sent", t.Sent), slog.Int("failed", t.Failed),
				slog.Int("skipped", t.Skipped), slog.Int("unclear", t.Unclear), slog.Int("gone", t.Gone))
		}
		if failing = err != nil; !failing {
			m.last.SetToCurrentTime()
		}
	})
	return nil
}

// remindMetrics count what a scheduler does.
type remindMetrics struct {
	reminders *prometheus.CounterVec
	failed    prometheus.Counter
	last      prometheus.Gauge
}

func newRemindMetrics(in prometheus.Registerer) *remindMetrics {
	m := &remindMetrics{
		reminders: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "swallowtail_reminders_total", Help: "Reminders, by their kind and by what became of them.",
		}, []string{"kind", "outcome"}),
		failed: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "swallowtail_reminder_rounds_failed_total", Help: "Rounds in which the server could not be asked for reminders.",
		}),
		last: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "swallowtail_reminder_round_timestamp_seconds", Help: "When all that was due was last seen to.",
		}),
	}
	in.MustRegister(m.reminders, m.failed, m.last)
	return m
}

// watch counts one reminder.
func (m *remindMetrics) watch(kind string, outcome scheduler.Outcome) {
	m.reminders.WithLabelValues(kind, string(outcome)).Inc()
}

// remindTally is a tally as told to programs.
type remindTally struct {
	Claimed int `json:"claimed"`
	Sent    int `json:"sent"`
	Failed  int `json:"failed"`
	Skipped int `json:"skipped"`
	Unclear int `json:"unclear"`
	Gone    int `json:"gone"`
}

func tallied(t scheduler.Tally) remindTally { return remindTally(t) }

// secretOf returns a secret that was given as it is, or as @FILE.
func secretOf(given string) (string, error) {
	path, inFile := strings.CutPrefix(given, "@")
	if !inFile {
		return given, nil
	}
	content, err := os.ReadFile(path) //nolint:gosec // the path is the operator's choice
	if err != nil {
		return "", fmt.Errorf("secret: %w", err)
	}
	return strings.TrimSpace(string(content)), nil
}

// deskTime bounds a call of the server.
const deskTime = 30 * time.Second

// desk returns the server's API as the scheduler sees it.
func (o *remindOptions) desk() (*apiDesk, *http.Transport, error) {
	token, err := secretOf(o.token)
	if err != nil {
		return nil, nil, err
	}
	if token == "" {
		return nil, nil, errors.New("give the scheduler's token as SWALLOWTAIL_TOKEN, or --token @FILE")
	}
	transport, err := trusting(o.cert)
	if err != nil {
		return nil, nil, err
	}
	return &apiDesk{api: client.Scheduler{Base: string(o.server), Token: token, HTTP: &http.Client{Transport: transport, Timeout: deskTime}}}, transport, nil
}
