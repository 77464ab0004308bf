package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// trouble is what a bad network does to one call.
type trouble string

const (
	noTrouble   trouble = "none"
	refusedCall trouble = "refused"      // nobody answers
	slowCall    trouble = "slow"         // both ways in small pieces
	cutRequest  trouble = "cut request"  // a part of the request arrives
	cutAnswer   trouble = "cut answer"   // a part of the answer arrives
	lostAnswer  trouble = "lost answer"  // nothing of it does
	heldAnswer  trouble = "held answer"  // nothing of it does, until the phone has given up
	doubledCall trouble = "doubled"      // the request arrives twice at the same time
	lateDoubled trouble = "late doubled" // the request arrives again after the next one
)

func everyTrouble() []trouble {
	return []trouble{refusedCall, slowCall, cutRequest, cutAnswer, lostAnswer, heldAnswer, doubledCall, lateDoubled}
}

// network is the way of one phone to a server. It does to the calls, one connection each, what it was told to, in turn.
type network struct {
	base  string // where the phone calls
	to    string // the server's address
	close func() // waits for what is under way
	work  sync.WaitGroup

	mu       sync.Mutex
	troubles []trouble // to come
	met      map[trouble]int
	requests [][]byte // as they were sent
	late     []byte   // a request that is to arrive again
	failures []error  // on the server's side
	r        *rand.Rand
}

// newNetwork opens a way to a server until the test ends.
func newNetwork(t *testing.T, r *rand.Rand, base string, troubles []trouble) *network {
	t.Helper()
	var lc net.ListenConfig
	listener, err := lc.Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	n := &network{
		base: "http://" + listener.Addr().String(), to: strings.TrimPrefix(base, "http://"),
		troubles: troubles, met: map[trouble]int{}, r: r,
	}
	n.work.Go(func() {
		for {
			phone, err := listener.Accept()
			if err != nil {
				return // closed
			}
			n.work.Go(func() { n.carry(context.WithoutCancel(t.Context()), phone) })
		}
	})
	n.close = sync.OnceFunc(func() {
		require.NoError(t, listener.Close())
		n.work.Wait()
	})
	t.Cleanup(n.close)
	return n
}

// left returns how many calls a trouble is still in store for.
func (n *network) left() int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return len(n.troubles)
}

// next takes the trouble that a call meets, and says how much of a message arrives where it is cut.
func (n *network) next() (what trouble, share float64) {
	n.mu.Lock()
	defer n.mu.Unlock()
	what = noTrouble
	if len(n.troubles) > 0 {
		what, n.troubles = n.troubles[0], n.troubles[1:]
	}
	n.met[what]++
	return what, n.r.Float64()
}

// carry carries one call.
func (n *network) carry(ctx context.Context, phone net.Conn) {
	defer func() { _ = phone.Close() }() // here and below: the phone may be gone, and nobody left to tell
	ctx, cancel := context.WithTimeout(ctx, startTime)
	defer cancel()
	what, share := n.next()
	if what == refusedCall {
		return
	}
	request, err := readRequest(phone)
	if err != nil {
		return // the phone has given up
	}
	late := n.keep(request, what == lateDoubled)
	switch what {
	case cutRequest:
		n.exchange(ctx, request[:1+int(share*float64(len(request)-1))], cut)
	case slowCall:
		_ = trickle(phone, n.exchange(ctx, request, trickle))
	case doubledCall:
		var twin sync.WaitGroup
		twin.Go(func() { n.exchange(ctx, request, write) })
		_ = write(phone, n.exchange(ctx, request, write))
		twin.Wait()
	case cutAnswer:
		answer := n.exchange(ctx, request, write)
		_ = write(phone, answer[:int(share*float64(len(answer)))])
	case lostAnswer:
		n.exchange(ctx, request, write)
	case heldAnswer:
		n.exchange(ctx, request, write)
		_, _ = io.Copy(io.Discard, phone) // until the phone has given up
	case noTrouble, lateDoubled, refusedCall:
		_ = write(phone, n.exchange(ctx, request, write))
	}
	if late != nil {
		n.exchange(ctx, late, write)
	}
}

// keep notes a request, and returns one that is to arrive again after it.
func (n *network) keep(request []byte, again bool) (late []byte) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.requests = append(n.requests, request)
	late, n.late = n.late, nil
	if again {
		n.late = request
	}
	return late
}

func (n *network) fail(err error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.failures = append(n.failures, err)
}

// exchange sends a request in one way or another and returns the answer as it came.
func (n *network) exchange(ctx context.Context, request []byte, send func(to net.Conn, message []byte) error) []byte {
	server, err := (&net.Dialer{}).DialContext(ctx, "tcp", n.to)
	if err != nil {
		n.fail(err)
		return nil
	}
	defer func() { _ = server.Close() }() // where it is cut it is closed already
	if err := send(server, request); err != nil {
		n.fail(err)
		return nil
	}
	answer, err := io.ReadAll(server) // the phone has asked for the connection to be closed
	if err != nil && !errors.Is(err, net.ErrClosed) {
		n.fail(err)
	}
	return answer
}

// cut writes, and closes the connection at once.
func cut(to net.Conn, message []byte) error { return errors.Join(write(to, message), to.Close()) }

func write(to net.Conn, message []byte) error {
	_, err := to.Write(message)
	return err
}

// trickle writes in twenty pieces.
func trickle(to net.Conn, message []byte) error {
	size := max(1, len(message)/20)
	for len(message) > 0 {
		size = min(size, len(message))
		if err := write(to, message[:size]); err != nil {
			return err
		}
		message = message[size:]
		time.Sleep(5 * time.Millisecond)
	}
	return nil
}

// readRequest returns a request as it was sent.
func readRequest(phone net.Conn) ([]byte, error) {
	var raw bytes.Buffer
	request, err := http.ReadRequest(bufio.NewReader(io.TeeReader(phone, &raw)))
	if err != nil {
		return nil, err
	}
	_, err = io.Copy(io.Discard, request.Body)
	return raw.Bytes(), err
}
