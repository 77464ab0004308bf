package practice

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Moment is an instant, to the millisecond, together with the UTC offset at which it was written. The offset tells the
// wall time at the place, which decides the night; two moments are at the same time when their instants are equal.
type Moment struct {
	unixMilli int64
	offset    int32 // seconds east of UTC
}

// MomentOf returns t with the offset that t carries, cut to the millisecond.
func MomentOf(t time.Time) Moment {
	_, offset := t.Zone()
	return Moment{unixMilli: t.UnixMilli(), offset: int32(offset)} //nolint:gosec // an offset is less than a day
}

// MomentAt returns the moment at an instant, in milliseconds since 1970, with the UTC offset, in seconds, at which it was written.
func MomentAt(unixMilli int64, offset int) Moment {
	return Moment{unixMilli: unixMilli, offset: int32(offset)} //nolint:gosec // as above
}

// errNotMoment answers a text that is no date-time of RFC 3339.
var errNotMoment = errors.New("not an RFC 3339 date-time with its offset")

// ParseMoment reads an RFC 3339 date-time with a year from 0001 to 9999. A leap second counts as the second after it.
func ParseMoment(text string) (Moment, error) {
	if !momentShaped(text) {
		return Moment{}, errNotMoment
	}
	const seconds = len("2006-01-02T15:04:")
	leap := text[seconds:seconds+2] == "60"
	if leap {
		text = text[:seconds] + "59" + text[seconds+2:]
	}
	t, err := time.Parse(time.RFC3339Nano, strings.ToUpper(text))
	if err != nil {
		return Moment{}, fmt.Errorf("%w: %w", errNotMoment, err)
	}
	if leap {
		t = t.Add(time.Second)
	}
	if y := t.Year(); y < 1 || y > 9999 {
		return Moment{}, fmt.Errorf("%w: the year is outside 0001 to 9999", errNotMoment)
	}
	return MomentOf(t), nil
}

// momentShaped reports whether a text has the form of RFC 3339, section 5.6. Go's parser takes some that have not: an hour
// of one digit, a comma before the fraction, an offset of a day or more.
func momentShaped(text string) bool {
	const whole = "0000-00-00T00:00:00"
	if len(text) <= len(whole) || !like(text[:len(whole)], whole) {
		return false
	}
	rest := text[len(whole):]
	if rest[0] == '.' {
		digits := len(rest) - len(strings.TrimLeft(rest[1:], "0123456789")) - 1
		if digits == 0 {
			return false
		}
		rest = rest[1+digits:]
	}
	if rest == "Z" || rest == "z" {
		return true
	}
	return (like(rest, "+00:00") || like(rest, "-00:00")) && rest[1:3] <= "23" && rest[4:] <= "59"
}

// like reports whether a text has digits where a shape has zeros, and the same letters otherwise, in either case.
func like(text, shape string) bool {
	if len(text) != len(shape) {
		return false
	}
	for i := range shape {
		digit := '0' <= text[i] && text[i] <= '9'
		if digit != (shape[i] == '0') || (!digit && text[i]|0x20 != shape[i]|0x20) {
			return false
		}
	}
	return true
}

// Time returns the moment as a time in its own offset.
func (m Moment) Time() time.Time {
	return time.UnixMilli(m.unixMilli).In(time.FixedZone("", int(m.offset)))
}

// UnixMilli returns the instant in milliseconds since 1970.
func (m Moment) UnixMilli() int64 { return m.unixMilli }

// Offset returns the UTC offset in seconds, positive east of Greenwich.
func (m Moment) Offset() int { return int(m.offset) }

// String formats the moment as RFC 3339, with milliseconds only where there are any.
func (m Moment) String() string { return m.Time().Format("2006-01-02T15:04:05.999Z07:00") }

// IsZero reports whether m is the zero Moment, which stands for none.
func (m Moment) IsZero() bool { return m == Moment{} }

// The first and the last instant that can be written in any offset with a year from 0001 to 9999.
const (
	firstMilli = -62135510400_000 // 0001-01-02T00:00Z
	lastMilli  = 253402128000_000 // 9999-12-30T00:00Z
)

// shifted returns the moment d later, in the same offset. A clock centuries wrong takes no moment beyond what can be
// written.
func (m Moment) shifted(d time.Duration) Moment {
	return Moment{unixMilli: min(max(m.unixMilli+d.Milliseconds(), firstMilli), lastMilli), offset: m.offset}
}

// wallSeconds is the wall time at the place as seconds since 1970-01-01T00:00, as if the place kept UTC.
func (m Moment) wallSeconds() int64 { return floorDiv(m.unixMilli, 1000) + int64(m.offset) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
