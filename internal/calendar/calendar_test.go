package calendar_test

import (
	"bytes"
	"errors"
	"maps"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/emersion/go-ical"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/calendar"
)

// at is an instant, given in a zone that is not UTC.
func at(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t
}

// family is a feed with a bit of everything.
func family() calendar.Feed {
	return calendar.Feed{
		Source:  "https://clinic.example.test/v1/calendars/" + strings.Repeat("aZ09-_", 12) + "?a=1,2;b=3",
		Refresh: 6 * time.Hour,
		Events: []calendar.Event{
			{
				UID: "00000000-0000-4000-8000-000000000002@swallowtail.example.test",
				At:  at("2026-03-15T19:30:00+13:00"), Changed: at("2026-03-01T12:00:00Z"), Sequence: 3,
			},
			{
				UID: "00000000-0000-4000-8000-000000000001@swallowtail.example.test",
				At:  at("2026-03-14T19:30:00.999-05:00"), Changed: at("2026-03-02T09:15:30+02:00"),
			},
		},
	}
}

func write(t *testing.T, f calendar.Feed) string {
	t.Helper()
	var text bytes.Buffer
	require.NoError(t, f.Write(&text))
	return text.String()
}

func TestTheFeedOctetByOctet(t *testing.T) {
	t.Parallel()
	want := `BEGIN:VCALENDAR
PRODID:-//Swallowtail//Practice time//EN
VERSION:2.0
CALSCALE:GREGORIAN
NAME:Practice time
X-WR-CALNAME:Practice time
REFRESH-INTERVAL;VALUE=DURATION:PT6H
X-PUBLISHED-TTL:PT6H
SOURCE;VALUE=URI:https://clinic.example.test/v1/calendars/aZ09-_aZ09-_aZ09-
 _aZ09-_aZ09-_aZ09-_aZ09-_aZ09-_aZ09-_aZ09-_aZ09-_aZ09-_?a=1,2;b=3
BEGIN:VEVENT
UID:00000000-0000-4000-8000-000000000001@swallowtail.example.test
DTSTAMP:20260302T071530Z
LAST-MODIFIED:20260302T071530Z
SEQUENCE:0
DTSTART:20260315T003000Z
DURATION:PT10M
SUMMARY:Practice time
CLASS:PRIVATE
TRANSP:TRANSPARENT
STATUS:CONFIRMED
BEGIN:VALARM
ACTION:DISPLAY
TRIGGER:PT0S
DESCRIPTION:Practice time
END:VALARM
END:VEVENT
BEGIN:VEVENT
UID:00000000-0000-4000-8000-000000000002@swallowtail.example.test
DTSTAMP:20260301T120000Z
LAST-MODIFIED:20260301T120000Z
SEQUENCE:3
DTSTART:20260315T063000Z
DURATION:PT10M
SUMMARY:Practice time
CLASS:PRIVATE
TRANSP:TRANSPARENT
STATUS:CONFIRMED
BEGIN:VALARM
ACTION:DISPLAY
TRIGGER:PT0S
DESCRIPTION:Practice time
END:VALARM
END:VEVENT
END:VCALENDAR
`
	assert.Equal(t, strings.ReplaceAll(want, "\n", "\r\n"), write(t, family()))
}

func TestEveryLineFitsAndEndsAsItShould(t *testing.T) {
	t.Parallel()
	f := family()
	f.Events[0].UID = strings.Repeat("ü€,", 42) // folded between characters, not within them; no words to fold at
	text := write(t, f)
	require.True(t, utf8.ValidString(text))
	for line := range strings.Lines(text) {
		content, ended := strings.CutSuffix(line, "\r\n")
		assert.True(t, ended, "RFC 5545, section 3.1: %q", line)
		assert.LessOrEqual(t, len(content), 75, "RFC 5545, section 3.1: %q", line)
		assert.NotContains(t, content, "\r")
		assert.True(t, utf8.ValidString(content), "%q", line)
	}
}

// props are the values of a component's properties by name, one each, and their parameters, as an independent parser has them.
func props(t *testing.T, c *ical.Component) map[string]string {
	t.Helper()
	values := map[string]string{}
	for name, all := range c.Props {
		require.Len(t, all, 1, "%s occurs once", name)
		value := all[0].Value
		for parameter, of := range all[0].Params {
			value += " " + parameter + "=" + strings.Join(of, ",")
		}
		values[name] = value
	}
	return values
}

func parse(t *testing.T, text string) *ical.Calendar {
	t.Helper()
	decoder := ical.NewDecoder(strings.NewReader(text))
	parsed, err := decoder.Decode()
	require.NoError(t, err)
	_, err = decoder.Decode()
	require.Error(t, err, "one calendar and nothing behind it")
	// The encoder looks for what RFC 5545 requires.
	require.NoError(t, ical.NewEncoder(&bytes.Buffer{}).Encode(parsed))
	return parsed
}

func TestAnotherReaderFindsEveryProperty(t *testing.T) {
	t.Parallel()
	f := family()
	parsed := parse(t, write(t, f))
	assert.Equal(t, map[string]string{
		"PRODID":           "-//Swallowtail//Practice time//EN", // RFC 5545, section 3.6: required
		"VERSION":          "2.0",                               // likewise
		"CALSCALE":         "GREGORIAN",
		"NAME":             "Practice time", // RFC 7986, section 5.1
		"X-WR-CALNAME":     "Practice time",
		"REFRESH-INTERVAL": "PT6H VALUE=DURATION", // RFC 7986, section 5.7: the parameter is required
		"X-PUBLISHED-TTL":  "PT6H",
		"SOURCE":           f.Source + " VALUE=URI", // RFC 7986, section 5.8: likewise
	}, props(t, parsed.Component))
	refresh, err := parsed.Props.Get("REFRESH-INTERVAL").Duration()
	require.NoError(t, err)
	assert.Equal(t, f.Refresh, refresh)

	events := parsed.Events()
	require.Len(t, events, len(parsed.Children), "nothing but events")
	require.Len(t, events, len(f.Events))
	for _, event := range events {
		i := slices.IndexFunc(f.Events, func(e calendar.Event) bool { return e.UID == event.Props.Get("UID").Value })
		require.GreaterOrEqual(t, i, 0)
		want := f.Events[i]
		assert.ElementsMatch(t, []string{
			"UID", "DTSTAMP", "DTSTART", // RFC 5545, section 3.6.1: required
			"LAST-MODIFIED", "SEQUENCE", "DURATION", "SUMMARY", "CLASS", "TRANSP", "STATUS",
		}, slices.Collect(maps.Keys(props(t, event.Component))))

		start, err := event.DateTimeStart(time.UTC)
		require.NoError(t, err)
		assert.Equal(t, want.At.Truncate(time.Second).UTC(), start.UTC())
		end, err := event.DateTimeEnd(time.UTC)
		require.NoError(t, err)
		assert.Equal(t, 10*time.Minute, end.Sub(start))
		for _, name := range []string{"DTSTAMP", "LAST-MODIFIED"} {
			changed, err := event.Props.DateTime(name, nil)
			require.NoError(t, err)
			assert.True(t, want.Changed.Equal(changed), name)
		}
		sequence, err := event.Props.Get("SEQUENCE").Int()
		require.NoError(t, err)
		assert.Equal(t, want.Sequence, sequence)
		status, err := event.Status()
		require.NoError(t, err)
		assert.Equal(t, ical.EventConfirmed, status)
		assert.Equal(t, "Practice time", event.Props.Get("SUMMARY").Value)
		assert.Equal(t, "PRIVATE", event.Props.Get("CLASS").Value)
		assert.Equal(t, "TRANSPARENT", event.Props.Get("TRANSP").Value)

		require.Len(t, event.Children, 1)
		assert.Equal(t, "VALARM", event.Children[0].Name)
		assert.Equal(t, map[string]string{ // RFC 5545, section 3.6.6: all three are required of one that displays
			"ACTION": "DISPLAY", "TRIGGER": "PT0S", "DESCRIPTION": "Practice time",
		}, props(t, event.Children[0]))
	}
}

func TestAFeedWithoutEventsIsACalendar(t *testing.T) {
	t.Parallel()
	parsed := parse(t, write(t, calendar.Feed{Refresh: 90 * time.Second}))
	assert.Empty(t, parsed.Events())
	require.Len(t, parsed.Children, 1, "RFC 5545, section 3.6: at least one component")
	assert.Equal(t, "VTIMEZONE", parsed.Children[0].Name)
	assert.NotContains(t, props(t, parsed.Component), "SOURCE")
	assert.Equal(t, "PT90S VALUE=DURATION", props(t, parsed.Component)["REFRESH-INTERVAL"])
}

func TestTheSameFeedIsTheSameOctets(t *testing.T) {
	t.Parallel()
	f := family()
	for i := range 30 { // some at one time
		e := f.Events[i%2]
		e.UID = strings.Repeat("x", i+1)
		f.Events = append(f.Events, e)
	}
	want := write(t, f)
	draw := rand.New(rand.NewPCG(1, 2))
	for range 20 {
		shuffled := f
		shuffled.Events = slices.Clone(f.Events)
		draw.Shuffle(len(shuffled.Events), func(i, j int) {
			shuffled.Events[i], shuffled.Events[j] = shuffled.Events[j], shuffled.Events[i]
		})
		before := slices.Clone(shuffled.Events)
		require.Equal(t, want, write(t, shuffled))
		require.Equal(t, before, shuffled.Events, "the caller's order is left alone")
	}
}

// Whatever is no property's name or value is a word that somebody reads.
func TestNoOtherWordIsInIt(t *testing.T) {
	t.Parallel()
	f := family()
	f.Source = ""
	parsed := parse(t, write(t, f))
	var readable []string
	var collect func(c *ical.Component)
	collect = func(c *ical.Component) {
		for _, name := range []string{"NAME", "X-WR-CALNAME", "SUMMARY", "DESCRIPTION", "LOCATION", "COMMENT", "CATEGORIES", "URL"} {
			for _, p := range c.Props.Values(name) {
				readable = append(readable, p.Value)
			}
		}
		for _, child := range c.Children {
			collect(child)
		}
	}
	collect(parsed.Component)
	assert.Equal(t, []string{"Practice time"}, slices.Compact(readable))
}

func TestTextsThatMeanSomethingAreEscaped(t *testing.T) {
	t.Parallel()
	for _, uid := range []string{
		`a,b;c\d:e"f`, `\n`, `a\,b`, "END:VEVENT", " leading and trailing ", "ü€🦋", strings.Repeat("a b", 85), `\\n\`,
	} {
		f := family()
		f.Events = f.Events[:1]
		f.Events[0].UID = uid
		events := parse(t, write(t, f)).Events()
		require.Len(t, events, 1, uid)
		got, err := events[0].Props.Text("UID")
		require.NoError(t, err)
		assert.Equal(t, uid, got)
	}
}

func TestWhatCannotBeWrittenTrulyIsRefused(t *testing.T) {
	t.Parallel()
	uid := func(uid string) func(*calendar.Feed) { return func(f *calendar.Feed) { f.Events[1].UID = uid } }
	source := func(source string) func(*calendar.Feed) { return func(f *calendar.Feed) { f.Source = source } }
	cases := map[string]func(*calendar.Feed){
		"no UID":      uid(""),
		"a line feed": uid("a\nSUMMARY:b"),
		"a line":      uid("a\r\nSUMMARY:b"),
		"a return":    uid("a\rb"),
		"a NUL":       uid("a\x00b"),
		"a next line": uid("a\u0085b"),
		"no UTF-8":    uid("a\xffb"),
		"too long":    uid(strings.Repeat("a", 256)),
		"twice":       uid(family().Events[0].UID),
		"no time":     func(f *calendar.Feed) { f.Events[0].At = time.Time{} },
		"no change":   func(f *calendar.Feed) { f.Events[0].Changed = time.Time{} },
		"five digits": func(f *calendar.Feed) { f.Events[0].At = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) },
		"five digits in UTC": func(f *calendar.Feed) {
			f.Events[0].At = time.Date(9999, 12, 31, 23, 0, 0, 0, time.FixedZone("", -7200))
		},
		"before the first":    func(f *calendar.Feed) { f.Events[0].At = time.Date(0, 1, 1, 0, 0, 0, 0, time.UTC) },
		"less than never":     func(f *calendar.Feed) { f.Events[0].Sequence = -1 },
		"never waiting":       func(f *calendar.Feed) { f.Refresh = 0 },
		"waiting backwards":   func(f *calendar.Feed) { f.Refresh = -time.Hour },
		"a source's line":     source("https://clinic.example.test/\r\nNAME:b"),
		"a source's space":    source("https://clinic.example.test/a b"),
		"a source of a file":  source("file:///etc/hosts"),
		"a source in between": source("/v1/calendars/a"),
		"a source of nobody":  source("https:///v1"),
		"a broken source":     source("https://clinic.example.test/%zz"),
	}
	for name, change := range cases {
		f := family()
		change(&f)
		var text bytes.Buffer
		require.Error(t, f.Write(&text), name)
		assert.Empty(t, text.String(), name)
	}
}

func TestAWaitIsWrittenInTheLargestUnit(t *testing.T) {
	t.Parallel()
	for wait, want := range map[time.Duration]string{
		time.Second: "PT1S", time.Minute: "PT1M", 90 * time.Minute: "PT90M", 24 * time.Hour: "PT24H", 3661 * time.Second: "PT3661S",
		1999 * time.Millisecond: "PT1S",
	} {
		f := calendar.Feed{Refresh: wait}
		found := regexp.MustCompile(`\r\nX-PUBLISHED-TTL:(.*)\r\n`).FindStringSubmatch(write(t, f))
		require.Len(t, found, 2)
		assert.Equal(t, want, found[1])
	}
}

type full struct{}

var errFull = errors.New("full")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestAWriterThatFailsIsHeard(t *testing.T) {
	t.Parallel()
	require.ErrorIs(t, family().Write(full{}), errFull)
}
