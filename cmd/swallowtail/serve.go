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

// bounds are those of a connection. The service's answers are short, so what takes longer is a client in trouble or up to
// some.
type bounds struct {
	header time.Duration // from the beginning of a request to the end of its header
	read   time.Duration // from the beginning of a request to the end of its body
	write  time.Duration // from the end of the header to the end of the answer
	idle   time.Duration // between two requests
	drain  time.Duration // for what is under way when the server is to stop
}

func usualBounds() bounds {
	return bounds{
		header: 5 * time.Second, read: 30 * time.Second, write: time.Minute, idle: 2 * time.Minute, drain: drainTime,
	}
}

const (
	drainTime  = 15 * time.Second
	maxHeader  = 16 << 10
	healthTime = 5 * time.Second
)

func serve(ctx context.Context, c *call) error {
	set, db := c.flags()
	addr := set.String("addr", "127.0.0.1:8080", "the address to serve at")
	if err := c.parse(set); err != nil {
		return err
	}
	h, err := c.openHouse(ctx, *db, logger(c.streams, slog.LevelInfo), time.Now)
	if err != nil {
		return err
	}
	served := h.listen(ctx, *addr, time.Now, func(address string) error {
		_, err := fmt.Fprintf(c.out, "Swallowtail serves at http://%s\n", address)
		return err
	})
	return errors.Join(served, h.close())
}

// listen serves until ctx ends, then drains; a client that takes too long even then keeps no server from its end. It tells
// ready the address once it can be reached.
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
		Handler: handler, ReadHeaderTimeout: h.bounds.header, ReadTimeout: h.bounds.read, WriteTimeout: h.bounds.write,
		IdleTimeout: h.bounds.idle, MaxHeaderBytes: maxHeader, ErrorLog: slog.NewLogLogger(h.log.Handler(), slog.LevelWarn),
	}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(listener) }()
	defer h.keepWeighed(ctx, now)()
	defer h.keepKeys(ctx)()
	if err := ready(listener.Addr().String()); err != nil {
		return errors.Join(fmt.Errorf("make ready: %w", err), server.Close())
	}
	select {
	case err := <-failed:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	// Those who listen for news would go on for as long as their tokens last.
	h.service.EndListening()
	draining, cancel := context.WithTimeout(context.WithoutCancel(ctx), h.bounds.drain)
	defer cancel()
	err = server.Shutdown(draining)
	if errors.Is(err, context.DeadlineExceeded) {
		h.log.WarnContext(ctx, "cut off what was still under way")
		err = server.Close()
	}
	if err != nil {
		return fmt.Errorf("drain: %w", err)
	}
	return nil
}

// keepWeighed has what uploads leave to be weighed weighed beside them, until the function it returns is called, which waits
// for the end of that.
func (h *house) keepWeighed(ctx context.Context, now func() time.Time) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		h.service.KeepWeighed(ctx, now)
	}()
	return func() {
		cancel()
		<-ended
	}
}

// health asks a running server whether it is alive, for a container's health check.
func health(ctx context.Context, c *call) error {
	set, _ := c.flags()
	addr := set.String("addr", "127.0.0.1:8080", "the address of the server")
	if err := c.parse(set); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, healthTime)
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
