package served

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"sync"
	"unicode/utf8"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
)

// Writer is a document that writes itself, to the letter as it is written otherwise. It is for the few documents that every upload
// brings forth; a test compares each of them with what the general encoder makes of it.
type Writer interface{ WriteJSON(p *Pen) }

// Pen writes JSON. It sets commas and quotes; that every member has its name, and what is opened is closed, is up to whoever writes.
// What can't be JSON is told by [Encode].
type Pen struct {
	out []byte
	err error
}

var pens = sync.Pool{New: func() any { return new(Pen) }}

// mostKept is the size in octets up to which what a pen has written on is kept for the next document: a page of the roster has some 60 kB.
const mostKept = 128 << 10

// Lend has a document write itself and lends what it wrote to a function, which must not keep it. Its errors are those of [Encode].
func Lend(document Writer, to func(encoded []byte) error) error {
	p, _ := pens.Get().(*Pen)
	document.WriteJSON(p)
	defer func() {
		if cap(p.out) <= mostKept {
			p.out, p.err = p.out[:0], nil
			pens.Put(p)
		}
	}()
	if p.err != nil {
		return fmt.Errorf("encode document: %w", p.err)
	}
	return to(p.out)
}

// next goes on to the next value or name: after another one comes a comma.
func (p *Pen) next() {
	if len(p.out) == 0 {
		return
	}
	switch p.out[len(p.out)-1] {
	case '{', '[', ':':
	default:
		p.out = append(p.out, ',')
	}
}

// Open begins an object, '{', or an array, '['.
func (p *Pen) Open(bracket byte) {
	p.next()
	p.out = append(p.out, bracket)
}

// Close ends what was opened, with '}' or ']'.
func (p *Pen) Close(bracket byte) { p.out = append(p.out, bracket) }

// Name names the member that comes next. It is of letters that need no escape.
func (p *Pen) Name(name string) *Pen {
	p.next()
	p.out = append(append(append(p.out, '"'), name...), '"', ':')
	return p
}

// Text writes a string.
func (p *Pen) Text(text string) {
	p.next()
	var err error
	p.out, err = jsontext.AppendQuote(p.out, text)
	p.err = cmp.Or(p.err, err)
}

// TextOrNull writes a string, and null for none.
func (p *Pen) TextOrNull(text *string) {
	if text == nil {
		p.Null()
		return
	}
	p.Text(*text)
}

// ID writes a UUID in its form of 36 characters.
func (p *Pen) ID(id uuid.UUID) {
	p.next()
	const form = `"xxxxxxxx-xxxx-xxxx-xxxx-xxxxxxxxxxxx"`
	at := len(p.out)
	p.out = append(p.out, form...)
	digits := p.out[at+1:]
	for i, octet := range id {
		const hex = "0123456789abcdef"
		place := 2*i + dashesBefore[i]
		digits[place], digits[place+1] = hex[octet>>4], hex[octet&15]
	}
}

// dashesBefore says how many dashes come before each octet of a UUID (RFC 9562, section 4).
var dashesBefore = [16]int{0, 0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4, 4, 4, 4}

// IDOrNull writes a UUID, and null for none.
func (p *Pen) IDOrNull(id *uuid.UUID) {
	if id == nil {
		p.Null()
		return
	}
	p.ID(*id)
}

// Whole writes a whole number.
func (p *Pen) Whole(n int64) {
	p.next()
	p.out = strconv.AppendInt(p.out, n, 10)
}

// Number writes a number.
func (p *Pen) Number(n float64) {
	const exact = 1 << 53 // below which whole numbers are written with all their digits
	if n == math.Trunc(n) && math.Abs(n) < exact && n != 0 {
		p.Whole(int64(n))
		return
	}
	p.Any(n)
}

// Truth writes a boolean.
func (p *Pen) Truth(is bool) {
	p.next()
	p.out = strconv.AppendBool(p.out, is)
}

// Null writes null.
func (p *Pen) Null() {
	p.next()
	p.out = append(p.out, "null"...)
}

// Raw writes a value that has been read as JSON before, or written as such. What is in it is written as all else is.
func (p *Pen) Raw(value jsontext.Value) {
	if !isPlain(value) {
		p.Any(value)
		return
	}
	p.next()
	p.out = append(p.out, value...)
}

// isPlain reports whether JSON stands as it would be written: without white space, and in its texts neither escapes nor anything
// beyond ASCII. It is quick to answer, and often enough so.
func isPlain(value jsontext.Value) bool {
	inText := false
	for _, c := range value {
		switch {
		case c == '\\' || c >= utf8.RuneSelf:
			return false
		case c == '"':
			inText = !inText
		case c <= ' ' && !inText:
			return false
		}
	}
	return len(value) > 0
}

// Verbatim writes what [Encode] has made of a document.
func (p *Pen) Verbatim(encoded []byte) {
	p.next()
	p.out = append(p.out, encoded...)
}

// Any writes anything, as it is written without a pen.
func (p *Pen) Any(value any) {
	encoded, err := json.Marshal(value, encoding)
	p.err = cmp.Or(p.err, err)
	p.Verbatim(encoded)
}

// Texts writes an array of strings.
func Texts[T ~string](p *Pen, texts []T) {
	p.Open('[')
	for _, text := range texts {
		p.Text(string(text))
	}
	p.Close(']')
}

// IDs writes an array of UUIDs.
func (p *Pen) IDs(ids []uuid.UUID) {
	p.Open('[')
	for _, id := range ids {
		p.ID(id)
	}
	p.Close(']')
}

// Each writes an array, each element by a function.
func Each[T any](p *Pen, items []T, write func(item *T, p *Pen)) {
	p.Open('[')
	for i := range items {
		write(&items[i], p)
	}
	p.Close(']')
}
