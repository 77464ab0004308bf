package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"time"
)

// bounds are those of a connection. The service's answers are short, so what takes longer is a client in trouble or up to
// some.
type bounds struct {
	header time.Duration // from the beginning of a request to the end of its header
	read   time.Duration // from the beginning of a request to the end of its body
	write  time.Duration // from the end of the header to the end of the answer
	idle   time.Duration // between two requests
	pace   pace          // in the middle of a body or an answer
	drain  time.Duration // for what is under way when the server is to stop
}

func usualBounds() bounds {
	return bounds{
		header: 5 * time.Second, read: 30 * time.Second, write: time.Minute, idle: 2 * time.Minute, pace: usualPace(),
		drain: drainTime,
	}
}

const (
	drainTime = 15 * time.Second
	maxHeader = 16 << 10
)

func serve(ctx context.Context, c *call) error {
	set, db := c.flags()
	addr := set.String("addr", "127.0.0.1:8080", "the address to serve at")
	var e edges
	e.flags(set)
	if err := c.parse(set); err != nil {
		return err
	}
	if err := e.check(); err != nil {
		return err
	}
	d, err := namedDatabase(*db)
	if err != nil {
		return err
	}
	h, err := c.openHouse(ctx, *db, logger(c.streams, slog.LevelInfo), time.Now)
	if err != nil {
		return err
	}
	h.edges = e
	h.service.InviteLink, h.service.PublicURL = string(e.inviteLink), string(e.public)
	served := h.listen(ctx, *addr, time.Now, func(address string) error {
		settleMemory(c.getenv, d.growth(), e.admin != "")
		_, err := fmt.Fprintf(c.out, "Swallowtail serves at %s://%s\n", e.scheme(), address)
		return err
	})
	return errors.Join(served, h.close())
}

// listen serves until ctx ends, then drains; a client that takes too long even then keeps no server from its end. It tells
// ready the address once it can be reached.
func (h *house) listen(ctx context.Context, addr string, now func() time.Time, ready func(address string) error) error {
	f, err := h.front(ctx, addr, now)
	if err != nil {
		return err
	}
	if at, is := f.listener.Addr().(*net.TCPAddr); is && at.IP.IsLoopback() && h.service.PublicURL == "" {
		h.service.PublicURL = h.edges.scheme() + "://" + at.String()
	}
	failed := f.serve()
	defer alongside(ctx, func(ctx context.Context) { h.service.KeepWeighed(ctx, now) })()
	defer alongside(ctx, h.service.ExchangeHints)()
	defer alongside(ctx, h.lookAtKeys)()
	if err := ready(f.listener.Addr().String()); err != nil {
		return errors.Join(fmt.Errorf("make ready: %w", err), f.close())
	}
	select {
	case err := <-failed:
		return errors.Join(fmt.Errorf("serve: %w", err), f.close())
	case <-ctx.Done():
	}
	// Those who listen for news would go on for as long as their tokens last.
	h.service.EndListening()
	draining, cancel := context.WithTimeout(context.WithoutCancel(ctx), h.bounds.drain)
	defer cancel()
	err = f.drain(draining)
	if errors.Is(err, context.DeadlineExceeded) {
		h.log.WarnContext(ctx, "cut off what was still under way")
		err = f.close()
	}
	if err != nil {
		return fmt.Errorf("drain: %w", err)
	}
	return nil
}

// alongside does something until the function it returns is called, which waits for the end of that.
func alongside(ctx context.Context, do func(ctx context.Context)) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		do(ctx)
	}()
	return func() {
		cancel()
		<-ended
	}
}
