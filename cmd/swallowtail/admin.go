package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// profileTime bounds an answer at the admin address. A profile takes as long as it is asked to.
const profileTime = 2 * time.Minute

// listenInside binds the address for operators. Nobody is asked there who they are.
func listenInside(ctx context.Context, addr string, log *slog.Logger) (net.Listener, error) {
	var lc net.ListenConfig
	listener, err := lc.Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("listen at the admin address: %w", err)
	}
	if at, is := listener.Addr().(*net.TCPAddr); !is || !at.IP.IsLoopback() {
		log.WarnContext(ctx, "the admin address can be reached from elsewhere: whoever reaches it sees profiles, and nobody is asked who they are")
	}
	log.InfoContext(ctx, "metrics and profiles are served", slog.Any("at", listener.Addr()))
	return listener, nil
}

// adminServer serves what is registered, beside figures of the process, and profiles of it.
func adminServer(registry *prometheus.Registry, log *slog.Logger) *http.Server {
	registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	b := usualBounds()
	return &http.Server{
		Handler: adminHandler(registry), ReadHeaderTimeout: b.header, ReadTimeout: b.read, WriteTimeout: profileTime,
		IdleTimeout: b.idle, MaxHeaderBytes: maxHeader, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

func adminHandler(registry *prometheus.Registry) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(registry, promhttp.HandlerOpts{}))
	mux.HandleFunc("GET /debug/pprof/", pprof.Index)
	mux.HandleFunc("GET /debug/pprof/cmdline", pprof.Cmdline)
	mux.HandleFunc("GET /debug/pprof/profile", pprof.Profile)
	mux.HandleFunc("GET /debug/pprof/symbol", pprof.Symbol)
	mux.HandleFunc("GET /debug/pprof/trace", pprof.Trace)
	return mux
}
