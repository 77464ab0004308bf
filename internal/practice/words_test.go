package practice

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestNightsAreWrittenAsDates(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"2027-03-01", "1969-12-31", "0001-01-01", "9999-12-31", "2028-02-29"} {
		n, err := ParseNight(text)
		require.NoError(t, err)
		assert.Equal(t, text, n.String())
	}
	for _, text := range []string{"", "2027-02-29", "2027-3-1", "2027-03-01T00:00:00Z", "27-03-01", "2027-13-01"} {
		_, err := ParseNight(text)
		require.Error(t, err, text)
	}
	assert.Equal(t, Night(0), NightOn(1970, time.January, 1))
	assert.Equal(t, Night(-1), NightOn(1969, time.December, 31))
}

func TestTimesOfDayAreWrittenAsHoursAndMinutes(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]TimeOfDay{"00:00": 0, "04:00": 240, "19:30": 1170, "23:59": 1439} {
		got, err := ParseTimeOfDay(text)
		require.NoError(t, err)
		assert.Equal(t, want, got)
		assert.Equal(t, text, got.String())
	}
	for _, text := range []string{"", "24:00", "4:00", "19:60", "19:30:00", "-1:00"} {
		_, err := ParseTimeOfDay(text)
		require.Error(t, err, text)
	}
}

func TestMomentsKeepTheirOffset(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"2027-03-01T19:40:00-04:00":        "2027-03-01T19:40:00-04:00",
		"2027-03-01T23:40:00Z":             "2027-03-01T23:40:00Z",
		"2027-03-01T19:40:00.5+05:45":      "2027-03-01T19:40:00.5+05:45",
		"2027-03-01T19:40:00.123999-04:00": "2027-03-01T19:40:00.123-04:00",
		"1969-12-31T23:59:59.999Z":         "1969-12-31T23:59:59.999Z",
	} {
		m, err := ParseMoment(text)
		require.NoError(t, err)
		assert.Equal(t, want, m.String())
		assert.False(t, m.IsZero())
	}
	for _, text := range []string{"", "2027-03-01", "2027-03-01T19:40:00", "0000-03-01T19:40:00Z", "2027-02-30T19:40:00Z"} {
		_, err := ParseMoment(text)
		require.Error(t, err, text)
	}
	assert.True(t, Moment{}.IsZero())
}

func TestZonesAreThoseOfTheDatabase(t *testing.T) {
	t.Parallel()
	for range 2 {
		zone, err := LoadZone("Australia/Lord_Howe")
		require.NoError(t, err)
		assert.Equal(t, "Australia/Lord_Howe", zone.String())
		for _, name := range []string{"", "Local", "America/Nowhere", "../etc/passwd"} {
			_, err := LoadZone(name)
			assert.ErrorIs(t, err, errNoZone, name)
		}
	}
}

func TestWordsAreKnown(t *testing.T) {
	t.Parallel()
	for _, p := range Positions() {
		assert.True(t, p.Valid())
	}
	assert.Len(t, Positions(), 5)
	assert.False(t, Position("sideways").Valid())
	for _, o := range Outcomes() {
		assert.True(t, o.Valid())
	}
	assert.False(t, Outcome("").Valid())
	for _, m := range Media() {
		assert.True(t, m.Valid())
	}
	assert.False(t, Medium("jelly").Valid())
	for _, s := range Snags() {
		assert.True(t, s.Valid())
	}
	assert.False(t, Snag("sneeze").Valid())
	for _, r := range ExcuseReasons() {
		assert.True(t, r.Valid())
	}
	assert.False(t, ExcuseReason("lazy").Valid())
	for _, k := range IncidentKinds() {
		assert.True(t, k.Valid())
	}
	assert.False(t, IncidentKind("").Valid())
	assert.True(t, AtHome.Valid())
	assert.True(t, AtClinic.Valid())
	assert.False(t, Setting("school").Valid())
	assert.Equal(t, []string{"caregiver", "clinician", "unknown"}, []string{Caregiver.String(), Clinician.String(), Role(0).String()})
	assert.True(t, Complete.Practised() && Partial.Practised())
	assert.False(t, Attempted.Practised() || Missed.Practised())
}

func TestABodyNamesItsKind(t *testing.T) {
	t.Parallel()
	for kind, body := range map[Kind]Body{
		"session": &Session{}, "try": &Try{}, "excuse": &Excuse{}, "incident": &Incident{}, "retract": &Retract{}, "link": &Link{},
		"settle": &Settle{}, "clear": &Clear{}, "choose": &Choose{}, "positions": &SwitchPositions{}, "review": &Review{},
	} {
		assert.Equal(t, kind, body.Kind())
	}
}
