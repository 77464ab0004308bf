// Package body reads the bodies of requests strictly, and says where one is wrong without repeating what stood there. The
// envelope of an upload is opened by hand here, so that what is wrong inside one entry fails nothing but it.
package body

import (
	"errors"
	"fmt"
	"strings"
	"unicode"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"swallowtail/internal/fault"
)

var errMissing = fault.New(fault.Unreadable, "body-unreadable", "Send a JSON object as the body.")

// Missing refuses a request that sent no JSON object. The cause may be nil.
func Missing(cause error) error { return errMissing.Because(cause) }

// Wrong refuses a body that can be parsed for what is wrong at a place in it.
func Wrong(pointer, detail string) error {
	return fault.New(fault.Invalid, "invalid-input", "Some of what was sent is wrong: see the places named.").At(pointer, detail)
}

// Unreadable says where a body is no JSON, or is another than what the operation takes. The error is one of decoding.
func Unreadable(err error) error {
	if syntactic, ok := errors.AsType[*jsontext.SyntacticError](err); ok {
		detail := fmt.Sprintf("The body is not well-formed JSON, or names a member twice: see octet %d.", syntactic.ByteOffset)
		return fault.New(fault.Unreadable, "body-unreadable", detail).Because(err)
	}
	if semantic, ok := errors.AsType[*json.SemanticError](err); ok {
		f := fault.New(fault.Invalid, "invalid-input", "Some of what was sent is wrong: see the places named.").Because(err)
		if errors.Is(err, json.ErrUnknownName) {
			return f.At(tellable(semantic.JSONPointer), "There is no such member: names are told apart by case too.")
		}
		return f.At(tellable(semantic.JSONPointer), "This is of the wrong type: see the API description.")
	}
	return fault.New(fault.Unreadable, "body-unreadable", "The body can't be read.").Because(err)
}

// longestName is the longest name of a member, in octets, that is repeated in a pointer.
const longestName = 64

// tellable returns a pointer up to where a name in it is too long or too strange to be repeated.
func tellable(place jsontext.Pointer) string {
	strange := func(c rune) bool { return !unicode.IsPrint(c) }
	var told jsontext.Pointer
	for name := range place.Tokens() {
		if len(name) > longestName || strings.ContainsFunc(name, strange) {
			break
		}
		told = told.AppendToken(name)
	}
	return string(told)
}
