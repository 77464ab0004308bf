package practice

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestNightIsTheDateOnTheWallWithTheDayTurningAtFour(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ practised, night string }{
		"evening":                        {"2027-03-01T19:40:00-04:00", "2027-03-01"},
		"a minute before four":           {"2027-03-02T03:59:59-04:00", "2027-03-01"},
		"four":                           {"2027-03-02T04:00:00-04:00", "2027-03-02"},
		"midnight":                       {"2027-03-02T00:00:00-04:00", "2027-03-01"},
		"new year":                       {"2028-01-01T01:00:00-04:00", "2027-12-31"},
		"leap day":                       {"2028-03-01T03:00:00-04:00", "2028-02-29"},
		"spring, before the change":      {"2027-03-14T01:59:00-04:00", "2027-03-13"},
		"spring, after the change":       {"2027-03-14T03:01:00-03:00", "2027-03-13"},
		"spring, at four":                {"2027-03-14T04:00:00-03:00", "2027-03-14"},
		"spring, evening":                {"2027-03-14T19:40:00-03:00", "2027-03-14"},
		"autumn, first half past one":    {"2027-11-07T01:30:00-03:00", "2027-11-06"},
		"autumn, second half past one":   {"2027-11-07T01:30:00-04:00", "2027-11-06"},
		"autumn, a minute before four":   {"2027-11-07T03:59:00-04:00", "2027-11-06"},
		"Adelaide in winter":             {"2027-07-02T03:59:00+09:30", "2027-07-01"},
		"Adelaide in summer":             {"2027-12-02T04:00:00+10:30", "2027-12-02"},
		"Kolkata":                        {"2027-03-02T03:59:00+05:30", "2027-03-01"},
		"Kathmandu":                      {"2027-03-02T04:00:00+05:45", "2027-03-02"},
		"Lord Howe, first quarter to 2":  {"2027-04-04T01:45:00+11:00", "2027-04-03"},
		"Lord Howe, second quarter to 2": {"2027-04-04T01:45:00+10:30", "2027-04-03"},
		"Samoa before the date line":     {"2011-12-29T20:00:00-10:00", "2011-12-29"},
		"Samoa after the date line":      {"2011-12-31T20:00:00+14:00", "2011-12-31"},
		"long before 1970":               {"1969-12-31T03:59:59Z", "1969-12-30"},
		"a half second before four":      {"1969-12-31T03:59:59.5Z", "1969-12-30"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.Equal(t, c.night, NightOf(moment(t, c.practised), 4*60).String())
		})
	}
}

func TestNightTurnsAtThePlansHour(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.enrolments[0].Plan.TurnsAt = 5 * 60
	s.caregiver("mum").session("2027-03-03T04:59:00-04:00").everyPosition(Swallowed, 4)
	assert.Equal(t, []string{"2027-03-02"}, practisedNights(s.told()))
	assert.Equal(t, "o-------------", line(s.asOf("2027-03-02T04:30:00-04:00").Current()), "the first night still runs")
}

func TestNightsCloseAtHomeAcrossAChangeOfClock(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ zone, night, closes string }{
		"before spring":       {"America/Halifax", "2027-03-12", "2027-03-13T08:00:00Z"},
		"a night of 23 hours": {"America/Halifax", "2027-03-13", "2027-03-14T07:00:00Z"},
		"a night of 25 hours": {"America/Halifax", "2027-11-06", "2027-11-07T08:00:00Z"},
		"Adelaide":            {"Australia/Adelaide", "2027-04-03", "2027-04-03T18:30:00Z"},
		"Lord Howe":           {"Australia/Lord_Howe", "2027-04-03", "2027-04-03T17:30:00Z"},
		"Kolkata":             {"Asia/Kolkata", "2027-04-03", "2027-04-03T22:30:00Z"},
		"Samoa's last night before the date line closes with the day": {"Pacific/Apia", "2011-12-29", "2011-12-30T10:00:00Z"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			zone, err := LoadZone(c.zone)
			require.NoError(t, err)
			e := Enrolment{Plan: DefaultPlan(), Zone: zone}
			night := nightOn(t, c.night)
			closes := e.Closes(night)
			assert.Equal(t, c.closes, closes.UTC().Format(time.RFC3339))
			assert.Equal(t, closes, night.Closes(4*60, zone))
			assert.Equal(t, closes, (night+1).Begins(4*60, zone))
		})
	}
}

func TestFortnightAcrossAChangeOfClockHasFourteenNights(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		zone, first string
		evenings    []string // a try each, around the change
		line        string
	}{
		"Halifax springs forward": {
			"America/Halifax", "2027-03-01",
			[]string{"2027-03-13T19:40:00-04:00", "2027-03-14T19:40:00-03:00"},
			"MMMMMMMMMMMMPP",
		},
		"Halifax falls back, practice long after midnight": {
			"America/Halifax", "2027-10-30",
			[]string{"2027-11-07T01:30:00-03:00", "2027-11-08T03:30:00-04:00"},
			"MMMMMMMPPMMMMM",
		},
		"Lord Howe falls back by half an hour": {
			"Australia/Lord_Howe", "2027-04-01",
			[]string{"2027-04-03T20:00:00+11:00", "2027-04-05T03:59:00+10:30"},
			"MMPPMMMMMMMMMM",
		},
		"Adelaide springs forward": {
			"Australia/Adelaide", "2027-10-01",
			[]string{"2027-10-02T23:00:00+09:30", "2027-10-03T23:00:00+10:30"},
			"MPPMMMMMMMMMMM",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			s.enrolments = nil
			s.enrol(c.first, c.zone)
			mum := s.caregiver("mum")
			for _, evening := range c.evenings {
				mum.sessionIn(evening, c.zone).try(Left, 1, Swallowed, 4)
			}
			s.heard(mum, "2027-12-24T12:00:00Z")
			v := s.asOf("2027-12-24T12:00:00Z")
			assert.Equal(t, c.line, line(v.Current()))
			for _, n := range everyNight(v) {
				assert.Empty(t, n.Marks, "every offset is one that the zone has")
			}
		})
	}
}

func TestTravelKeepsTheDateOnTheWall(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum := s.caregiver("mum")
	mum.sessionIn("2027-03-02T19:40:00-04:00", "America/Halifax").try(Left, 1, Swallowed, 4)
	// A flight over the Pacific: no evening of the 3rd. On the way back one evening comes twice.
	mum.sessionIn("2027-03-04T19:40:00+13:00", "Pacific/Auckland").try(Left, 1, Swallowed, 4)
	mum.sessionIn("2027-03-05T19:40:00+13:00", "Pacific/Auckland").try(Left, 1, Swallowed, 4)
	mum.sessionIn("2027-03-05T21:00:00-04:00", "America/Halifax").try(Left, 2, Swallowed, 4)
	v := s.told()
	assert.Equal(t, []string{"2027-03-02", "2027-03-04", "2027-03-05"}, practisedNights(v))
	sittings := sittingsOn(t, v, "2027-03-05")
	require.Len(t, sittings, 2)
	assert.Equal(t, []string{"Pacific/Auckland", "America/Halifax"}, []string{sittings[0].Zone, sittings[1].Zone})
	assert.Equal(t, []int{1, 2}, []int{sittings[0].Number, sittings[1].Number})
}

func TestAnEveningAheadOfHomeIsPractisedAtOnce(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.caregiver("mum").sessionIn("2027-03-05T19:40:00+13:00", "Pacific/Auckland").try(Left, 1, Swallowed, 4)
	p := s.asOf("2027-03-05T07:00:00Z").Current() // three in the morning at home: the night of the 4th
	assert.Equal(t, "???oP---------", line(p))
	assert.Equal(t, 1, p.Counts.Practised)
	assert.Equal(t, 4, p.Counts.Elapsed, "three closed nights, and the one recorded")
}

func TestTwoHomesInTwoZonesShareAnEvening(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	mum.sessionIn("2027-03-03T20:00:00-04:00", "America/Halifax").try(Left, 1, Swallowed, 4)
	dad.sessionIn("2027-03-03T19:00:00-05:00", "America/Toronto").try(Right, 1, Swallowed, 3)
	dad.sessionIn("2027-03-05T18:30:00-08:00", "America/Vancouver").try(Left, 1, Swallowed, 4)
	mum.sessionIn("2027-03-05T19:30:00-04:00", "America/Halifax").try(Right, 1, Swallowed, 4)
	v := s.told()

	same := onlySitting(t, v, "2027-03-03")
	assert.Len(t, same.Sessions, 2, "one and the same instant")
	assert.Len(t, same.Tries, 2)
	assert.Len(t, sittingsOn(t, v, "2027-03-05"), 2, "three hours apart, on one evening")
}

func TestASittingAcrossTheTurningHourIsOnTheNightOfItsEarliestSession(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	mum, dad := s.caregiver("mum"), s.caregiver("dad")
	mum.session("2027-03-03T03:40:00-04:00").try(Left, 1, Swallowed, 4)
	dad.session("2027-03-03T04:10:00-04:00").try(Left, 1, Swallowed, 4)
	assert.Equal(t, []string{"2027-03-02"}, practisedNights(s.told()))
}

func TestAWrongClockIsCorrected(t *testing.T) {
	t.Parallel()
	const twoYears = 730 * 24 * time.Hour
	for name, c := range map[string]struct {
		practised string
		off       time.Duration
		night     string
		suspect   bool
	}{
		"two years behind":            {"2025-03-04T03:30:00-04:00", twoYears, "2027-03-03", true},
		"two years ahead":             {"2029-03-03T19:40:00-04:00", -731 * 24 * time.Hour, "2027-03-03", true},
		"six minutes behind":          {"2027-03-04T03:55:00-04:00", 6 * time.Minute, "2027-03-04", true},
		"five minutes are let be":     {"2027-03-04T03:55:00-04:00", 5 * time.Minute, "2027-03-03", false},
		"a little over is corrected":  {"2027-03-04T03:55:00-04:00", 5*time.Minute + time.Millisecond, "2027-03-04", true},
		"five minutes ahead, let be":  {"2027-03-04T04:04:00-04:00", -5 * time.Minute, "2027-03-04", false},
		"ten minutes ahead, set back": {"2027-03-04T04:04:00-04:00", -10 * time.Minute, "2027-03-03", true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			s.caregiver("mum").withClockOff(c.off).session(c.practised).try(Left, 1, Swallowed, 4)
			s.offeredAgain()
			v := s.told()
			require.Equal(t, []string{c.night}, practisedNights(v))
			assert.Equal(t, c.suspect, look(t, v, c.night).Has(MarkClockSuspect))
			assert.False(t, look(t, v, c.night).Has(MarkRecalled), "it was written on the evening, by the corrected clock")
		})
	}
}

// offeredAgain repeats every entry with the stamp of its first receipt, as a device does after the server was restored.
func (s *story) offeredAgain() { s.entries = append(s.entries, s.entries...) }

func TestAnOffsetThatTheZoneDoesNotHaveIsKeptCountedAndMarked(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		practised, zone string
		marked          bool
	}{
		"its own":                 {"2027-03-03T23:00:00-04:00", "America/Halifax", false},
		"summer time in winter":   {"2027-03-03T23:00:00-03:00", "America/Halifax", true},
		"an unheard-of zone":      {"2027-03-03T23:00:00-04:00", "America/Nowhere", true},
		"no zone":                 {"2027-03-03T23:00:00-04:00", "", true},
		"what Go calls Local":     {"2027-03-03T23:00:00Z", "Local", true},
		"half an hour wrong":      {"2027-03-03T23:00:00-04:30", "America/Halifax", true},
		"another zone's, in fact": {"2027-03-03T23:00:00+10:30", "Australia/Adelaide", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStory(t)
			s.caregiver("mum").sessionIn(c.practised, c.zone).try(Left, 1, Swallowed, 4)
			v := s.told()
			night := look(t, v, "2027-03-03")
			assert.Equal(t, c.marked, night.Has(MarkOffsetUnknown))
			assert.Equal(t, Partial, night.State)
		})
	}
}
