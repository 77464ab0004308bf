package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"swallowtail/api"
)

// front is what of a house stands on the network: its server, and one for operators if that is wanted.
type front struct {
	listener net.Listener
	server   *http.Server
	admin    *http.Server // nil for none
	inside   net.Listener // of admin
}

func (e *edges) scheme() string {
	if e.cert != "" {
		return "https"
	}
	return "http"
}

// front binds the addresses of a house. Until it serves, whoever connects waits.
func (h *house) front(ctx context.Context, addr string, now func() time.Time) (f *front, err error) {
	registry := prometheus.NewRegistry()
	config := api.Config{
		Service: h.service, Keys: h.keys, Log: h.log, Now: now,
		Limits: h.edges.limits, Proxies: h.edges.proxies, Origins: h.edges.origins,
	}
	if h.edges.admin != "" {
		config.Metrics = api.NewMetrics(registry)
	}
	handler, err := api.New(config)
	if err != nil {
		return nil, fmt.Errorf("make server: %w", err)
	}
	b := h.bounds
	f = &front{server: &http.Server{
		Handler: paced(handler, b.pace, b.read, b.write), ReadHeaderTimeout: b.header, ReadTimeout: b.read, WriteTimeout: b.write,
		IdleTimeout: b.idle, MaxHeaderBytes: maxHeader, ErrorLog: slog.NewLogLogger(h.log.Handler(), slog.LevelWarn),
	}}
	if h.edges.cert != "" {
		certificate, err := openCertificate(h.edges.cert, h.edges.key, h.log, now)
		if err != nil {
			return nil, err
		}
		f.server.TLSConfig = certificate.config()
	}
	var lc net.ListenConfig
	if f.listener, err = lc.Listen(ctx, "tcp", addr); err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	if h.edges.admin != "" {
		f.admin = adminServer(registry, h.log)
		if f.inside, err = listenInside(ctx, h.edges.admin, h.log); err != nil {
			return nil, errors.Join(err, f.listener.Close())
		}
	}
	return f, nil
}

// serve serves, until what is returned tells that it failed.
func (f *front) serve() (failed <-chan error) {
	ended := make(chan error, 2)
	if f.admin != nil {
		go func() { ended <- f.admin.Serve(f.inside) }()
	}
	go func() {
		if f.server.TLSConfig != nil {
			ended <- f.server.ServeTLS(f.listener, "", "")
			return
		}
		ended <- f.server.Serve(f.listener)
	}()
	return ended
}

// drain lets what is under way come to its end. What an operator has asked for is not waited for longer than families.
func (f *front) drain(ctx context.Context) error {
	err := f.server.Shutdown(ctx)
	if f.admin != nil {
		err = errors.Join(err, f.admin.Shutdown(ctx))
	}
	return err
}

func (f *front) close() error {
	err := f.server.Close()
	if f.admin != nil {
		err = errors.Join(err, f.admin.Close())
	}
	return err
}
