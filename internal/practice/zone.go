package practice

import (
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
