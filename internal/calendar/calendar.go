// Package calendar writes a family's practice times down as a feed that calendar programs subscribe to (RFC 5545, and
// RFC 7986 for what a feed says of itself).
//
// Whoever looks at the phone may read it, locked or not. So it says "Practice time" and when, and no other word.
package calendar

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
)

const (
	words    = "Practice time"
	product  = "-//Swallowtail//Practice time//EN" // RFC 5545, section 3.7.3
	duration = "PT10M"
	atStart  = "PT0S" // RFC 5545, section 3.8.6.3: when the event begins
)

// maxUID is how long, in octets, an identifier may be that every program has to keep (RFC 7986, section 5.3).
const maxUID = 255

// Event is one practice time.
type Event struct {
	UID      string    // one for each practice time in the world, and the same when it is moved; at most 255 octets in one line
	At       time.Time // when it begins, from the year 1 to 9999; to the second
	Changed  time.Time // when it was last changed; likewise
	Sequence int       // how often it has been moved; not negative
}

// Feed is a family's practice times.
type Feed struct {
	Source  string        // its own http or https address; may be empty
	Refresh time.Duration // how long a program should wait before it looks again; at least a second
	Events  []Event       // in any order; may be empty
}

// Write writes the feed: the same octets for the same feed, whatever the order of its events. On an error of its own, which
// says what is wrong with the feed, nothing has been written.
//
// It has no METHOD. With one it would be a scheduling message (RFC 5545, section 3.7.2), and one that publishes has to name
// an organiser (RFC 5546, section 3.2.1); without, it is what it is, a snapshot. Its times are in UTC, so it needs no zones.
func (f Feed) Write(w io.Writer) error {
	if err := f.check(); err != nil {
		return fmt.Errorf("calendar: %w", err)
	}
	calendar := &ics.Calendar{}
	calendar.SetProductId(product)
	calendar.SetVersion("2.0")
	calendar.SetCalscale("GREGORIAN")
	calendar.SetName(words) // as NAME, and as X-WR-CALNAME for programs from before RFC 7986 (common practice)
	every := iso(f.Refresh)
	calendar.SetRefreshInterval(every)
	calendar.SetXPublishedTTL(every) // as programs from before RFC 7986 know it (common practice)
	if f.Source != "" {
		calendar.CalendarProperties = append(calendar.CalendarProperties, ics.CalendarProperty{BaseProperty: ics.BaseProperty{
			IANAToken: "SOURCE", Value: f.Source, ICalParameters: map[string][]string{"VALUE": {"URI"}},
		}})
	}
	events := slices.SortedFunc(slices.Values(f.Events), func(a, b Event) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.UID, b.UID))
	})
	for _, event := range events {
		event.addTo(calendar)
	}
	if len(events) == 0 {
		addNothing(calendar)
	}
	var text bytes.Buffer
	if err := calendar.SerializeTo(&text, ics.WithNewLineWindows, ics.WithLineLength(75)); err != nil {
		return fmt.Errorf("calendar: %w", err)
	}
	_, err := w.Write(text.Bytes())
	return err
}

func (e *Event) addTo(calendar *ics.Calendar) {
	event := calendar.AddEvent(e.UID)
	event.SetDtStampTime(e.Changed) // RFC 5545, section 3.8.7.2: without METHOD, when it was last revised
	event.SetLastModifiedAt(e.Changed)
	event.SetSequence(e.Sequence)
	event.SetStartAt(e.At)
	event.SetProperty(ics.ComponentPropertyDuration, duration)
	event.SetSummary(words)
	event.SetClass(ics.ClassificationPrivate)
	event.SetTimeTransparency(ics.TransparencyTransparent) // nobody is busy for it
	event.SetStatus(ics.ObjectStatusConfirmed)
	alarm := event.AddAlarm()
	alarm.SetAction(ics.ActionDisplay)
	alarm.SetTrigger(atStart)
	alarm.SetDescription(words)
}

// addNothing puts a time zone that nobody uses into a calendar without events, since a calendar must have a component
// (RFC 5545, section 3.6).
func addNothing(calendar *ics.Calendar) {
	standard := calendar.AddTimezone("Etc/UTC").AddStandard()
	standard.SetProperty(ics.ComponentPropertyDtStart, "19700101T000000")
	standard.SetProperty(ics.ComponentProperty(ics.PropertyTzoffsetfrom), "+0000")
	standard.SetProperty(ics.ComponentProperty(ics.PropertyTzoffsetto), "+0000")
}

// iso writes whole seconds as RFC 5545, section 3.3.6, has durations, in the largest unit that they fill.
func iso(d time.Duration) string {
	switch {
	case d%time.Hour == 0:
		return fmt.Sprintf("PT%dH", d/time.Hour)
	case d%time.Minute == 0:
		return fmt.Sprintf("PT%dM", d/time.Minute)
	default:
		return fmt.Sprintf("PT%dS", d/time.Second)
	}
}

// check refuses what could not be written down truly. The library escapes what has a meaning in a text, but neither a
// carriage return nor anything in an address.
func (f Feed) check() error {
	if f.Refresh < time.Second {
		return errors.New("the Refresh is less than a second")
	}
	if f.Source != "" && !isWebAddress(f.Source) {
		return errors.New("the Source is no address on the web")
	}
	seen := map[string]bool{}
	for _, e := range f.Events {
		switch {
		case e.UID == "" || len(e.UID) > maxUID || !utf8.ValidString(e.UID) || strings.ContainsFunc(e.UID, unicode.IsControl):
			return errors.New("a UID is empty, too long or not one line of text")
		case seen[e.UID]:
			return errors.New("two events have one UID")
		case !writable(e.At) || !writable(e.Changed):
			return errors.New("an event has no time, or one that cannot be written")
		case e.Sequence < 0:
			return errors.New("a Sequence is negative")
		}
		seen[e.UID] = true
	}
	return nil
}

// writable tells whether a time has a year of four digits (RFC 5545, section 3.3.4). The zero time is none.
func writable(t time.Time) bool {
	year := t.UTC().Year()
	return !t.IsZero() && year >= 1 && year <= 9999
}

func isWebAddress(address string) bool {
	if strings.ContainsFunc(address, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return false
	}
	parsed, err := url.Parse(address)
	return err == nil && (parsed.Scheme == "https" || parsed.Scheme == "http") && parsed.Hostname() != ""
}
