// Package fault holds the closed set of error kinds that callers act upon, and the error that carries one of them
// together with what a client may be told.
//
// An error without a kind is a defect or an outage: it counts as Internal and none of its text leaves the service.
// A package that refuses something returns an *Error; whoever stands at the edge turns the kind into a status, once:
//
//	return fault.New(fault.Invalid, "password-unsuitable", "The password does not meet the rules.").
//		At("/password", "must have at least 12 characters")
//
// The kinds and the problem slugs are append-only, since clients depend on them.
package fault

import (
	"errors"
	"maps"
	"slices"
	"time"
)

// Kind says what sort of thing went wrong, from the point of view of whoever has to react. The zero value is Internal.
type Kind int

// The kinds, each with the reaction it asks for.
const (
	Internal         Kind = iota // a defect: nothing the caller can mend
	Unreadable                   // the input cannot be parsed at all
	Unauthenticated              // nobody, or nobody any longer: sign in or refresh
	Forbidden                    // known, but the role lacks the right
	NotFound                     // absent, or somebody else's: the two are not told apart
	Conflict                     // at odds with what is stored: read again, then decide
	TooLarge                     // more than the stated limit: send less
	UnsupportedMedia             // a content type or encoding that is not spoken here
	Invalid                      // parsed, but wrong: mend the fields named
	RateLimited                  // too often: wait
	Unavailable                  // a dependency is away: try again later
	OutOfSpace                   // the store is full: an operator must act
)

var kindNames = [...]string{
	Internal:         "internal",
	Unreadable:       "unreadable",
	Unauthenticated:  "unauthenticated",
	Forbidden:        "forbidden",
	NotFound:         "not found",
	Conflict:         "conflict",
	TooLarge:         "too large",
	UnsupportedMedia: "unsupported media",
	Invalid:          "invalid",
	RateLimited:      "rate limited",
	Unavailable:      "unavailable",
	OutOfSpace:       "out of space",
}

// String names the kind for logs. A value outside the set reads as "internal".
func (k Kind) String() string {
	if k < 0 || int(k) >= len(kindNames) {
		return kindNames[Internal]
	}
	return kindNames[k]
}

// Field points at one wrong part of the input.
type Field struct {
	Pointer string // JSON Pointer (RFC 6901) into what was sent, e.g. "/entries/3/body/ease"
	Detail  string // what is wrong with it, safe for clients
}

// Error is a refusal: a kind, what the client may know, and the cause, which stays inside.
type Error struct {
	Kind    Kind
	Problem string         // stable slug, e.g. "entry-invalid"
	Detail  string         // one sentence, safe for clients: no health data, paths, SQL or identities
	Fields  []Field        // the wrong parts of the input, if that is what it is about
	Extra   map[string]any // further members of the problem document, e.g. "epoch"; none of its standard members
	Wait    time.Duration  // how long to wait before trying again; zero: nothing is known of it
	Err     error          // the cause, for logs; may be nil
}

// New makes a refusal of the given kind. The problem is its stable slug, the detail a sentence for the client.
func New(kind Kind, problem, detail string) *Error {
	return &Error{Kind: kind, Problem: problem, Detail: detail}
}

// At returns a copy that also names a wrong part of the input.
func (e *Error) At(pointer, detail string) *Error {
	c := *e
	c.Fields = append(slices.Clone(e.Fields), Field{Pointer: pointer, Detail: detail})
	return &c
}

// With returns a copy that also carries a further member of the problem document.
func (e *Error) With(name string, value any) *Error {
	c := *e
	c.Extra = maps.Clone(e.Extra)
	if c.Extra == nil {
		c.Extra = map[string]any{}
	}
	c.Extra[name] = value
	return &c
}

// After returns a copy that says how long to wait before trying again.
func (e *Error) After(wait time.Duration) *Error {
	c := *e
	c.Wait = wait
	return &c
}

// Because returns a copy with the cause, which errors.Is and errors.As can reach and clients never see.
func (e *Error) Because(err error) *Error {
	c := *e
	c.Err = err
	return &c
}

// Error is the text for logs: slug, detail and cause.
func (e *Error) Error() string {
	text := e.Problem + ": " + e.Detail
	if e.Err != nil {
		text += ": " + e.Err.Error()
	}
	return text
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// KindOf returns the kind of the outermost *Error in err's tree, and Internal when there is none.
func KindOf(err error) Kind {
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Kind
	}
	return Internal
}

// ProblemOf returns the slug of the outermost *Error in err's tree, and "internal" when there is none.
func ProblemOf(err error) string {
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Problem
	}
	return kindNames[Internal]
}
