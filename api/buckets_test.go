package api

import (
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// These look at the tables themselves.

var instant = time.Date(2027, time.March, 1, 22, 0, 0, 0, time.UTC)

// TestATableOfBucketsIsBounded has somebody call from ever new addresses.
func TestATableOfBucketsIsBounded(t *testing.T) {
	t.Parallel()
	const most = 100
	b, err := newBuckets[int](Rate{PerSecond: 1, Burst: 1}, most)
	require.NoError(t, err)
	const regular = -1
	require.Zero(t, b.take(regular, instant))
	for n := range 10 * most {
		require.Zero(t, b.take(n, instant))
		require.Positive(t, b.take(regular, instant), "whoever goes on calling is not forgotten")
	}
	assert.Equal(t, most, b.table.Len())
}

// TestAClockThatIsSetBack has nobody wait until it is that late again, and calls that overtake each other gain nothing.
func TestAClockThatIsSetBack(t *testing.T) {
	t.Parallel()
	b, err := newBuckets[int](Rate{PerSecond: 1, Burst: 1}, 1)
	require.NoError(t, err)
	require.Zero(t, b.take(0, instant))
	for range 5 {
		require.Positive(t, b.take(0, instant.Add(-time.Second)))
	}
	require.Zero(t, b.take(0, instant.Add(-time.Hour)))
	require.Positive(t, b.take(0, instant.Add(-time.Hour)))
	require.Zero(t, b.take(0, instant.Add(-time.Hour+time.Second)))
}

// TestUsualLimitsHurtNobody reckons with those of whom the limits speak, each all at once.
func TestUsualLimitsHurtNobody(t *testing.T) {
	t.Parallel()
	fresh := func() *limiter {
		l, err := newLimiter(UsualLimits(), nil)
		require.NoError(t, err)
		return l
	}
	shared := access.Network(netip.MustParseAddr("192.0.2.1"))

	clinic := fresh()
	for clinician := range 10 {
		for range 3 {
			require.Zero(t, clinic.guesses.take(guess{shared, "signIn"}, instant))
		}
		for range 1 + 40*4 {
			require.Zero(t, clinic.address.take(shared, instant))
			require.Zero(t, clinic.callers.take(string(rune(clinician)), instant))
		}
	}

	scheduler := fresh()
	for range 101 {
		require.Zero(t, scheduler.address.take(shared, instant))
		require.Zero(t, scheduler.callers.take("token", instant))
	}

	carrier, at := fresh(), instant
	for range 10_000 { // of a thousand families, evenly over a quarter of an hour
		at = at.Add(15 * time.Minute / 10_000)
		require.Zero(t, carrier.address.take(shared, at))
	}
}
