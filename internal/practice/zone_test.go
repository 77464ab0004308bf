package practice

import (
	"crypto/sha256"
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
	return invented(t, rule, []int32{0}, nil)
}

// invented returns a zone of the first offset, in seconds, which goes on to the next with each change, round and round, and
// after the last one follows a yearly rule, if any.
func invented(t testing.TB, rule string, offsets []int32, changes []time.Time) *time.Location {
	t.Helper()
	zone, err := time.LoadLocationFromTZData("Invented/"+rule, append(zoneBlock([]int32{0}, nil), append(zoneBlock(offsets, changes), "\n"+rule+"\n"...)...))
	require.NoError(t, err)
	return zone
}

// zoneBlock is half of a zone file: the first is for readers that know no years after 2037, and read by nobody here (RFC 9636,
// section 3).
func zoneBlock(offsets []int32, changes []time.Time) []byte {
	block := append([]byte("TZif2"), make([]byte, 15)...)
	for _, count := range []int{0, 0, 0, len(changes), len(offsets), 4} { // changes, types, octets of names
		block = binary.BigEndian.AppendUint32(block, uint32(count))
	}
	for _, at := range changes {
		block = binary.BigEndian.AppendUint64(block, uint64(at.Unix()))
	}
	for i := range changes {
		block = append(block, byte((i+1)%len(offsets)))
	}
	for _, offset := range offsets {
		block = append(binary.BigEndian.AppendUint32(block, uint32(offset)), 0, 0)
	}
	return append(block, "ABC\x00"...)
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

func TestRulesOf(t *testing.T) {
	t.Parallel()
	const rule = "AST4ADT,M3.2.0,M11.1.0"
	rules := RulesOf(yearly(t, rule))
	t.Run("names do not count", func(t *testing.T) {
		t.Parallel()
		assert.Equal(t, rules, RulesOf(yearly(t, "<-04>4<-03>3,M3.2.0/2,M11.1.0/2")))
		assert.Equal(t, RulesOf(time.UTC), RulesOf(time.FixedZone("here", 0)))
		for alias, name := range map[string]string{"Asia/Calcutta": "Asia/Kolkata", "America/Godthab": "America/Nuuk", "GB": "Europe/London"} {
			zone, err := LoadZone(name)
			require.NoError(t, err)
			other, err := LoadZone(alias)
			require.NoError(t, err)
			assert.Equal(t, RulesOf(zone), RulesOf(other), name)
		}
	})
	t.Run("how a rule is written down does not count", func(t *testing.T) {
		t.Parallel()
		for _, until := range []int{1970, 1999, 2028, 2037, 2120} {
			zone := invented(t, rule, []int32{-4 * 60 * 60, -3 * 60 * 60}, atlantic(until))
			assert.Equal(t, rules, RulesOf(zone), "written out until %d", until)
		}
	})
	t.Run("what does not move an instant does not count", func(t *testing.T) {
		t.Parallel()
		hour := []int32{60 * 60, 60 * 60, 60 * 60}
		changes := []time.Time{time.Date(1980, time.May, 1, 0, 0, 0, 0, time.UTC), time.Date(2000, time.May, 1, 0, 0, 0, 0, time.UTC)}
		assert.Equal(t, RulesOf(time.FixedZone("", 60*60)), RulesOf(invented(t, "CET-1", hour, changes)))
		long := []time.Time{time.Date(1969, time.December, 31, 23, 59, 59, 0, time.UTC)}
		assert.Equal(t, RulesOf(time.FixedZone("", 60*60)), RulesOf(invented(t, "", []int32{0, 60 * 60}, long)), "before 1970")
		far := []time.Time{time.Date(2100, time.January, 1, 0, 0, 0, 0, time.UTC)}
		assert.Equal(t, RulesOf(time.UTC), RulesOf(invented(t, "", []int32{0, 60 * 60}, far)), "from 2100")
	})
	t.Run("every moved instant counts", func(t *testing.T) {
		t.Parallel()
		last := []time.Time{time.Date(2099, time.December, 31, 23, 59, 59, 0, time.UTC)}
		first := []time.Time{time.Unix(1, 0)}
		seen := map[[sha256.Size]byte]string{}
		for name, zone := range map[string]*time.Location{
			"the rule":                          yearly(t, rule),
			"a week later":                      yearly(t, "AST4ADT,M3.3.0,M11.1.0"),
			"ends a week later":                 yearly(t, "AST4ADT,M3.2.0,M11.2.0"),
			"a second later":                    yearly(t, "AST4ADT,M3.2.0/02:00:01,M11.1.0"),
			"half an hour":                      yearly(t, "AST4ADT3:30,M3.2.0,M11.1.0"),
			"a second further":                  yearly(t, "AST4:00:01ADT,M3.2.0,M11.1.0"),
			"no summer":                         yearly(t, "AST4"),
			"summer for good":                   yearly(t, "ADT3"),
			"written out, then none":            invented(t, "AST4", []int32{-4 * 60 * 60, -3 * 60 * 60}, atlantic(2026)),
			"written out, then summer for good": invented(t, "ADT3", []int32{-4 * 60 * 60, -3 * 60 * 60}, atlantic(2026)[:2*57-1]),
			"UTC":                               time.UTC,
			"on the last second":                invented(t, "", []int32{0, 60 * 60}, last),
			"on the first second":               invented(t, "", []int32{0, 60 * 60}, first),
			"an hour east":                      time.FixedZone("", 60*60),
			"an hour west":                      time.FixedZone("", -60*60),
		} {
			assert.Empty(t, seen[RulesOf(zone)], name)
			seen[RulesOf(zone)] = name
		}
	})
	t.Run("is the same for good", func(t *testing.T) {
		t.Parallel()
		assert.Equal(t, sha256.Sum256(make([]byte, 12)), RulesOf(time.UTC))
		noon := []time.Time{time.Unix(12*60*60, 0)}
		content := []byte{18: 12 * 60 * 60 >> 8, 19: 12 * 60 * 60 & 0xff, 20: 0xff, 21: 0xff, 22: 0xff, 23: 0xff}
		assert.Equal(t, sha256.Sum256(content), RulesOf(invented(t, "", []int32{0, -1}, noon)))
	})
}

// atlantic lists the changes of the rule AST4ADT,M3.2.0,M11.1.0 from 1970 to a year.
func atlantic(until int) []time.Time {
	var changes []time.Time
	for year := 1970; year <= until; year++ {
		march := time.Date(year, time.March, 8, 6, 0, 0, 0, time.UTC)
		november := time.Date(year, time.November, 1, 5, 0, 0, 0, time.UTC)
		changes = append(changes, march.AddDate(0, 0, int(7-march.Weekday())%7), november.AddDate(0, 0, int(7-november.Weekday())%7))
	}
	return changes
}

func BenchmarkRulesOf(b *testing.B) {
	zone := yearly(b, "AST4ADT,M3.2.0,M11.1.0")
	b.ReportAllocs()
	for b.Loop() {
		RulesOf(zone)
	}
}
