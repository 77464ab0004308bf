package api

import (
	stdjson "encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"swallowtail/internal/fault"
)

// binder reads bodies strictly: unknown, miscased and duplicate members, trailing data and bad UTF-8 are refused. A
// body whose parts are looked at one by one, since one bad part must not fail its neighbours, is taken raw.
type binder struct{}

// Bind implements echo.Binder.
func (binder) Bind(into any, c echo.Context) error {
	body, err := io.ReadAll(c.Request().Body)
	if err != nil {
		return errInterrupted.Because(err)
	}
	if raw, ok := into.(*stdjson.RawMessage); ok {
		*raw = body
		return nil
	}
	if len(body) == 0 {
		return errNoBody
	}
	// Whatever can't be parsed is told as that, also behind a member that is wrong.
	if err := json.Unmarshal(body, new(jsontext.Value)); err != nil {
		return unreadable(err)
	}
	if err := json.Unmarshal(body, into, json.RejectUnknownMembers(true), json.WithUnmarshalers(noNullTruth)); err != nil {
		return unreadable(err)
	}
	return nil
}

// noNullTruth refuses null where true or false is wanted: left to itself it would be read as false, and a question of a
// screening that nobody answered as a no.
var noNullTruth = json.UnmarshalFromFunc(func(d *jsontext.Decoder, _ *bool) error {
	if d.PeekKind() == 'n' {
		return errNullTruth
	}
	return errors.ErrUnsupported // as ever
})

var errNullTruth = errors.New("null where true or false is wanted")

var errNoBody = fault.New(fault.Unreadable, "body-unreadable", "Send a JSON object as the body.")

// unreadable says where a body is no JSON, or is another than what the operation takes.
func unreadable(err error) error {
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
