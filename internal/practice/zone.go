package practice

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"
	"time"
)

// errNoZone answers a name that is none of the IANA zone database's.
var errNoZone = errors.New("not a zone of the IANA time zone database")

// zones caches the zones by name, since loading one reads the database anew. Only known names are kept, so that it stays
// small whatever is asked for.
var zones sync.Map

// LoadZone returns the zone of an IANA name such as "America/Halifax". It returns an error for any other name, the empty
// one and "Local" among them, which Go would take for zones of its own.
func LoadZone(name string) (*time.Location, error) {
	if zone, ok := zones.Load(name); ok {
		return zone.(*time.Location), nil //nolint:forcetypeassert // nothing else is stored
	}
	if name == "" || name == "Local" {
		return nil, errNoZone
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errNoZone, err)
	}
	zones.Store(name, zone)
	return zone, nil
}

// offsetKnown reports whether a zone has, at the instant of m, the UTC offset with which m was written.
func offsetKnown(m Moment, name string) bool {
	zone, err := LoadZone(name)
	if err != nil {
		return false
	}
	_, offset := time.UnixMilli(m.unixMilli).In(zone).Zone()
	return int32(offset) == m.offset //nolint:gosec // an offset is less than a day
}

// offsetHolds returns an instant after at until which the zone of at keeps the offset that it has then: that of the next
// change, or an earlier one. It returns the zero time where the offset is kept for good.
func offsetHolds(at time.Time) time.Time {
	_, end := at.ZoneBounds()
	if end.IsZero() || end.After(at) {
		return end
	}
	// On the last day of a leap year, where a zone follows a yearly rule, Go gives the beginning of that day in UTC
	// (go.dev/issue/81583), and only after the last change of the year.
	return time.Date(at.UTC().Year()+1, time.January, 1, 0, 0, 0, 0, time.UTC).In(at.Location())
}

// RulesOf returns a fingerprint of a zone: the SHA-256 of its offset from UTC at the beginning of 1970 and of every change of
// the offset before the year 2100, with its instant. Names of zones and of times do not count, nor how a zone file writes a
// rule down, so that the fingerprint of one name changes when, and only when, an update of the zone database moves
// instants of those years. A call takes a fifth of a millisecond for a zone that changes twice a year.
func RulesOf(zone *time.Location) [sha256.Size]byte {
	var (
		at    = time.Unix(0, 0).In(zone)
		end   = time.Date(2100, time.January, 1, 0, 0, 0, 0, time.UTC)
		rules []byte
		known int
	)
	for ; !at.IsZero() && at.Before(end); at = offsetHolds(at) {
		if _, offset := at.Zone(); len(rules) == 0 || offset != known {
			rules = binary.BigEndian.AppendUint64(rules, uint64(at.Unix()))     //nolint:gosec // from 1970 on
			rules = binary.BigEndian.AppendUint32(rules, uint32(int32(offset))) //nolint:gosec // less than a day, either way
			known = offset
		}
	}
	return sha256.Sum256(rules)
}
