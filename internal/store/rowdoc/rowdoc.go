// Package rowdoc holds what engines keep as JSON within a row, since it is only ever read as a whole. It is the same in every engine,
// so that such a document goes from one to another as it is.
package rowdoc

import (
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

// Wanted is what is wanted at an address. It has the fields of clinic.Wanted.
type Wanted struct {
	Kinds      []string           `json:"kinds"`
	Weekdays   []int              `json:"weekdays"`
	QuietFrom  practice.TimeOfDay `json:"quiet_from"`
	QuietUntil practice.TimeOfDay `json:"quiet_until"`
	Timezone   string             `json:"timezone"`
}

// Try is what became of one try to deliver.
type Try struct {
	At          int64            `json:"at"` // UTC milliseconds since 1970
	Destination uuid.UUID        `json:"destination,omitzero"`
	Channel     string           `json:"channel,omitzero"`
	Outcome     reminder.Outcome `json:"outcome"`
	Permanent   bool             `json:"permanent,omitzero"`
	Detail      string           `json:"detail,omitzero"`
}

// TriesOf returns tries as they are kept.
func TriesOf(tries []reminder.Try) []Try {
	docs := make([]Try, len(tries))
	for i, t := range tries {
		docs[i] = Try{t.At.UnixMilli(), t.Destination, t.Channel, t.Outcome, t.Permanent, t.Detail}
	}
	return docs
}

// Tries returns what was kept of tries; nil for none.
func Tries(docs []Try) []reminder.Try {
	var tries []reminder.Try
	for _, t := range docs {
		tries = append(tries, reminder.Try{
			At: time.UnixMilli(t.At).UTC(), Destination: t.Destination, Channel: t.Channel, Outcome: t.Outcome, Permanent: t.Permanent,
			Detail: t.Detail,
		})
	}
	return tries
}
