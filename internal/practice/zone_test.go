package practice

import (
	"encoding/binary"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// yearly returns an invented zone that has always followed a yearly rule, written as POSIX's TZ. Zone files cut short of the
// years in which a rule holds, as the ones built into the program are, end in such a one.
func yearly(t testing.TB, rule string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocationFromTZData("Invented/"+rule, yearlyData(rule))
	require.NoError(t, err)
	return zone
}

// yearlyData is the file of such a zone: two blocks, for readers old and new, of one type of local time each, and the rule
// (RFC 9636, section 3).
func yearlyData(rule string) []byte {
	var file []byte
	for range 2 {
		file = append(append(file, "TZif2"...), make([]byte, 15)...)
		for _, count := range []uint32{0, 0, 0, 0, 1, 4} { // one type, and four octets of names
			file = binary.BigEndian.AppendUint32(file, count)
		}
		file = append(append(file, make([]byte, 6)...), "UTC\x00"...)
	}
	return append(file, "\n"+rule+"\n"...)
}

// TestNightsAroundTheTurnOfAYear: in leap years too, in zones that follow a rule.
func TestNightsAroundTheTurnOfAYear(t *testing.T) {
	t.Parallel()
	for rule, offset := range map[string]time.Duration{
		"AST4ADT,M3.2.0,M11.1.0":                       -4 * time.Hour,
		"<+1030>-10:30<+11>-11,M10.1.0,M4.1.0":         11 * time.Hour,
		"<+12>-12<+13>,M11.1.0,M1.2.3/147":             13 * time.Hour,
		"<-02>2<-01>,M3.5.0/-1,M10.5.0/0":              -2 * time.Hour,
		"<+1245>-12:45<+1345>,M9.5.0/2:45,M4.1.0/3:45": 13*time.Hour + 45*time.Minute,
		"UTC0": 0,
	} {
		t.Run(rule, func(t *testing.T) {
			t.Parallel()
			zone := yearly(t, rule)
			for year := 2024; year <= 2100; year++ {
				for hour := range 8 * 24 {
					at := time.Date(year, time.December, 27, hour, 0, 0, 0, time.UTC).In(zone)
					until := offsetHolds(at)
					require.True(t, until.IsZero() || until.After(at), "at %s", at)
				}
				for day := range 8 {
					night := NightOn(year, time.December, 27+day)
					want := night.date().Add(4*time.Hour - offset)
					require.Equal(t, want.Format(time.RFC3339), InstantAt(night, 4*60, zone).UTC().Format(time.RFC3339), "%s", night)
					assert.Equal(t, night-1, NightAt(want.Add(-time.Second), 4*60, zone), "%s", night)
					assert.Equal(t, night, NightAt(want, 4*60, zone), "%s", night)
				}
			}
		})
	}
}
