package body

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"swallowtail/internal/clinic"
	"swallowtail/internal/door"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

// envelope is what goes around entries: its members, each still as it was sent, a part of the body. The entries within are looked at one by
// one, so what is wrong inside one, even a member named twice, fails nothing but it.
type envelope struct {
	members map[string]jsontext.Value
	fields  []fault.Field
}

// openEnvelope reads the members of an envelope. A body that is no JSON object, or names a member of the envelope twice,
// can't be read.
func openEnvelope(body []byte) (*envelope, error) {
	d := decoderOf(body)
	if start, err := d.ReadToken(); err != nil || start.Kind() != '{' {
		return nil, Missing(err)
	}
	e := &envelope{members: map[string]jsontext.Value{}}
	for d.PeekKind() == '"' {
		name, err := d.ReadToken()
		if err != nil {
			return nil, Unreadable(err)
		}
		key := name.String()
		value, err := d.ReadValue()
		if err != nil {
			return nil, Unreadable(err)
		}
		if _, twice := e.members[key]; twice {
			return nil, errTwice
		}
		if len(e.members) == maxMembers {
			return nil, errMembers
		}
		end := d.InputOffset() // the next reading ends the value, but not the body
		e.members[key] = body[end-int64(len(value)) : end : end]
	}
	if _, err := d.ReadToken(); err != nil {
		return nil, Unreadable(err)
	}
	if _, err := d.ReadToken(); !errors.Is(err, io.EOF) {
		return nil, errTrailing
	}
	return e, nil
}

func decoderOf(json []byte) *jsontext.Decoder {
	return jsontext.NewDecoder(bytes.NewBuffer(json), jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true))
}

// maxMembers is how many members an envelope may have, of a newer schema too.
const maxMembers = 100

var (
	errTwice    = fault.New(fault.Unreadable, "body-unreadable", "The body names one of its members twice.")
	errMembers  = fault.New(fault.Unreadable, "body-unreadable", "The body has more than 100 members: hand in entries as elements of \"entries\".")
	errTrailing = fault.New(fault.Unreadable, "body-unreadable", "The body goes on after its JSON object.")
)

func (e *envelope) wrong(name, detail string) {
	e.fields = append(e.fields, fault.Field{Pointer: "/" + name, Detail: detail})
}

// err refuses an envelope with anything wrong in it. The members of a schema that is not known yet may be more.
func (e *envelope) err(schema int, known ...string) error {
	for _, name := range slices.Sorted(maps.Keys(e.members)) {
		if schema <= door.KnownSchema && !slices.Contains(known, name) {
			e.fields = append(e.fields, fault.Field{
				Pointer: tellable(jsontext.Pointer("").AppendToken(name)),
				Detail:  fmt.Sprintf("Only these members are known here, told apart by case too: %s.", strings.Join(known, ", ")),
			})
			break
		}
	}
	if len(e.fields) == 0 {
		return nil
	}
	f := fault.New(fault.Invalid, "invalid-input", "Some of what was sent is wrong: see the places named.")
	f.Fields = e.fields
	return f
}

// number reads a whole number. However it is written, 1 is 1.0, as in an entry.
func (e *envelope) number(name string, least, most int) int {
	n, err := strconv.ParseFloat(string(e.members[name]), 64)
	if e.members[name].Kind() != '0' || len(e.members[name]) > door.MaxNumber || err != nil || n != math.Trunc(n) || n < float64(least) || n > float64(most) {
		e.wrong(name, fmt.Sprintf("Give a whole number from %d to %d.", least, most))
		return least
	}
	return int(n)
}

// text reads a string.
func (e *envelope) text(name, want string) string {
	text, err := jsontext.AppendUnquote(nil, e.members[name])
	if err != nil {
		e.wrong(name, want)
	}
	return string(text)
}

// entries reads the array of entries, each still as it was sent.
func (e *envelope) entries() [][]byte {
	value, has := e.members["entries"]
	if !has || value.Kind() != '[' {
		e.wrong("entries", "Give an array of entries.")
		return nil
	}
	// One more than may be sent is enough to see that there are too many.
	entries := door.Elements(value, clinic.MaxEntries+1)
	for i, entry := range entries {
		entries[i] = bytes.Clone(entry) // which may be kept for long, while the body isn't
	}
	return entries
}

// maxSchema is more than the schema will ever be.
const maxSchema = 1_000_000

// SyncRequest reads the body of a sync call. A body that is no JSON object, or names one of its members twice, is
// fault.Unreadable; one with wrong members is fault.Invalid and names them. Entries are left as they were sent, at most one
// more of them than may be.
func SyncRequest(body []byte) (clinic.SyncRequest, error) {
	e, err := openEnvelope(body)
	if err != nil {
		return clinic.SyncRequest{}, err
	}
	r := clinic.SyncRequest{Schema: e.number("schema", 1, maxSchema), Limit: clinic.DefaultPage, Entries: e.entries()}
	if cursor, has := e.members["cursor"]; !has || cursor.Kind() != 'n' {
		const wantCursor = "Give the cursor of the last answer, or null for a first pull."
		if r.Cursor = e.text("cursor", wantCursor); has && cursor.Kind() == '"' && r.Cursor == "" {
			e.wrong("cursor", wantCursor)
		}
	}
	const wantClock = "Give the device's clock at sending, as RFC 3339 with an offset."
	wrong := len(e.fields)
	sent, err := practice.ParseMoment(e.text("sent_at", wantClock))
	if err != nil && len(e.fields) == wrong {
		e.wrong("sent_at", wantClock)
	}
	r.Sent = sent.Time()
	if _, has := e.members["limit"]; has {
		r.Limit = e.number("limit", 1, clinic.MaxPage)
	}
	return r, e.err(r.Schema, "schema", "cursor", "sent_at", "limit", "entries")
}

// ClinicEntries reads the body of a clinician's entries, each as it was sent. Its errors are those of [SyncRequest].
func ClinicEntries(body []byte) ([][]byte, error) {
	e, err := openEnvelope(body)
	if err != nil {
		return nil, err
	}
	entries := e.entries()
	if len(entries) == 0 && len(e.fields) == 0 {
		e.wrong("entries", "Give at least one entry.")
	}
	return entries, e.err(door.KnownSchema, "entries")
}
