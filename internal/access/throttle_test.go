package access_test

import (
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

func throttleLimits() access.ThrottleLimits {
	return access.ThrottleLimits{
		Free: 2, First: time.Minute, Growth: 2, Ceiling: 5 * time.Minute, Remember: time.Hour, Keys: 3,
	}
}

func TestAThrottlesWaitsGrow(t *testing.T) {
	t.Parallel()
	th, now := access.NewThrottle(throttleLimits()), time.Date(2027, 3, 1, 9, 0, 0, 0, time.UTC)
	assert.Zero(t, th.Wait("a", now))
	for i, want := range []time.Duration{0, 0, 1, 2, 4, 5, 5} {
		th.Fail("a", now)
		assert.Equal(t, want*time.Minute, th.Wait("a", now), "after failure %d", i+1)
		assert.Zero(t, th.Wait("b", now))
	}
	assert.Equal(t, time.Minute, th.Wait("a", now.Add(4*time.Minute)))
	assert.Zero(t, th.Wait("a", now.Add(5*time.Minute)))
	assert.Equal(t, 5*time.Minute, th.Wait("a", now.Add(-time.Hour)), "a clock set back stretches no wait")

	th.Fail("a", now.Add(59*time.Minute))
	assert.Equal(t, 5*time.Minute, th.Wait("a", now.Add(59*time.Minute)), "counted on")
	th.Fail("a", now.Add(2*time.Hour))
	assert.Zero(t, th.Wait("a", now.Add(2*time.Hour)), "forgotten in between")
	th.Fail("a", now.Add(2*time.Hour))
	th.Clear("a")
	th.Fail("a", now.Add(2*time.Hour))
	assert.Zero(t, th.Wait("a", now.Add(2*time.Hour)), "cleared in between")
}

// TestAThrottleRemembersThroughTheLongestWait: a key is not forgotten while it waits.
func TestAThrottleRemembersThroughTheLongestWait(t *testing.T) {
	t.Parallel()
	l := throttleLimits()
	l.Free, l.First, l.Remember = 0, l.Ceiling, time.Second
	th, now := access.NewThrottle(l), time.Date(2027, 3, 1, 9, 0, 0, 0, time.UTC)
	th.Fail("a", now)
	assert.Equal(t, time.Second, th.Wait("a", now.Add(l.Ceiling-time.Second)))
	assert.Zero(t, th.Wait("a", now.Add(l.Ceiling)))
}

// TestAFloodOfKeysForgivesTheHarmlessFirst brings more keys than are kept.
func TestAFloodOfKeysForgivesTheHarmlessFirst(t *testing.T) {
	t.Parallel()
	th, now := access.NewThrottle(throttleLimits()), time.Date(2027, 3, 1, 9, 0, 0, 0, time.UTC)
	fail := func(key string, times int) {
		for range times {
			th.Fail(key, now)
			now = now.Add(time.Millisecond)
		}
	}
	waits := func(key string) bool { return th.Wait(key, now) > 0 }
	fail("guesser", 3)
	fail("old", 2)
	fail("new", 2)
	fail("another", 1)
	fail("new", 1)
	assert.True(t, waits("new"), "the newer of the harmless is kept")
	for i := range 50 {
		fail(strings.Repeat("flood", i), 2)
	}
	assert.True(t, waits("guesser"), "one that waits outlives any number of harmless ones")
	assert.True(t, waits("new"))
	fail("old", 1)
	assert.False(t, waits("old"), "its failures were given up")

	fail("old", 2)
	assert.True(t, waits("old"))
	fail("last", 3)
	assert.False(t, waits("guesser"), "where all wait, the one that failed longest ago goes")
	assert.True(t, waits("old") && waits("new"))

	now = now.Add(2 * time.Hour)
	fail("fresh", 1)
	fail("later", 1)
	fail("fresh", 2)
	assert.True(t, waits("fresh"), "the forgotten go before the harmless")
}

func TestATryIsCountedBeforeItEnds(t *testing.T) {
	t.Parallel()
	th, now := access.NewThrottle(throttleLimits()), time.Date(2027, 3, 1, 9, 0, 0, 0, time.UTC)
	var allowed atomic.Int32
	var tries sync.WaitGroup
	for range 40 {
		tries.Go(func() {
			if th.Take("a", now) == 0 {
				allowed.Add(1)
			}
		})
	}
	tries.Wait()
	assert.EqualValues(t, 3, allowed.Load(), "the free ones, and the one that begins the waits")
	assert.Equal(t, time.Minute, th.Wait("a", now), "a try that was refused is no failure")

	th.Return("a")
	assert.Zero(t, th.Wait("a", now))
	assert.Zero(t, th.Take("a", now))
	assert.Equal(t, time.Minute, th.Take("a", now))
	for range 5 {
		th.Return("a")
		th.Return("never seen")
	}
	for i := range 3 {
		assert.Zero(t, th.Take("a", now), fmt.Sprint("try ", i))
	}
}

// TestReturnLeavesAWaitAsItWas: a try that is taken back neither begins a wait anew nor shortens it.
func TestReturnLeavesAWaitAsItWas(t *testing.T) {
	t.Parallel()
	limits := throttleLimits()
	th, start := access.NewThrottle(limits), time.Date(2027, 3, 1, 9, 0, 0, 0, time.UTC)
	for range limits.Free + 3 {
		th.Fail("a", start)
	}
	wait := th.Wait("a", start)
	over := start.Add(wait)
	require.Zero(t, th.Take("a", over))
	th.Return("a")
	assert.Zero(t, th.Wait("a", over))
	require.Zero(t, th.Take("a", over), "and so the next is not held up")
	assert.Greater(t, th.Wait("a", over), wait, "which counts")
}
