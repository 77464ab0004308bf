package practice

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// zoneValues is one file of testdata/zones, written by the script beside it.
type zoneValues struct {
	Zone   string
	Source string
	Cases  []zoneCase
}

type zoneCase struct {
	Change     string
	TurnsAt    string                             `json:"turns_at"`
	FirstShown []struct{ Night, Time, At string } `json:"first_shown"`
	Tonight    []struct{ At, Night string }
	Practised  []struct{ At, Night string }
}

func TestNightsAgreeWithPythonsReadingOfTheZoneDatabase(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/zones/*.json")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 20)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			values := readZone(t, file)
			zone, err := LoadZone(values.Zone)
			require.NoError(t, err)
			require.NotEmpty(t, values.Cases)
			require.Contains(t, values.Source, "IANA time zone database 20", "the version is named")
			for _, c := range values.Cases {
				c.check(t, values.Zone, zone)
			}
		})
	}
}

func readZone(t *testing.T, file string) zoneValues {
	t.Helper()
	content, err := os.ReadFile(file)
	require.NoError(t, err)
	var values zoneValues
	require.NoError(t, json.Unmarshal(content, &values))
	return values
}

func (c zoneCase) check(t *testing.T, name string, zone *time.Location) {
	t.Helper()
	turns, err := ParseTimeOfDay(c.TurnsAt)
	require.NoError(t, err)
	require.NotEmpty(t, c.FirstShown)
	for _, want := range c.FirstShown {
		at, err := ParseTimeOfDay(want.Time)
		require.NoError(t, err)
		night := nightOn(t, want.Night)
		assert.Equal(t, want.At, InstantAt(night, at, zone).UTC().Format(time.RFC3339), "%s %s", want.Night, want.Time)
		assert.Equal(t, want.At, (night-1).Closes(at, zone).UTC().Format(time.RFC3339), "the eve of %s closes", want.Night)
	}
	require.NotEmpty(t, c.Tonight)
	for _, want := range c.Tonight {
		assert.Equal(t, want.Night, NightAt(instant(t, want.At), turns, zone).String(), "tonight at %s, turning at %s", want.At, c.TurnsAt)
	}
	require.NotEmpty(t, c.Practised)
	for _, want := range c.Practised {
		m := moment(t, want.At)
		assert.Equal(t, want.Night, NightOf(m, turns).String(), "practised at %s, turning at %s", want.At, c.TurnsAt)
		assert.True(t, offsetKnown(m, name), "%s is an offset of %s", want.At, name)
		assert.Equal(t, m, MomentOf(m.Time().In(zone)))
	}
}

// The night that runs never runs backwards, begins when it says and ends when the next begins.
func TestTonightIsTheNightThatHasBegunAndNotClosed(t *testing.T) {
	t.Parallel()
	for _, name := range []string{
		"America/Halifax", "Antarctica/Casey", "Antarctica/Troll", "Australia/Lord_Howe", "Pacific/Apia", "Pacific/Kwajalein",
	} {
		for _, turns := range []TimeOfDay{0, 150, 240, 1439} {
			t.Run(name+" "+turns.String(), func(t *testing.T) {
				t.Parallel()
				zone, err := LoadZone(name)
				require.NoError(t, err)
				for _, start := range []string{"1993-08-15T00:00:00Z", "2011-12-25T00:00:00Z", "2018-03-05T00:00:00Z", "2018-10-01T00:00:00Z"} {
					checkTonight(t, instant(t, start), turns, zone)
				}
			})
		}
	}
}

// checkTonight looks at every ten minutes of twelve days.
func checkTonight(t *testing.T, start time.Time, turns TimeOfDay, zone *time.Location) {
	t.Helper()
	before := NightAt(start, turns, zone)
	for i := range 12 * 24 * 6 {
		at := start.Add(time.Duration(i) * 10 * time.Minute)
		tonight := NightAt(at, turns, zone)
		require.GreaterOrEqual(t, tonight, before, "at %s", at)
		require.False(t, tonight.Begins(turns, zone).After(at), "%s has begun at %s", tonight, at)
		require.True(t, tonight.Closes(turns, zone).After(at), "%s has not closed at %s", tonight, at)
		before = tonight
	}
}
