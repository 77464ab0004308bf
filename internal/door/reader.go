package door

import (
	"bytes"
	"errors"
	"fmt"
	"sync"

	"github.com/go-json-experiment/json/jsontext"

	"swallowtail/internal/practice"
)

// reader reads one entry and collects what is wrong with it. Readers are pooled, since a fold reads hundreds of entries.
type reader struct {
	decoder jsontext.Decoder
	input   bytes.Buffer
	role    practice.Role
	sound   bool // the input is one JSON object and nothing else
	beyond  bool // the bounds of any JSON
	entry   form
	inner   form // the body, then the stamp
	flaws   []Flaw
	count   int      // of all flaws, also those beyond the ones kept
	scratch []byte   // the last string that had to be unquoted
	items   [][]byte // the elements of the last array
}

// Duplicate names and bad UTF-8 are looked for here, where each can be told by its place and reading goes on behind it.
var lenient = []jsontext.Options{jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true)}

var readers = sync.Pool{New: func() any { return new(reader) }}

func takeReader() *reader {
	r, ok := readers.Get().(*reader)
	if !ok {
		return new(reader)
	}
	return r
}

// release gives the reader back, holding on to nothing of the entry.
func (r *reader) release() {
	r.start(nil)
	r.sound, r.beyond, r.flaws, r.count = false, false, nil, 0
	r.entry, r.inner = form{}, form{}
	clear(r.items[:cap(r.items)])
	readers.Put(r)
}

// start makes the decoder read raw.
func (r *reader) start(raw []byte) {
	r.input = *bytes.NewBuffer(raw)
	r.decoder.Reset(&r.input, lenient...)
}

// next returns the next value of raw, which the decoder reads. It is a slice of raw, so that it outlives the reading.
func (r *reader) next(raw []byte) ([]byte, error) {
	value, err := r.decoder.ReadValue()
	if err != nil {
		return nil, err
	}
	end := int(r.decoder.InputOffset())
	return raw[end-len(value) : end], nil
}

// open reads the entry's members. What is not one JSON object is read as far as it goes.
func (r *reader) open(raw []byte) {
	r.entry.begin(r, "", entryMembers)
	if jsontext.Value(raw).Kind() == jsontext.KindBeginObject {
		r.sound = r.complete(r.read(raw), raw)
		if flaw, beyond := Beyond(raw); beyond {
			r.beyond = true
			r.flaw(flaw.Pointer, flaw.Detail)
		}
		return
	}
	r.start(raw)
	_, err := r.next(raw)
	if r.complete(err, raw) {
		r.flaw("", "Give an object with the members "+listOf(entryMembers)+".")
	}
}

// read checks the syntax of an object that begins raw and sorts in its members. Of one that breaks off it takes those that come
// before.
func (r *reader) read(raw []byte) error {
	r.start(raw)
	object, err := r.next(raw)
	if err != nil {
		return r.eachUnchecked(raw, r.entry.put)
	}
	eachMember(object, r.entry.put)
	return nil
}

// complete reports whether reading raw ended well, with nothing left, and tells the flaw otherwise.
func (r *reader) complete(err error, raw []byte) bool {
	end := r.decoder.InputOffset()
	if err != nil {
		if syntactic := (*jsontext.SyntacticError)(nil); errors.As(err, &syntactic) {
			end = syntactic.ByteOffset
		}
		r.flaw("", fmt.Sprintf("Give JSON (RFC 8259). This is none from byte %d on, or is nested too deeply.", end))
		return false
	}
	if len(bytes.TrimLeft(raw[end:], " \t\r\n")) > 0 {
		r.flaw("", fmt.Sprintf("Give one JSON value. Something follows it at byte %d.", end))
		return false
	}
	return true
}

// openInner reads the members of an object within the entry, whose syntax has been checked.
func (r *reader) openInner(value []byte, at string, members []string) *form {
	r.inner.begin(r, at, members)
	eachMember(value, r.inner.put)
	return &r.inner
}

// eachUnchecked hands over the members of the object that begins raw, as they stand there. It returns an error where the
// object breaks off.
func (r *reader) eachUnchecked(raw []byte, put func(name, value []byte)) error {
	r.start(raw)
	if _, err := r.decoder.ReadToken(); err != nil {
		return err
	}
	for r.decoder.PeekKind() != jsontext.KindEndObject {
		name, err := r.next(raw)
		if err != nil {
			return err
		}
		value, err := r.next(raw)
		if err != nil {
			return err
		}
		put(name, value)
	}
	_, err := r.decoder.ReadToken()
	return err
}

// elements returns the elements of an array whose syntax has been checked, one more than most at the most. The slice holds
// until the next call.
func (r *reader) elements(array []byte, most int) [][]byte {
	r.items = r.items[:0]
	for rest := skip(array[1:]); !isEnd(rest) && len(r.items) <= most; {
		var item []byte
		item, rest = cutValue(rest)
		r.items = append(r.items, item)
	}
	return r.items
}

// maxFlaws is how many flaws are told in full, so that the answer to a broken entry can't grow far beyond the entry.
const maxFlaws = 50

func (r *reader) flaw(pointer, detail string) {
	r.count++
	if r.count <= maxFlaws {
		r.flaws = append(r.flaws, Flaw{Pointer: pointer, Detail: detail})
	}
}

// told returns the flaws, and after the last that is told in full how many more there are.
func (r *reader) told() []Flaw {
	if more := r.count - maxFlaws; more > 0 {
		return append(r.flaws, Flaw{Detail: fmt.Sprintf("Mend %d more that are not listed.", more)})
	}
	return r.flaws
}
