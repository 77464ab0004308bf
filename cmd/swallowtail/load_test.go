package main

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/load"
)

// loadChild is `swallowtail load` in a process of its own, since it starts another.
func loadChild(t *testing.T, args ...string) (cmd *exec.Cmd, out, said *lockedBuffer) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd = exec.CommandContext(t.Context(), self, append([]string{"load"}, args...)...)
	// Held, it and the server that it starts end with the test, come what may. The last two would be a server's settings.
	cmd.Env = append(os.Environ(), childVariable+"="+childHeld, "SWALLOWTAIL_RATE_CALLER=1/1", "SWALLOWTAIL_TLS_CERT=none.pem")
	_, err = cmd.StdinPipe() // closed by Wait
	require.NoError(t, err)
	out, said = &lockedBuffer{}, &lockedBuffer{}
	cmd.Stdout, cmd.Stderr, cmd.WaitDelay = out, said, stopTime
	return cmd, out, said
}

func loadReportIn(t *testing.T, out string) loadReport {
	t.Helper()
	var r loadReport
	require.NoError(t, json.Unmarshal([]byte(out), &r, json.RejectUnknownMembers(true)), out)
	return r
}

func TestLoadPlaysEveryScenarioAndFindsWhatWasAcknowledged(t *testing.T) {
	t.Parallel()
	const families = 8
	db := filepath.Join(t.TempDir(), "load.db")
	cmd, out, said := loadChild(t, "--db", db, "--households", "8", "--connections", "4", "--uploads", "40", "--json")
	require.NoError(t, cmd.Run(), said)
	r := loadReportIn(t, out.String())
	assert.True(t, r.Invented)
	assert.False(t, r.Stopped)
	assert.Empty(t, r.NotMeasured)
	assert.Positive(t, r.AtRest)
	requests := map[string]int{}
	for _, s := range r.Scenarios {
		requests[s.Name] = s.Requests
		assert.Empty(t, s.Errors, s.Name)
		assert.Empty(t, s.Again, s.Name)
		assert.GreaterOrEqual(t, s.LongestWait, s.Latency.Max, s.Name)
		assert.Positive(t, s.LongestStall, s.Name)
		assert.Positive(t, s.PeakResident, s.Name)
		assert.Positive(t, s.Latency.P50, s.Name)
		assert.LessOrEqual(t, s.Latency.P50, s.Latency.P99, s.Name)
		assert.LessOrEqual(t, s.Latency.P999, s.Latency.Max, s.Name)
		assert.Greater(t, s.OctetsReceived, int64(s.Requests), s.Name)
	}
	assert.Equal(t, map[string]int{
		"first evening": families, "evening": 40 - families, "first sync": families, "summary": families,
		"one summary":  100,   // by one clinician
		"roster page":  4 * 5, // every order on every line, one page each
		"overdue page": 1,
		"claim":        2, // what there is, then nothing
	}, requests)
	first, evening, claim := r.Scenarios[0], r.Scenarios[1], r.Scenarios[len(r.Scenarios)-1]
	assert.Equal(t, families, first.Sessions)
	assert.Zero(t, first.History)
	assert.Equal(t, 40-families, evening.Sessions)
	assert.InDelta(t, 2.5, evening.History, 1e-9, "four evenings of each family, with 1, 2, 3 and 4 before them")
	assert.Equal(t, families, claim.Claimed)
	assert.Equal(t, &verifiedReport{Families: families, Acknowledged: families * load.Evenings * load.EntriesOfEvening}, r.Verified)
	require.NotNil(t, r.Database)
	assert.Equal(t, 40, r.Database.Evenings)
	assert.Positive(t, r.Database.OctetsPerEvening)
	parts := map[string]float64{}
	for _, p := range r.Database.Parts {
		parts[p.Name] = p.OctetsPerEvening
	}
	assert.Positive(t, parts["entry"])

	// What was invented is as the API would have made it, and nobody holds it any more.
	assert.NoFileExists(t, db+"-wal")
	checked := execute(t, "check", "--db", db)
	require.NoError(t, checked.err, checked.out)
	assert.JSONEq(t, `{"households":16,"entries":672,"learners":16,"differences":[]}`, checked.out)
}

func TestLoadCallsAServerThatRunsAlready(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	args := []string{
		"load", "--server", server.base, "--db", db, "--scenario", "evening", "--households", "3", "--connections", "2", "--gzip",
	}
	got := execute(t, args...)
	require.NoError(t, got.err, got.said)
	assert.Contains(t, got.out, "3 families, all of them invented.")
	assert.Regexp(t, `(?m)^ +first evening +2 +3 `, got.out)
	assert.Regexp(t, `(?m)^ +evening +2 +39 `, got.out)
	assert.Contains(t, got.out, "a household held 7.0 evenings on average")
	assert.Contains(t, got.out, "in whole pages (42 evenings)")
	assert.Contains(t, got.out, "Not measured: processor time and memory of a server that was not started for this.")
	assert.Contains(t, got.out, "Of 3 families, all that hold anything, 252 entries had been acknowledged: 0 missing.")

	again := execute(t, args...)
	require.ErrorContains(t, again.err, "there is a clinic in this database")
	assert.Empty(t, again.out)
}

func TestLoadIsBounded(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"nobody":              {[]string{"--households", "0"}, "--households: give 1 to 100000"},
		"a country":           {[]string{"--households", "100001"}, "--households: give 1 to 100000"},
		"no connection":       {[]string{"--connections", "0"}, "--connections: give 1 to 512"},
		"a flood":             {[]string{"--connections", "513"}, "--connections: give 1 to 512"},
		"no upload":           {[]string{"--uploads", "0"}, "--uploads: give 1 to 200000"},
		"too many uploads":    {[]string{"--uploads", "200001"}, "--uploads: give 1 to 200000"},
		"no time":             {[]string{"--duration", "0s"}, "--duration: give 1s to 15m0s"},
		"all day":             {[]string{"--duration", "16m"}, "--duration: give 1s to 15m0s"},
		"no such scenario":    {[]string{"--scenario", "siege"}, "--scenario: give one of evening, first-sync, dashboard, scheduler, all"},
		"another machine":     {[]string{"--server", "https://practice.example.org", "--db", "x.db"}, "--beyond-loopback"},
		"in the clear":        {[]string{"--server", "http://practice.example.org", "--beyond-loopback", "--db", "x.db"}, "can't be called: give such as http://127.0.0.1:8080"},
		"a server's database": {[]string{"--server", "http://127.0.0.1:1"}, "--server wants --db"},
		"whose profiles":      {[]string{"--server", "http://127.0.0.1:1", "--db", "x.db", "--admin-addr", "127.0.0.1:0"}, "--admin-addr"},
		"also far away":       {[]string{"--server", "https://practice.example.org", "--beyond-loopback", "--db", "x.db", "--connections", "513"}, "--connections"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := execute(t, append([]string{"load"}, c.args...)...)
			require.ErrorContains(t, got.err, c.want)
			assert.Empty(t, got.out)
			assert.NoFileExists(t, "x.db")
		})
	}
}

// TestLoadStopsWhenToldTo interrupts a load in the middle: what is under way ends, the server with it, and the figures so far are told.
func TestLoadStopsWhenToldTo(t *testing.T) {
	t.Parallel()
	cmd, out, said := loadChild(t, "--households", "25", "--connections", "2", "--duration", "5m", "--scenario", "evening", "--json")
	folder := t.TempDir()
	cmd.Env = append(cmd.Env, "TMPDIR="+folder)
	require.NoError(t, cmd.Start())
	defer func() { _ = cmd.Process.Kill() }() // nothing once it has ended
	base := ""
	require.Eventually(t, func() bool {
		_, after, _ := strings.Cut(said.String(), "Calls http://")
		base, _, _ = strings.Cut(after, ".\n")
		return strings.Contains(after, "evenings …")
	}, startTime, 5*time.Millisecond)
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	var exit *exec.ExitError
	require.ErrorAs(t, cmd.Wait(), &exit, "%s", said)
	assert.Equal(t, 1, exit.ExitCode(), said)
	assert.Contains(t, said.String(), "stopped before the end")
	r := loadReportIn(t, out.String())
	assert.True(t, r.Stopped)
	assert.Nil(t, r.Verified)
	require.Len(t, r.Scenarios, 1)
	assert.Less(t, r.Scenarios[0].Requests, 25*load.Evenings)
	assert.Empty(t, r.Scenarios[0].Errors)
	_, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", base)
	require.Error(t, err, "the server has ended")
	left, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Empty(t, left, "what was made to be thrown away is gone")
}

// TestAServerDoesNotOutliveItsLoad, not even one that is killed.
func TestAServerDoesNotOutliveItsLoad(t *testing.T) {
	t.Parallel()
	if runtime.GOOS != "linux" {
		t.Skip("only Linux tells a process that the one which started it is gone")
	}
	cmd, _, said := loadChild(t, "--households", "25", "--connections", "2", "--duration", "5m", "--scenario", "evening")
	folder, err := os.MkdirTemp("", "swallowtail-load-test-")
	require.NoError(t, err)
	t.Cleanup(func() {
		assert.Eventually(t, func() bool { return os.RemoveAll(folder) == nil }, stopTime, 10*time.Millisecond) // the server may be closing it
	})
	// The folder that it can't throw away any more is the test's, and the server is not held by its standard input.
	cmd.Env = append(cmd.Env, "TMPDIR="+folder, childVariable+"=1")
	require.NoError(t, cmd.Start())
	base := ""
	require.Eventually(t, func() bool {
		_, after, _ := strings.Cut(said.String(), "Calls http://")
		base, _, _ = strings.Cut(after, ".\n")
		return strings.Contains(after, "evenings …")
	}, startTime, 5*time.Millisecond)
	require.NoError(t, cmd.Process.Kill())
	require.Error(t, cmd.Wait())
	require.Eventually(t, func() bool {
		conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", base)
		if err == nil {
			assert.NoError(t, conn.Close())
		}
		return err != nil
	}, stopTime, 10*time.Millisecond)
}

func TestAReportTellsWhatWaited(t *testing.T) {
	t.Parallel()
	m := load.Measured{
		Name: "evening", Took: 20 * time.Second, Latencies: []time.Duration{time.Second}, Connections: 1,
		Errors: map[string]int{}, Again: map[string]int{"503 /problems/unavailable": 2, "no answer": 1},
		Waited: 4250 * time.Millisecond, Stalled: 3 * time.Second,
	}
	r := loadReport{Households: 1, Scenarios: []scenarioReport{scenarioOf(&m, usage{}, false)}}
	var out strings.Builder
	require.NoError(t, r.write(&out))
	assert.Contains(t, out.String(), "evening: 2 calls had to be made again: 503 /problems/unavailable\n")
	assert.Contains(t, out.String(), "evening: 1 calls had to be made again: no answer\n")
	assert.Contains(t, out.String(), "evening: the longest that anybody waited for one call was 4.2 s, the longest time without any answer 3.0 s.\n")
	require.NoError(t, r.fault(), "to wait is no fault")
}
