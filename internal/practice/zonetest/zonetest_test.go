package zonetest_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
	"swallowtail/internal/practice/zonetest"
)

// utc is the file of a zone without rules (RFC 9636, section 3), in base64.
const utc = "VFppZjIAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAQAAAAQAAAAAAABVVEMA" +
	"VFppZjIAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAQAAAAQAAAAAAABVVEMAClVUQzAK"

const small = "# Written by hand.\ntimes 19:30 00:15\nturns 04:00\nzone Etc/UTC\nfile " + utc +
	"\n2027-03-01 2027-03-02 1170 15 / 1680\n2027-03-03 2027-03-03 1170 15 / 1680;-1;2\n"

func TestParse(t *testing.T) {
	t.Parallel()
	a, err := zonetest.Parse(small)
	require.NoError(t, err)
	assert.Equal(t, "Written by hand.", a.Source)
	assert.Equal(t, []practice.TimeOfDay{19*60 + 30, 15}, a.Times)
	assert.Equal(t, []practice.TimeOfDay{4 * 60}, a.Turns)
	require.Len(t, a.Zones, 1)
	zone := &a.Zones[0]
	assert.Equal(t, "Etc/UTC", zone.Location.String())
	first := practice.NightOn(2027, time.March, 1)
	assert.Equal(t, first, zone.First())
	assert.Equal(t, first+2, zone.Last())
	assert.Same(t, zone.On(first), zone.On(first+1))
	assert.NotSame(t, zone.On(first+1), zone.On(first+2))
	assert.Equal(t, time.Date(2027, time.March, 2, 0, 15, 0, 0, time.UTC), zone.On(first+1).Shown(first+1, 1))
	at := time.Date(2027, time.March, 3, 4, 0, 0, 0, time.UTC)
	assert.Equal(t, zonetest.Border{At: at, Before: first + 1, From: first + 2}, zone.On(first+1).Closes(first+1, 0))
	at = at.AddDate(0, 0, 1)
	assert.Equal(t, zonetest.Border{At: at, Before: first + 1, From: first + 4}, zone.On(first+2).Closes(first+2, 0))
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	for name, change := range map[string][2]string{
		"a date between":   {"2027-03-01 2027-03-02", "2027-03-01 2027-03-01"},
		"a date twice":     {"2027-03-03 2027-03-03", "2027-03-02 2027-03-03"},
		"the end first":    {"2027-03-01 2027-03-02", "2027-03-01 2027-02-02"},
		"no date":          {"2027-03-01 2027-03-02", "2027-03-01 2027-02-30"},
		"a column less":    {"1170 15 / 1680\n", "1170 / 1680\n"},
		"no mark":          {"15 / 1680\n", "15 - 1680\n"},
		"no minutes":       {"1170 15", "1170 00:15"},
		"one night":        {"1680;-1;2", "1680;-1"},
		"no night":         {"1680;-1;2", "1680;-1;x"},
		"no file":          {"file " + utc + "\n", ""},
		"half a file":      {utc, utc[:120]},
		"no time of day":   {"19:30", "1930"},
		"no zone":          {"zone Etc/UTC\n", ""},
		"a zone of no day": {small, small + "zone Etc/GMT\nfile " + utc + "\n"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Contains(t, small, change[0])
			_, err := zonetest.Parse(strings.Replace(small, change[0], change[1], 1))
			require.Error(t, err)
		})
	}
}
