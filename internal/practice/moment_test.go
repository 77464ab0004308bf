package practice_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

// TestParseMoment holds the reader to RFC 3339, section 5.6; the leap second is the example of its section 5.8.
func TestParseMoment(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"2027-03-02T19:38:00-04:00":      "2027-03-02T19:38:00-04:00",
		"2027-03-02t19:38:00.5z":         "2027-03-02T19:38:00.5Z",
		"2027-03-02T19:38:00.1239+05:45": "2027-03-02T19:38:00.123+05:45",
		"1990-12-31T23:59:60Z":           "1991-01-01T00:00:00Z",
		"1990-12-31T15:59:60-08:00":      "1990-12-31T16:00:00-08:00",
		"2027-03-02T19:38:00-00:00":      "2027-03-02T19:38:00Z",
	} {
		m, err := practice.ParseMoment(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, m.String(), text)
	}
	for _, text := range []string{
		"", "2027-03-02", "2027-03-02T19:38:00", "2027-03-02T9:38:00Z", "2027-03-02T19:38:00,5Z", "2027-03-02T19:38:00.Z",
		"2027-03-02T19:38:00+24:00", "2027-03-02T19:38:00+05:60", "2027-03-02 19:38:00Z", "2027-02-30T19:38:00Z",
		"0000-01-01T00:00:00Z", "2027-03-02T19:38:00Z ", "2027-03-02T19:61:00Z",
	} {
		_, err := practice.ParseMoment(text)
		require.Error(t, err, text)
	}
}

// TestAClockCenturiesWrong: an entry is never refused for its time, and what is made of it can still be written down.
func TestAClockCenturiesWrong(t *testing.T) {
	t.Parallel()
	const centuries = 250 * 365 * 24 * time.Hour
	at := time.Date(2027, 3, 2, 20, 0, 0, 0, time.UTC)
	for written, offset := range map[string]time.Duration{
		"0001-01-01T00:00:00+23:59": -centuries,
		"0001-01-01T00:00:00-23:59": -centuries,
		"9999-12-31T23:59:59-23:59": centuries,
		"2027-03-02T19:40:00Z":      -centuries,
	} {
		m, err := practice.ParseMoment(written)
		require.NoError(t, err)
		entry := practice.Stamped{
			Entry: practice.Entry{Recorded: m, Body: &practice.Session{Practised: m, Zone: "UTC"}},
			Stamp: practice.Stamp{Received: at, ClockOffset: offset}, Status: practice.Accepted,
			Author: practice.Author{Role: practice.Caregiver},
		}
		v := practice.NewRecord([]practice.Stamped{entry}).Fold(practice.LearnerID{}, nil, nil, at)
		for _, n := range v.Earlier {
			_, err := practice.ParseNight(n.Night.String())
			require.NoError(t, err, n.Night)
			_, err = practice.ParseMoment(n.Sittings[0].Start.String())
			require.NoError(t, err, n.Sittings[0].Start)
		}
		assert.Len(t, v.Earlier, map[bool]int{true: 1, false: 0}[offset < 0], written)
	}
}
