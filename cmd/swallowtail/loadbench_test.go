package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/internal/load"
	"swallowtail/internal/store/postgres/postgrestest"
)

// BenchmarkEveningRush hands in evenings over real HTTP on loopback, at a server in a process of its own, with durable commits: at
// the bare handler that does nothing but make them durable, and at the whole service. Every family hands in the fourteen evenings
// of its programme, so the average household is in mid-programme. The first is not measured: then a server that has just been started
// gets to know all at once those who call. Give a number of uploads that is many times thirteen for each connection:
//
//	go test -timeout 1h -run '^$' -bench EveningRush -benchtime 2600x -count 5 ./cmd/swallowtail
//
// cpu-us/session is the server's own, user and system: while others are at work on the machine it says more than the rest. It fails where
// the service hands in a far smaller part of the bare handler's evenings than it does, which no busy neighbour explains: both are measured
// beside the same.
func BenchmarkEveningRush(b *testing.B) {
	for _, with := range []least{{1, 22}, {64, 12}} {
		beside(b, with, func(b *testing.B) string { return filepath.Join(b.TempDir(), "load.db") })
	}
}

// BenchmarkEveningRushOnPostgres is the same on PostgreSQL, where there is a server to try it on. Of its bare handler every evening is
// one pipelined batch.
func BenchmarkEveningRushOnPostgres(b *testing.B) {
	for _, with := range []least{{1, 0}, {16, 20}} {
		beside(b, with, func(b *testing.B) string { return postgrestest.Empty(b) })
	}
}

// least is how many connections call at a time, and how many of a hundred of the bare handler's evenings the service must hand in: half of
// what is wanted.
type least struct {
	connections int
	percent     float64
}

// beside measures the bare handler, the service, and the bare handler again, each on a new database: a machine that is shared is a fifth
// faster or slower from one half minute to the next. The service is held against what the bare handler did before and after it.
func beside(b *testing.B, with least, newDatabase func(b *testing.B) string) {
	b.Helper()
	var before, whole rushed
	b.Run(fmt.Sprintf("baseline/connections=%d", with.connections), func(b *testing.B) {
		before = rush(b, with.connections, newDatabase(b), startBaseline)
	})
	b.Run(fmt.Sprintf("swallowtail/connections=%d", with.connections), func(b *testing.B) {
		whole = rush(b, with.connections, newDatabase(b), startFilled)
	})
	b.Run(fmt.Sprintf("baseline-again/connections=%d", with.connections), func(b *testing.B) {
		after := rush(b, with.connections, newDatabase(b), startBaseline)
		if before.perSecond == 0 || whole.perSecond == 0 {
			return
		}
		percent := 200 * whole.perSecond / (before.perSecond + after.perSecond)
		b.ReportMetric(percent, "%-of-it-swallowtail")
		b.ReportMetric(2*whole.cpu/(before.cpu+after.cpu), "times-its-cpu-swallowtail")
		if b.N > 1 && percent < with.percent {
			b.Errorf("%.0f %% of the bare handler's evenings, where %.0f %% are the least", percent, with.percent)
		}
	})
}

// rushed is what a rush came to.
type rushed struct {
	perSecond float64
	cpu       float64 // of the server, in microseconds a session
}

// startBaseline starts the bare handler for so many families.
func startBaseline(b *testing.B, db string, families int) (*loadedServer, load.Config) {
	b.Helper()
	b.Setenv(baselineVariable, db)
	server, err := startServer(b.Context(), "", filepath.Join(b.TempDir(), "server.log"))
	require.NoError(b, err)
	anybody := load.Family{Pair: client.Pair{Access: strings.Repeat("x", 480)}} // as long as a token is
	c := load.Config{First: time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC)}
	for range families {
		anybody.Learner = newID().String()
		c.Families = append(c.Families, anybody)
	}
	return server, c
}

// startFilled starts the service for so many families.
func startFilled(b *testing.B, db string, families int) (*loadedServer, load.Config) {
	b.Helper()
	b.Setenv(childVariable, childHeld)
	keys := filepath.Join(b.TempDir(), "load.keys")
	c := &call{streams: streams{err: io.Discard}, keys: &keys}
	clinic, err := c.fillLoaded(b.Context(), &loadOptions{db: db, households: families, scenario: scenarioEvening}, time.Now())
	require.NoError(b, err)
	server, err := c.startLoaded(b.Context(), &loadOptions{db: db}, filepath.Join(b.TempDir(), "server.log"))
	require.NoError(b, err)
	return server, load.Config{Families: clinic.families, First: clinic.first}
}

func rush(b *testing.B, connections int, db string, start func(b *testing.B, db string, families int) (*loadedServer, load.Config)) rushed {
	b.StopTimer()
	const evenings = load.Evenings - 1 // besides the first
	families := max(connections, (b.N+evenings-1)/evenings)
	server, c := start(b, db, families)
	c.Base, c.Connections, c.Duration, c.Now, c.NewID = server.base, connections, mostDuration, time.Now, newID
	l, err := load.New(c)
	require.NoError(b, err)
	_, err = l.FirstEvening(b.Context(), families)
	require.NoError(b, err)
	before, _ := usageOf(server.cmd.Process.Pid)
	b.StartTimer()
	m, err := l.Evening(b.Context(), b.N)
	b.StopTimer()
	require.NoError(b, err)
	after, told := usageOf(server.cmd.Process.Pid)
	require.NoError(b, server.stop())
	require.Empty(b, m.Errors)
	require.Equal(b, b.N, m.Evenings)
	r := rushed{perSecond: m.PerSecond(m.Evenings), cpu: float64((after.cpu - before.cpu).Microseconds()) / float64(b.N)}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(r.perSecond, "sessions/s")
	b.ReportMetric(m.Quantile(0.5).Seconds()*1000, "p50-ms")
	b.ReportMetric(m.Quantile(0.99).Seconds()*1000, "p99-ms")
	if told {
		b.ReportMetric(r.cpu, "cpu-us/session")
	}
	return r
}
