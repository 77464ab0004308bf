package load

import (
	"math"
	"slices"
	"time"
)

// tally is what one line has counted.
type tally struct {
	latencies []time.Duration
	errors    map[string]int
	retries   int
	evenings  int
	history   int // how many evenings there were before each call that handed some in, in all
}

func newTally() *tally { return &tally{errors: map[string]int{}} }

func (t *tally) took(d time.Duration) { t.latencies = append(t.latencies, d) }
func (t *tally) failed(kind string)   { t.errors[kind]++ }
func (t *tally) retried()             { t.retries++ }

func (t *tally) handedIn(evenings, before int) {
	t.evenings += evenings
	t.history += before
}

// Measured is what came of one kind of call.
type Measured struct {
	Name      string
	Took      time.Duration   // from the first call to the end of the last
	Latencies []time.Duration // of every call that was answered with 200, in order of length
	Evenings  int             // how many were handed in and acknowledged
	Errors    map[string]int  // calls given up, by kind
	Retries   int
	Sent      int64 // octets, headers included
	Received  int64
	// History is how many evenings a household held on average when another was handed in; 0 where none was.
	History float64
	// Connections is how many there were.
	Connections int
}

// gather adds up what lines have counted, and makes them count anew.
func (m *Measured) gather(lines []*line) {
	m.Errors, m.Connections = map[string]int{}, len(lines)
	for _, l := range lines {
		t := l.counted
		m.Latencies = append(m.Latencies, t.latencies...)
		m.Evenings += t.evenings
		m.Retries += t.retries
		m.History += float64(t.history)
		for kind, n := range t.errors {
			m.Errors[kind] += n
		}
		m.Sent += l.octets.sent.Swap(0)
		m.Received += l.octets.received.Swap(0)
		l.counted = newTally()
	}
	slices.Sort(m.Latencies)
	if m.Evenings > 0 {
		m.History /= float64(m.Evenings)
	}
}

// Failed returns how many calls were given up.
func (m *Measured) Failed() int {
	sum := 0
	for _, n := range m.Errors {
		sum += n
	}
	return sum
}

// PerSecond returns how many of n there were in each second.
func (m *Measured) PerSecond(n int) float64 {
	if m.Took <= 0 {
		return 0
	}
	return float64(n) / m.Took.Seconds()
}

// Quantile returns the least latency that at least a part q, above 0 and at most 1, of the calls did not exceed (the nearest rank,
// exact, since every latency is kept); 0 where there are none.
func (m *Measured) Quantile(q float64) time.Duration {
	if len(m.Latencies) == 0 {
		return 0
	}
	rank := int(math.Ceil(q * float64(len(m.Latencies))))
	return m.Latencies[min(max(rank, 1), len(m.Latencies))-1]
}
