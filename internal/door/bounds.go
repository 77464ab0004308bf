package door

import (
	"bytes"
	"strings"
	"unicode"

	"github.com/go-json-experiment/json/jsontext"
)

// The bounds of any JSON that is taken in, far beyond what anybody means. What exceeds them would be kept and handed on to
// clients whose parsers may bear less: RFC 8259, section 9, lets each set its own.
const (
	MaxDepth  = 32       // objects and arrays within each other; an entry has three
	MaxItems  = 1_000    // elements of one array, or members of one object
	MaxString = 32 << 10 // octets of one string as written: a note of 2,000 characters, each as two escapes, has 24,000
	MaxNumber = 40       // octets of one number as written; a double in full has at most 24
)

const (
	tooDeep  = "Nest less deeply: at most 32 objects and arrays within each other."
	tooMany  = "Give fewer: at most 1,000 elements of an array or members of an object."
	tooLong  = "Give a shorter text: at most 32 kB as it is written in JSON."
	tooExact = "Write the number with at most 40 characters."
)

// Beyond tells where JSON goes beyond the bounds, the first such place. What is no valid JSON is looked at as far as it goes.
func Beyond(raw []byte) (Flaw, bool) {
	if !maybeBeyond(raw) {
		return Flaw{}, false
	}
	d := jsontext.NewDecoder(bytes.NewReader(raw), lenient...)
	for {
		before := d.InputOffset()
		token, err := d.ReadToken()
		if err != nil {
			return Flaw{}, false
		}
		amiss := ""
		written := len(bytes.TrimLeft(raw[before:d.InputOffset()], " \t\r\n,:"))
		_, items := d.StackIndex(d.StackDepth())
		switch {
		case d.StackDepth() > MaxDepth:
			amiss = tooDeep
		case itemsOf(d, items) > MaxItems:
			amiss = tooMany
		case token.Kind() == jsontext.KindString && written > MaxString:
			amiss = tooLong
		case token.Kind() == jsontext.KindNumber && written > MaxNumber:
			amiss = tooExact
		}
		if amiss != "" {
			return Flaw{Pointer: briefly(d.StackPointer()), Detail: amiss}, true
		}
	}
}

// itemsOf returns how many elements or members there are so far where the decoder is, of which it counts names and values.
func itemsOf(d *jsontext.Decoder, counted int64) int64 {
	if kind, _ := d.StackIndex(d.StackDepth()); kind == jsontext.KindBeginObject {
		return (counted + 1) / 2
	}
	return counted
}

// briefly returns a pointer up to where it gets long or strange.
func briefly(place jsontext.Pointer) string {
	const tokens, longest = 4, 64
	var told jsontext.Pointer
	n := 0
	for name := range place.Tokens() {
		if n++; n > tokens || len(name) > longest || strings.ContainsFunc(name, func(c rune) bool { return !unicode.IsPrint(c) }) {
			break
		}
		told = told.AppendToken(name)
	}
	return string(told)
}

// mayBeOfNumber tells, of each octet, whether it may stand in a number.
var mayBeOfNumber = [256]bool{
	'0': true, '1': true, '2': true, '3': true, '4': true, '5': true, '6': true, '7': true, '8': true, '9': true,
	'-': true, '+': true, '.': true, 'e': true, 'E': true,
}

// maybeBeyond is quick to say that nothing is beyond the bounds, which is nearly always so. Commas are counted all together.
func maybeBeyond(raw []byte) bool {
	depth, commas, number := 0, 0, 0
	for i := 0; i < len(raw); i++ {
		c := raw[i]
		if mayBeOfNumber[c] {
			if number++; number > MaxNumber {
				return true
			}
			continue
		}
		number = 0
		switch c {
		case '"':
			n := stringLength(raw[i:])
			if n > MaxString {
				return true
			}
			i += n - 1
		case '{', '[':
			depth++
		case '}', ']':
			depth--
		case ',':
			commas++
		}
		if depth > MaxDepth || commas >= MaxItems {
			return true
		}
	}
	return false
}
