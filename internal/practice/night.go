package practice

import (
	"fmt"
	"time"
)

const daySeconds = 24 * 60 * 60

// Night is a civil date, as days since 1970-01-01 in the proleptic Gregorian calendar: the evening on which practice
// took place, with the day turning in the small hours.
type Night int32

// NightOn returns the night of a calendar date.
func NightOn(year int, month time.Month, day int) Night {
	return Night(floorDiv(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix(), daySeconds)) //nolint:gosec // years are bounded
}

// ParseNight reads a date written as YYYY-MM-DD.
func ParseNight(text string) (Night, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return 0, fmt.Errorf("parse night: %w", err)
	}
	return NightOn(t.Year(), t.Month(), t.Day()), nil
}

// String returns the night as YYYY-MM-DD.
func (n Night) String() string { return n.date().Format(time.DateOnly) }

// Weekday returns the day of the week of the date, 1 for Monday to 7 for Sunday (ISO 8601).
func (n Night) Weekday() int { return int(n.date().Weekday()+6)%7 + 1 }

func (n Night) date() time.Time { return time.Unix(int64(n)*daySeconds, 0).UTC() }

// NightOf returns the night to which practice at m belongs: the date on the wall at the place, where the day turns at
// turnsAt. At 03:59 it is still the evening before; at 04:00 the next has begun.
func NightOf(m Moment, turnsAt TimeOfDay) Night {
	return Night(floorDiv(m.wallSeconds()-turnsAt.seconds(), daySeconds)) //nolint:gosec // moments are bounded to year 9999
}

// TimeOfDay is a wall-clock time in minutes after midnight, from 0 to 1439.
type TimeOfDay int16

// ParseTimeOfDay reads a time written as HH:MM, 00:00 to 23:59.
func ParseTimeOfDay(text string) (TimeOfDay, error) {
	t, err := time.Parse("15:04", text)
	if err != nil || len(text) != len("15:04") {
		return 0, fmt.Errorf("parse time of day: want HH:MM from 00:00 to 23:59")
	}
	return TimeOfDay(t.Hour()*60 + t.Minute()), nil //nolint:gosec // at most 1439
}

// String returns the time as HH:MM.
func (t TimeOfDay) String() string { return fmt.Sprintf("%02d:%02d", t/60, t%60) }

// Between reports whether the time lies from a time of day until another, which may be past midnight. Where the two are equal
// nothing lies between them.
func (t TimeOfDay) Between(from, until TimeOfDay) bool {
	if from <= until {
		return from <= t && t < until
	}
	return t >= from || t < until
}

func (t TimeOfDay) seconds() int64 { return int64(t) * 60 }

// InstantAt returns the first instant at which a clock in zone shows the time t on the date of n, or later. A wall time
// that a zone change skips gives the instant of the change; one that comes twice gives the first; a date that the zone
// left out (crossing the date line) gives the instant at which the calendar jumped over it.
func InstantAt(n Night, t TimeOfDay, zone *time.Location) time.Time {
	wall := int64(n)*daySeconds + t.seconds()
	// No zone has ever been more than 26 hours from another, so the search can start that much before.
	from := time.Unix(wall-26*60*60, 0).In(zone)
	for {
		_, offset := from.Zone()
		end := offsetHolds(from)
		at := time.Unix(wall-int64(offset), 0)
		if at.Before(from) {
			return from
		}
		if end.IsZero() || at.Before(end) {
			return at.In(zone)
		}
		from = end
	}
}

// NightAt returns the night that runs at an instant in zone: tonight, for somebody who lives there.
func NightAt(at time.Time, turnsAt TimeOfDay, zone *time.Location) Night {
	n := NightOf(MomentOf(at.In(zone)), turnsAt)
	// Where a clock set back crosses the turning hour twice, the night that has begun stays begun.
	if !InstantAt(n+1, turnsAt, zone).After(at) {
		return n + 1
	}
	return n
}

// Begins returns the instant at which the night begins in zone, and the one before it closes.
func (n Night) Begins(turnsAt TimeOfDay, zone *time.Location) time.Time {
	return InstantAt(n, turnsAt, zone)
}

// Closes returns the instant at which the night closes in zone: when the next one begins.
func (n Night) Closes(turnsAt TimeOfDay, zone *time.Location) time.Time {
	return InstantAt(n+1, turnsAt, zone)
}
