package door

import (
	"bytes"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"
)

// maxMembers is the most members that an object of an entry has.
const maxMembers = 9

// form is one object of an entry, its members sorted into the places that are known.
type form struct {
	reader *reader
	at     string   // the pointer to the object
	names  []string // the known members
	slots  [maxMembers]slot
}

type slot struct {
	value    []byte
	presence presence
}

type presence uint8

const (
	absent presence = iota
	given
	doubled // more than once, so that its value can't be told
)

func (f *form) begin(r *reader, at string, names []string) {
	*f = form{reader: r, at: at, names: names}
}

// put sorts in a member as it stands in the object, and tells what is wrong with its name.
func (f *form) put(name, value []byte) {
	i := f.index(name[1 : len(name)-1]) // nearly always it is known, and written without escapes
	if i < 0 {
		text, ok := f.reader.unquote(name)
		if !ok || !tellable(text) {
			f.reader.flaw(f.at, "Leave out the member whose name is none of "+f.known()+".")
			return
		}
		if i = f.index(text); i < 0 {
			f.reader.flaw(f.pointer(string(text)), f.unknown(string(text)))
			return
		}
	}
	switch {
	case f.slots[i].presence == absent:
		f.slots[i] = slot{value: value, presence: given}
	case f.slots[i].presence == given:
		f.slots[i] = slot{presence: doubled}
		if f.names[i] != memberStamp { // which is then unread, and no flaw
			f.reader.flaw(f.pointer(f.names[i]), "Give it once. It stands more than once in its object.")
		}
	}
}

func (f *form) index(name []byte) int {
	for i := range f.names {
		if f.names[i] == string(name) {
			return i
		}
	}
	return -1
}

// tellable reports whether a name may be repeated in a pointer: neither long nor strange.
func tellable(name []byte) bool {
	const longest = 64
	return len(name) <= longest && !bytes.ContainsFunc(name, func(c rune) bool { return !unicode.IsPrint(c) })
}

func (f *form) unknown(name string) string {
	meant := strings.TrimSpace(name)
	for _, known := range f.names {
		if strings.EqualFold(meant, known) {
			return `Spell it "` + known + `", exactly.`
		}
	}
	return "Leave it out. The members are " + f.known() + "."
}

func (f *form) known() string { return listOf(f.names) }

func listOf[W ~string](words []W) string {
	text := make([]string, len(words))
	for i, w := range words {
		text[i] = string(w)
	}
	return strings.Join(text, ", ")
}

func (f *form) pointer(name string) string {
	return string(jsontext.Pointer(f.at).AppendToken(name))
}

func (f *form) slot(name string) *slot {
	return &f.slots[slices.Index(f.names, name)]
}

func (f *form) presence(name string) presence { return f.slot(name).presence }

// value returns a member as it stands in the JSON, nil where it is absent or stands more than once.
func (f *form) value(name string) []byte { return f.slot(name).value }

// isNull reports whether a member is given as null.
func (f *form) isNull(name string) bool { return string(f.value(name)) == "null" }

// required returns a member as it stands in the JSON, and whether there is one value to read; it tells that it is missing. That it
// stands more than once has been told; that it is missing can't be said of an entry which breaks off.
func (f *form) required(name, want string) (value []byte, has bool) {
	s := f.slot(name)
	if s.presence == absent && (f.at != "" || f.reader.sound) {
		f.tell(name, "It is missing. "+want)
	}
	return s.value, s.presence == given
}

// tell tells what is amiss with a member; nothing where that is empty.
func (f *form) tell(name, amiss string) {
	if amiss != "" {
		f.reader.flaw(f.pointer(name), amiss)
	}
}

// tellItem tells what is amiss with an element of an array.
func (f *form) tellItem(name string, i int, amiss string) {
	if amiss != "" {
		f.reader.flaw(f.pointer(name)+"/"+strconv.Itoa(i), amiss)
	}
}

// otherKind says that a value is wanted, and what it is where that is of another kind.
func otherKind(value []byte, kind jsontext.Kind, want string) string {
	is := jsontext.Value(value).Kind()
	if is == kind {
		return want
	}
	return "It is " + kindNames[is] + ". " + want
}

var kindNames = map[jsontext.Kind]string{
	jsontext.KindNull:        "null",
	jsontext.KindTrue:        "a boolean",
	jsontext.KindFalse:       "a boolean",
	jsontext.KindString:      "a string",
	jsontext.KindNumber:      "a number",
	jsontext.KindBeginObject: "an object",
	jsontext.KindBeginArray:  "an array",
}

// unquote returns the text of a JSON string, which holds until the next call. It returns false unless the text is valid
// UTF-8, its surrogates in pairs.
func (r *reader) unquote(quoted []byte) (text []byte, ok bool) {
	inside := quoted[1 : len(quoted)-1]
	if bytes.IndexByte(inside, '\\') < 0 {
		return inside, utf8.Valid(inside)
	}
	text, err := jsontext.AppendUnquote(r.scratch[:0], quoted)
	r.scratch = text[:0]
	return text, err == nil
}

// text returns a JSON string's text, which holds until the next call, or what is amiss with it.
func (r *reader) text(value []byte, want string) (text []byte, amiss string) {
	if jsontext.Value(value).Kind() != jsontext.KindString {
		return nil, otherKind(value, jsontext.KindString, want)
	}
	text, ok := r.unquote(value)
	switch {
	case !ok:
		return nil, "Give valid UTF-8, and surrogates only in pairs."
	case bytes.IndexByte(text, 0) >= 0:
		return nil, `Leave out the NUL character (\u0000).`
	}
	return text, ""
}
