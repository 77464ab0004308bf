package api

import (
	stdjson "encoding/json"
	"errors"
	"io"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"swallowtail/api/body"
	"swallowtail/internal/door"
)

// binder reads bodies strictly: unknown, miscased and duplicate members, trailing data and bad UTF-8 are refused. A
// body whose parts are looked at one by one, since one bad part must not fail its neighbours, is taken raw.
type binder struct{}

// Bind implements echo.Binder.
func (binder) Bind(into any, c echo.Context) error {
	raw, err := octetsOf(c.Request().Body)
	if err != nil {
		return errInterrupted.Because(err)
	}
	if whole, ok := into.(*stdjson.RawMessage); ok {
		*whole = raw
		return nil
	}
	if len(raw) == 0 {
		return body.Missing(nil)
	}
	// Whatever can't be parsed is told as that, also behind a member that is wrong.
	if err := json.Unmarshal(raw, new(jsontext.Value)); err != nil {
		return body.Unreadable(err)
	}
	if flaw, beyond := door.Beyond(raw); beyond {
		return body.Wrong(flaw.Pointer, flaw.Detail)
	}
	if err := json.Unmarshal(raw, into, json.RejectUnknownMembers(true), json.WithUnmarshalers(noNullTruth)); err != nil {
		return body.Unreadable(err)
	}
	return nil
}

// octetsOf returns all of a body, which mostly has been read already.
func octetsOf(from io.Reader) ([]byte, error) {
	if whole, is := from.(*wholeBody); is {
		return whole.octets, nil
	}
	return io.ReadAll(from)
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
