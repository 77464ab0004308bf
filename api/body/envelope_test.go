package body

import (
	"bytes"
	"encoding/json"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/door"
	"swallowtail/internal/fault"
)

// The envelope of a sync call is opened by hand. Here each reading of it is held to another one, by the decoder of the
// standard library.

// envelopes are bodies of sync calls, right and wrong.
var envelopes = []string{
	`{"schema":1,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","limit":500,"entries":[]}`,
	`{"schema":1,"cursor":"AAEC","sent_at":"2027-03-02T23:50:00.123Z","entries":[{"id":"a","ease": 4.0},{"id":"b","b":{"c":[1,2]}}]}`,
	" \t{\n\"entries\" : [ null , 1e9 ,\"x\\u0041\", {\"a\":1,\"a\":2} ,[]] ,\r\n \"sent_at\":\"2027-03-02t23:50:60z\",\"cursor\":null,\"schema\":1} \n",
	`{"schema":2,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","entries":[],"colour":"blue"}`,
	`{"schema":1,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","entries":[],"colour":"blue","Schema":1}`,
	`{"schema":1.0,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","entries":[],"limit":5e1}`,
	`{"schema":0,"cursor":"","sent_at":"yesterday","entries":{},"limit":501}`,
	`{"schema":"1","cursor":7,"sent_at":null,"entries":null,"limit":null}`,
	`{"schema":1,"schema":1,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","entries":[]}`,
	`{"sch\u0065ma":1,"cursor":null,"sent_at":"2027-03-02T9:50:00-04:00","entries":[{"id":"\ud800"}]}`,
	`{"schema":1,"cursor":null,"sent_at":"2027-03-02T19:50:00,5-04:00","entries":[]}{}`,
	`{"schema":1,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","entries":[],}`,
	`{"schema":1e400,"cursor":"\ud800","sent_at":"0000-01-01T00:00:00Z","entries":[1,]}`,
	"{\"schema\":1,\"cursor\":\"\xff\",\"sent_at\":\"9999-12-31T23:59:60Z\",\"entries\":[\"\xff\"],\"\xff\":1,\"/~\":2}",
	`{"entries":[{"id":"a"}]}`, `{"entries":[]}`, `{}`, `[]`, `null`, `""`, `{"a"`, ``, "\ufeff{}", "{}A", "{} \x00",
}

func TestWhatFollowsTheObjectIsNeverPassedOver(t *testing.T) {
	t.Parallel()
	for _, rest := range []string{"A", "{}", ",", "]", "}", "\x00", "1", "nul", "\"", "\xff"} {
		_, err := SyncRequest([]byte(envelopes[0] + rest))
		assert.Equal(t, fault.Unreadable, fault.KindOf(err), "%q", rest)
	}
	_, err := SyncRequest([]byte(envelopes[0] + " \t\r\n"))
	require.NoError(t, err)
}

// What is kept of a body for long must not keep all of it, which may be far larger.
func TestEntriesAreNoPartOfTheBody(t *testing.T) {
	t.Parallel()
	body := []byte(envelopes[1])
	r, err := SyncRequest(body)
	require.NoError(t, err)
	want := []string{string(r.Entries[0]), string(r.Entries[1])}
	for i := range body {
		body[i] = '#'
	}
	assert.Equal(t, want, []string{string(r.Entries[0]), string(r.Entries[1])})
	assert.Equal(t, "AAEC", r.Cursor)
}

func TestAWholeNumberIsOneHoweverItIsWritten(t *testing.T) {
	t.Parallel()
	r, err := SyncRequest([]byte(`{"schema":1.0,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","limit":25e1,"entries":[]}`))
	require.NoError(t, err)
	assert.Equal(t, 1, r.Schema)
	assert.Equal(t, 250, r.Limit)
}

// The clock of a call is read as the times within entries are: all that RFC 3339 has, and nothing else.
func TestTheClockAtSending(t *testing.T) {
	t.Parallel()
	sent := func(text string) (time.Time, error) {
		r, err := SyncRequest([]byte(`{"schema":1,"cursor":null,"sent_at":"` + text + `","entries":[]}`))
		return r.Sent, err
	}
	for text, want := range map[string]time.Time{
		"2027-03-02t23:50:00z":          time.Date(2027, time.March, 2, 23, 50, 0, 0, time.UTC),
		"2016-12-31T23:59:60Z":          time.Date(2017, time.January, 1, 0, 0, 0, 0, time.UTC),
		"2027-03-02T19:50:00.25-04:00":  time.Date(2027, time.March, 2, 23, 50, 0, 250_000_000, time.UTC),
		"2027-03-02T23:50:00.0009+00:0": {},
		"2027-03-02T9:50:00Z":           {},
		"2027-03-02T09:50:00,5Z":        {},
		"2027-03-02T09:50:00+24:00":     {},
	} {
		got, err := sent(text)
		if want.IsZero() {
			assert.Equal(t, fault.Invalid, fault.KindOf(err), text)
			continue
		}
		require.NoError(t, err, text)
		assert.True(t, want.Equal(got), text)
	}
}

func FuzzSyncRequest(f *testing.F) {
	for _, body := range envelopes {
		f.Add([]byte(body))
	}
	f.Add([]byte(`{"schema":1,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","entries":[` + strings.Repeat("1,", clinic.MaxEntries+5) + `1]}`))
	f.Fuzz(checkSyncRequest)
}

// FuzzSyncMembers puts an envelope together, so that more of what is tried comes as far as the members' values.
func FuzzSyncMembers(f *testing.F) {
	const sent = `"2027-03-02T19:50:00-04:00"`
	f.Add("1", "null", sent, "[]", `"limit":1`)
	f.Add("1.0e0", `"AAEC"`, `"2027-03-02T23:50:60Z"`, `[{"id":7},{}]`, `"limit":500`)
	f.Add("1000001", `""`, `"2027-02-30T23:50:00Z"`, "[{}]", `"limit":0`)
	f.Add("-1", "true", `"2027-03-02T24:00:00Z"`, `"[]"`, `"limit":0.5`)
	f.Add("2", `"\u0041"`, `"2027-03-02 19:50:00Z"`, "[[],[[]]]", `"new":{}`)
	f.Add("0x1", "nul", `"2027-03-02T19:50:00+24:00"`, "[1 2]", `"limit":1,"limit":2`)
	f.Fuzz(func(t *testing.T, schema, cursor, sent, entries, more string) {
		members := []string{`"schema":` + schema, `"cursor":` + cursor, `"sent_at":` + sent, `"entries":` + entries}
		if more != "" {
			members = append(members, more)
		}
		checkSyncRequest(t, []byte("{"+strings.Join(members, ",")+"}"))
	})
}

// checkSyncRequest reads a body as a sync call and as a clinician's entries, and holds both to a plain reading of it.
func checkSyncRequest(t *testing.T, body []byte) {
	members, readable := plainly(body)
	before := bytes.Clone(body)
	request, err := SyncRequest(body)
	own, ownErr := ClinicEntries(body)
	require.Equal(t, before, body, "what was sent is left alone")
	if !readable {
		require.Equal(t, fault.Unreadable, fault.KindOf(err), "%v", err)
		require.Equal(t, fault.Unreadable, fault.KindOf(ownErr), "%v", ownErr)
		return
	}
	wrong, schema := plainlyWrong(members)
	if slices.ContainsFunc([]string{"cursor", "sent_at"}, func(name string) bool { return garbled(members[name]) }) {
		return // the plain decoder can't tell bad UTF-8 from the sign that it puts there instead
	}
	checkWrong(t, err, wrong, members)
	if len(wrong) == 0 {
		require.Equal(t, schema, request.Schema)
		checkRequest(t, request, members)
	}
	var ownWrong []string
	if elements, ok := plainEntries(members["entries"]); !ok || len(elements) == 0 {
		ownWrong = append(ownWrong, "entries")
	}
	checkWrong(t, ownErr, append(ownWrong, unknownOf(members, "entries")...), members)
	if ownErr == nil {
		checkEntries(t, own, members["entries"])
	}
}

// plainly reads the members of a JSON object, each named once.
func plainly(body []byte) (members map[string]json.RawMessage, ok bool) {
	if !json.Valid(body) {
		return nil, false
	}
	d := json.NewDecoder(bytes.NewReader(body))
	if start, err := d.Token(); err != nil || start != json.Delim('{') {
		return nil, false
	}
	members = map[string]json.RawMessage{}
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return nil, false
		}
		var value json.RawMessage
		if d.Decode(&value) != nil {
			return nil, false
		}
		if _, twice := members[name.(string)]; twice {
			return nil, false
		}
		members[name.(string)] = value
	}
	return members, true
}

// plainlyWrong returns the members of a sync call that are wrong, the first that is not known among them, and its schema.
func plainlyWrong(members map[string]json.RawMessage) (wrong []string, schema int) {
	schema, ok := plainNumber(members["schema"], maxSchema)
	if !ok {
		wrong, schema = append(wrong, "schema"), 1
	}
	if cursor, isText := plainText(members["cursor"]); string(members["cursor"]) != "null" && (!isText || cursor == "") {
		wrong = append(wrong, "cursor")
	}
	if _, ok := plainInstant(members["sent_at"]); !ok {
		wrong = append(wrong, "sent_at")
	}
	if _, ok := plainNumber(members["limit"], clinic.MaxPage); members["limit"] != nil && !ok {
		wrong = append(wrong, "limit")
	}
	if _, ok := plainEntries(members["entries"]); !ok {
		wrong = append(wrong, "entries")
	}
	if schema <= door.KnownSchema {
		wrong = append(wrong, unknownOf(members, "schema", "cursor", "sent_at", "limit", "entries")...)
	}
	return wrong, schema
}

// unknownOf returns the first member, by name, that is none of those known.
func unknownOf(members map[string]json.RawMessage, known ...string) []string {
	var unknown []string
	for name := range members {
		if !slices.Contains(known, name) {
			unknown = append(unknown, name)
		}
	}
	slices.Sort(unknown)
	return unknown[:min(1, len(unknown))]
}

func plainNumber(raw json.RawMessage, most int) (int, bool) {
	var n *float64
	if json.Unmarshal(raw, &n) != nil || n == nil {
		return 0, false
	}
	return int(*n), *n == math.Trunc(*n) && 1 <= *n && *n <= float64(most)
}

func plainText(raw json.RawMessage) (string, bool) {
	var text *string
	if json.Unmarshal(raw, &text) != nil || text == nil {
		return "", false
	}
	return *text, true
}

func garbled(raw json.RawMessage) bool {
	text, ok := plainText(raw)
	return ok && strings.ContainsRune(text, utf8.RuneError)
}

func plainEntries(raw json.RawMessage) ([]json.RawMessage, bool) {
	var entries []json.RawMessage
	err := json.Unmarshal(raw, &entries)
	return entries, err == nil && entries != nil
}

// rfc3339 is the form of section 5.6, in letters of either case.
var rfc3339 = regexp.MustCompile(`^\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:(\d\d)(\.\d+)?([Zz]|[+-]([01]\d|2[0-3]):[0-5]\d)$`)

// plainInstant reads a date-time with a year from 0001 to 9999. A leap second is the second after it.
func plainInstant(raw json.RawMessage) (time.Time, bool) {
	text, ok := plainText(raw)
	match := rfc3339.FindStringSubmatchIndex(text)
	if !ok || match == nil {
		return time.Time{}, false
	}
	leap := time.Duration(0)
	if text[match[2]:match[3]] == "60" {
		leap, text = time.Second, text[:match[2]]+"59"+text[match[3]:]
	}
	at, err := time.Parse(time.RFC3339Nano, strings.ToUpper(text))
	at = at.Add(leap)
	return at, err == nil && 1 <= at.Year() && at.Year() <= 9999
}

// checkWrong holds an error to the members that are wrong: it points at each of them once, where it stands or should, and at
// nothing else. A name too long or too strange to be repeated is pointed at by the whole.
func checkWrong(t *testing.T, err error, wrong []string, members map[string]json.RawMessage) {
	t.Helper()
	if len(wrong) == 0 {
		require.NoError(t, err)
		return
	}
	var want, got []string
	for _, name := range wrong {
		_, has := members[name]
		require.True(t, has || slices.Contains([]string{"schema", "cursor", "sent_at", "entries"}, name), name)
		if len(name) > 64 || strings.ContainsFunc(name, func(c rune) bool { return !unicode.IsPrint(c) }) {
			want = append(want, "")
			continue
		}
		want = append(want, "/"+strings.NewReplacer("~", "~0", "/", "~1").Replace(name))
	}
	var f *fault.Error
	require.ErrorAs(t, err, &f)
	require.Equal(t, fault.Invalid, f.Kind)
	for _, field := range f.Fields {
		require.NotEmpty(t, field.Detail)
		got = append(got, field.Pointer)
	}
	require.ElementsMatch(t, want, got)
}

func checkRequest(t *testing.T, request clinic.SyncRequest, members map[string]json.RawMessage) {
	t.Helper()
	cursor, _ := plainText(members["cursor"])
	require.Equal(t, cursor, request.Cursor)
	sent, _ := plainInstant(members["sent_at"])
	require.Equal(t, sent.UnixMilli(), request.Sent.UnixMilli())
	limit := clinic.DefaultPage
	if members["limit"] != nil {
		limit, _ = plainNumber(members["limit"], clinic.MaxPage)
	}
	require.Equal(t, limit, request.Limit)
	checkEntries(t, request.Entries, members["entries"])
}

// checkEntries holds entries to what stands in the array, byte for byte, up to one more than may be sent.
func checkEntries(t *testing.T, entries [][]byte, raw json.RawMessage) {
	t.Helper()
	elements, _ := plainEntries(raw)
	require.Len(t, entries, min(len(elements), clinic.MaxEntries+1))
	for i := range entries {
		require.Equal(t, string(elements[i]), string(entries[i]))
	}
}
