package door

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"strconv"
	"sync"

	"github.com/go-json-experiment/json/jsontext"
)

var errTooLarge = errors.New("a number is beyond what a double can hold")

// Canonical returns the canonical form of a JSON value (RFC 8785), in which members are sorted and 6.0 is 6. It returns an
// error for what has none: invalid JSON or UTF-8, a name that stands twice in an object, a number too large for a double.
func Canonical(raw []byte) ([]byte, error) {
	canonical, err := jsontext.AppendFormat(nil, raw,
		jsontext.CanonicalizeRawInts(true), jsontext.CanonicalizeRawFloats(true), jsontext.ReorderRawObjects(true))
	if err != nil {
		return nil, fmt.Errorf("canonical form: %w", err)
	}
	// Numbers too large come out as the largest, which hardly anybody means.
	if bytes.Contains(canonical, []byte("1.7976931348623157e+308")) && holdsTooLarge(raw) {
		return nil, fmt.Errorf("canonical form: %w", errTooLarge)
	}
	return canonical, nil
}

// holdsTooLarge reports whether valid JSON has a number that no double can hold.
func holdsTooLarge(raw []byte) bool {
	decoder := jsontext.NewDecoder(bytes.NewReader(raw))
	for {
		token, err := decoder.ReadToken()
		if err != nil {
			return !errors.Is(err, io.EOF)
		}
		if token.Kind() != jsontext.KindNumber {
			continue
		}
		if _, err := strconv.ParseFloat(token.String(), 64); err != nil {
			return true
		}
	}
}

// contentOf returns the hash by which two offers of an entry are told apart, as it was sent.
func (r *reader) contentOf(sent []byte) [sha256.Size]byte {
	if r.sound && !r.beyond {
		room := canonicals.Get().(*[]byte) //nolint:forcetypeassert // nothing else is put there
		defer canonicals.Put(room)
		canonical, plain := appendPlain((*room)[:0], sent)
		*room = canonical
		if plain {
			return sha256.Sum256(canonical)
		}
	}
	canonical, err := Canonical(sent)
	if err != nil {
		return sha256.Sum256(sent)
	}
	return sha256.Sum256(canonical)
}

// canonicals holds what canonical forms have been written on.
var canonicals = sync.Pool{New: func() any { return new([]byte) }}

// sentOf returns the entry as it is kept: without its stamp and without white space, and in no more memory than that where there was any
// of them. What is not one JSON object is kept as it came.
func (r *reader) sentOf(raw []byte) []byte {
	if !r.sound {
		return raw
	}
	sent := compact(raw)
	if r.entry.presence(memberStamp) != absent {
		sent = r.withoutStamp(sent)
	}
	if len(sent) < len(raw) {
		return bytes.Clone(sent) // which may be far shorter than what came
	}
	return sent
}

// compact returns valid JSON without the white space between its tokens: what it is given, where there is none.
func compact(raw []byte) []byte {
	var tight []byte
	from := 0 // of what is still to be taken over
	for i := 0; i < len(raw); i++ {
		switch raw[i] {
		case '"':
			i += stringLength(raw[i:]) - 1
		case ' ', '\t', '\n', '\r':
			if tight == nil {
				tight = make([]byte, 0, len(raw))
			}
			tight = append(tight, raw[from:i]...)
			from = i + 1
		}
	}
	if from == 0 {
		return raw
	}
	return append(tight, raw[from:]...)
}

// withoutStamp returns an object without its members of that name.
func (r *reader) withoutStamp(object []byte) []byte {
	rest := append(make([]byte, 0, len(object)), '{')
	eachMember(object, func(name, value []byte) {
		if text, ok := r.unquote(name); ok && string(text) == memberStamp {
			return
		}
		if len(rest) > 1 {
			rest = append(rest, ',')
		}
		rest = append(append(append(rest, name...), ':'), value...)
	})
	return append(rest, '}')
}
