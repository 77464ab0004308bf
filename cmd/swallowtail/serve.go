package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"swallowtail/api"
)

// Bounds of a connection. The service's answers are short, so what takes longer is a client in trouble or up to some.
const (
	headerTimeout = 5 * time.Second
	readTimeout   = 30 * time.Second
	writeTimeout  = 60 * time.Second
	idleTimeout   = 2 * time.Minute
	maxHeader     = 16 << 10
	drainTime     = 15 * time.Second
)

func serve(ctx context.Context, c *call) error {
	set, db := c.flags()
	addr := set.String("addr", "127.0.0.1:8080", "the address to serve at")
	if err := c.parse(set); err != nil {
		return err
	}
	h, err := openHouse(ctx, *db, logger(c.streams, slog.LevelInfo), time.Now)
	if err != nil {
		return err
	}
	served := h.listen(ctx, *addr, time.Now, func(address string) error {
		_, err := fmt.Fprintf(c.out, "Swallowtail serves at http://%s\n", address)
		return err
	})
	return errors.Join(served, h.close())
}

// listen serves until ctx ends, then drains. It tells ready the address once it can be reached.
func (h *house) listen(ctx context.Context, addr string, now func() time.Time, ready func(address string) error) error {
	handler, err := api.New(api.Config{Service: h.service, Keys: h.keys, Log: h.log, Now: now})
	if err != nil {
		return fmt.Errorf("make server: %w", err)
	}
	var lc net.ListenConfig
	listener, err := lc.Listen(ctx, "tcp", addr)
	if err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	server := &http.Server{
		Handler: handler, ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout,
		IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeader, ErrorLog: slog.NewLogLogger(h.log.Handler(), slog.LevelWarn),
	}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(listener) }()
	if err := ready(listener.Addr().String()); err != nil {
		return errors.Join(fmt.Errorf("make ready: %w", err), server.Close())
	}
	select {
	case err := <-failed:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	draining, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainTime)
	defer cancel()
	if err := server.Shutdown(draining); err != nil {
		return fmt.Errorf("drain: %w", err)
	}
	return nil
}

// health asks a running server whether it is alive, for a container's health check.
func health(ctx context.Context, c *call) error {
	set, _ := c.flags()
	addr := set.String("addr", "127.0.0.1:8080", "the address of the server")
	if err := c.parse(set); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, headerTimeout)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+*addr+"/healthz", nil)
	if err != nil {
		return fmt.Errorf("address: %w", err)
	}
	answer, err := http.DefaultClient.Do(request)
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
