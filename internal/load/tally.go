package load

import (
	"math"
	"slices"
	"time"
)

// tally is what one line has counted.
type tally struct {
	latencies []time.Duration
	answered  []time.Time // when each of these calls was answered
	waited    time.Duration
	errors    map[string]int
	again     map[string]int
	evenings  int
	history   int // how many evenings there were before each call that handed some in, in all
}

func newTally() *tally { return &tally{errors: map[string]int{}, again: map[string]int{}} }

// took notes that a call was answered, after how long.
func (t *tally) took(d time.Duration, at time.Time) {
	t.latencies, t.answered = append(t.latencies, d), append(t.answered, at)
}

// done notes how long a call kept whoever made it waiting, with all that it took to make it again.
func (t *tally) done(d time.Duration)  { t.waited = max(t.waited, d) }
func (t *tally) failed(kind string)    { t.errors[kind]++ }
func (t *tally) madeAgain(kind string) { t.again[kind]++ }

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
	Again     map[string]int  // how often a call had to be made again, by the kind of failure before that
	// Waited is the longest that anybody waited for one call to be answered or given up, through all that was tried.
	Waited time.Duration
	// Stalled is the longest time in which no call at all was answered, on any line.
	Stalled  time.Duration
	Sent     int64 // octets, headers included
	Received int64
	// History is how many evenings a household held on average when another was handed in; 0 where none was.
	History float64
	// Connections is how many there were.
	Connections int
}

// gather adds up what lines have counted since they began, and makes them count anew.
func (m *Measured) gather(lines []*line, began time.Time) {
	m.Errors, m.Again, m.Connections = map[string]int{}, map[string]int{}, len(lines)
	var answered []time.Time
	for _, l := range lines {
		t := l.counted
		m.Latencies = append(m.Latencies, t.latencies...)
		answered = append(answered, t.answered...)
		m.Waited = max(m.Waited, t.waited)
		m.Evenings += t.evenings
		m.History += float64(t.history)
		add(m.Errors, t.errors)
		add(m.Again, t.again)
		m.Sent += l.octets.sent.Swap(0)
		m.Received += l.octets.received.Swap(0)
		l.counted = newTally()
	}
	slices.Sort(m.Latencies)
	m.Stalled = longestGap(began, began.Add(m.Took), answered)
	if m.Evenings > 0 {
		m.History /= float64(m.Evenings)
	}
}

func add(to, counts map[string]int) {
	for kind, n := range counts {
		to[kind] += n
	}
}

// longestGap returns the longest time from a beginning to an end within which there was no instant.
func longestGap(from, to time.Time, instants []time.Time) (longest time.Duration) {
	last := from
	for _, at := range append(slices.SortedFunc(slices.Values(instants), time.Time.Compare), to) {
		longest = max(longest, at.Sub(last))
		last = at
	}
	return longest
}

// Failed returns how many calls were given up.
func (m *Measured) Failed() int { return sum(m.Errors) }

// Retries returns how often a call had to be made again.
func (m *Measured) Retries() int { return sum(m.Again) }

func sum(counts map[string]int) (n int) {
	for _, of := range counts {
		n += of
	}
	return n
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
