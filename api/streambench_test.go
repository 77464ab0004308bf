package api_test

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http/httptest"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/store/postgres/postgrestest"
)

// The test binary is the other end too: started with this variable, which names a server's address, it listens there with
// each token that it reads, so that what listeners cost in a measured server does not mix with what they cost themselves.
const listenersVariable = "SWALLOWTAIL_TEST_LISTENERS_AT"

func TestMain(m *testing.M) {
	if address := os.Getenv(listenersVariable); address != "" {
		if err := listenAt(address, os.Stdin, os.Stdout); err != nil {
			panic(err)
		}
		return
	}
	m.Run() // its result is the test binary's
	if err := postgrestest.Return(); err != nil {
		panic(err)
	}
}

// listenAt opens a connection for each line of in, a token, and says when each has heard where things stand. It keeps them
// until in ends.
func listenAt(address string, in io.Reader, out io.Writer) error {
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		conn, err := net.Dial("tcp", address) //nolint:gosec // the benchmark says where
		if err != nil {
			return err
		}
		defer func() { _ = conn.Close() }()
		request := "GET " + streamPath + " HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + lines.Text() + "\r\n\r\n"
		if _, err := io.WriteString(conn, request); err != nil {
			return err
		}
		heard := bufio.NewReader(conn)
		for line := ""; !strings.HasPrefix(line, "data: "); {
			if line, err = heard.ReadString('\n'); err != nil {
				return err
			}
		}
		if _, err := fmt.Fprintln(out, "listening"); err != nil {
			return err
		}
	}
	return lines.Err()
}

// listeners are listeners of a server, in a process of their own.
type listeners struct {
	b    *testing.B
	cmd  *exec.Cmd
	in   io.WriteCloser
	said *bufio.Scanner
}

func newListeners(b *testing.B, address string) *listeners {
	b.Helper()
	self, err := os.Executable()
	require.NoError(b, err)
	l := &listeners{b: b, cmd: exec.CommandContext(b.Context(), self)}
	l.cmd.Env = append(os.Environ(), listenersVariable+"="+address)
	l.cmd.Stderr, l.cmd.WaitDelay = b.Output(), time.Minute
	l.in, err = l.cmd.StdinPipe()
	require.NoError(b, err)
	out, err := l.cmd.StdoutPipe()
	require.NoError(b, err)
	l.said = bufio.NewScanner(out)
	require.NoError(b, l.cmd.Start())
	return l
}

func (l *listeners) listen(tokens []string) {
	for _, token := range tokens {
		_, err := io.WriteString(l.in, token+"\n")
		require.NoError(l.b, err)
		require.True(l.b, l.said.Scan(), "the listener has ended: %v", l.said.Err())
	}
}

func (l *listeners) leave() {
	require.NoError(l.b, l.in.Close())
	require.NoError(l.b, l.cmd.Wait())
}

// households opens households with one device each and returns a token for each device.
func (s *site) households(count int) []string {
	s.t.Helper()
	tokens := make([]string, count)
	for i := range tokens {
		p := access.Principal{Role: access.RoleDevice, ClinicID: s.id}
		household, err := s.service.CreateHousehold(s.t.Context(), s.clinician.principal, "blue folder", start)
		require.NoError(s.t, err)
		invite, err := s.service.CreateInvite(s.t.Context(), s.clinician.principal, household.ID, uuid.Nil, start)
		require.NoError(s.t, err)
		device, err := s.service.EnrolDevice(s.t.Context(), clinic.NewDevice{Code: invite.Code, Name: "Papa", Device: "phone", Platform: "ios"}, start)
		require.NoError(s.t, err)
		p.HouseholdID, p.CaregiverID, p.DeviceID = household.ID, device.Device.Caregiver, device.Device.ID
		p.Session = device.Tokens.Session
		tokens[i] = who{house: s.house, principal: p}.token()
	}
	return tokens
}

// inUse returns the bytes of the heap that are reachable, those of the stacks, and the number of goroutines.
func inUse() (heap, stacks uint64, goroutines int) {
	for range 3 { // what is pooled goes with the second, and stacks shrink
		runtime.GC()
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc, m.StackInuse, runtime.NumGoroutine()
}

// BenchmarkListeners opens 500 idle listeners over real connections, each of another household, and reports what each costs
// this process, which is the server alone: its heap and its stacks. What the kernel keeps for a connection is beside that.
func BenchmarkListeners(b *testing.B) {
	const count = 500
	s := newHouse(b).newSite("north")
	server := httptest.NewUnstartedServer(s.handler)
	server.Config.ReadTimeout, server.Config.WriteTimeout = 30*time.Second, time.Minute // as the program has them
	server.Start()
	b.Cleanup(server.Close)
	tokens := s.households(count)
	address := strings.TrimPrefix(server.URL, "http://")
	quiet := runtime.NumGoroutine()
	warm := newListeners(b, address)
	warm.listen(tokens[:10])
	warm.leave()
	eventually(b, func() bool { return runtime.NumGoroutine() <= quiet })
	var heap, stacks, goroutines float64
	for b.Loop() {
		b.StopTimer()
		l := newListeners(b, address)
		heapBefore, stacksBefore, before := inUse()
		b.StartTimer()
		l.listen(tokens)
		b.StopTimer()
		heapAfter, stacksAfter, after := inUse()
		heap, stacks = float64(heapAfter-heapBefore)/count, float64(stacksAfter-stacksBefore)/count
		goroutines = float64(after-before) / count
		l.leave()
		eventually(b, func() bool { return runtime.NumGoroutine() <= quiet })
		b.StartTimer()
	}
	b.ReportMetric(heap+stacks, "B/listener")
	b.ReportMetric(heap, "heap-B/listener")
	b.ReportMetric(stacks, "stack-B/listener")
	b.ReportMetric(goroutines, "goroutines/listener")
}
