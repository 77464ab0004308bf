// Package served holds the documents in which nights, summaries and roster lines go out on the wire. Roster lines are kept in the
// same form, so that the roster can give them out as they are; of nights a print is kept, to tell when one has changed. Their names
// are the contract's; what they mean is told in the API description.
package served

import (
	"bytes"
	"fmt"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// encoding spares the encoder a search for names that come twice: no document of ours has any, and whatever raw JSON one
// holds was searched when it was read.
var encoding = json.JoinOptions(json.Deterministic(true), jsontext.AllowDuplicateNames(true))

// Encode returns a document as JSON. Only what can't be JSON at all is an error, which no document of this package is.
func Encode(document any) ([]byte, error) {
	if own, is := document.(Writer); is {
		var encoded []byte
		err := Lend(own, func(written []byte) error {
			encoded = bytes.Clone(written)
			return nil
		})
		return encoded, err
	}
	encoded, err := json.Marshal(document, encoding)
	if err != nil {
		return nil, fmt.Errorf("encode document: %w", err)
	}
	return encoded, nil
}

// Instant formats an instant as the wire has it: RFC 3339 in UTC, with milliseconds where there are any.
func Instant(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.999Z07:00") }

// InstantOrNull is Instant, with nil for none.
func InstantOrNull(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	text := Instant(t)
	return &text
}

// Author is who gave an account.
type Author struct {
	Role string    `json:"role"`
	ID   uuid.UUID `json:"id"`
}

// AuthorOf returns an author as served.
func AuthorOf(a practice.Author) Author { return Author{Role: a.Role.String(), ID: a.ID.UUID} }

// Counts are a programme's nights by state.
type Counts struct {
	Planned   int `json:"planned"`
	Elapsed   int `json:"elapsed"`
	Practised int `json:"practised"`
	Complete  int `json:"complete"`
	Partial   int `json:"partial"`
	Excused   int `json:"excused"`
	Attempted int `json:"attempted"`
	Missed    int `json:"missed"`
	Unheard   int `json:"unheard"`
	Recalled  int `json:"recalled"`
}

// Streak is a run of practised nights.
type Streak struct {
	Current int `json:"current"`
	Longest int `json:"longest"`
}

// LearnerCard is a learner in brief.
type LearnerCard struct {
	ID       uuid.UUID `json:"id"`
	Nickname string    `json:"nickname"`
	AgeBand  *string   `json:"age_band"`
}

// CardOf returns a learner in brief at an instant.
func CardOf(id uuid.UUID, nickname, birthMonth string, at time.Time) LearnerCard {
	return LearnerCard{ID: id, Nickname: nickname, AgeBand: ageBand(birthMonth, at)}
}

// ageBands are the bands in years, the last without end. They follow how a question is put to a child (under 4, 4 to 5,
// from 6) as near as bands of some years can.
var ageBands = []struct {
	below int
	name  string
}{{4, "0-3"}, {6, "4-5"}, {8, "6-7"}, {12, "8-11"}, {18, "12-17"}}

// Born returns the beginning of the month in which somebody was born, written as 2006-01; zero where it is not known.
func Born(month string) time.Time {
	born, err := time.Parse("2006-01", month)
	if err != nil {
		return time.Time{}
	}
	return born
}

// ageBand returns the band of the age that somebody born in a month has at an instant; nil where the month is not known.
// Within the month of birth the birthday counts as past.
func ageBand(birthMonth string, at time.Time) *string {
	born := Born(birthMonth)
	if born.IsZero() {
		return nil
	}
	name := "18+"
	for _, band := range ageBands {
		if at.Before(born.AddDate(band.below, 0, 0)) {
			name = band.name
			break
		}
	}
	return &name
}

// NextAgeBand returns the first instant after another at which somebody born in a month comes into the next age band; zero
// where there is none or the month is not known.
func NextAgeBand(birthMonth string, at time.Time) time.Time {
	born := Born(birthMonth)
	if born.IsZero() {
		return time.Time{}
	}
	for _, band := range ageBands {
		if next := born.AddDate(band.below, 0, 0); at.Before(next) {
			return next
		}
	}
	return time.Time{}
}
