package client

import "encoding/json"

// Schema is the version of the entries' form that this package writes.
const Schema = 1

// Statuses of an entry, in results and in the feed.
const (
	Accepted    = "accepted"
	Duplicate   = "duplicate"   // only in results: the server had it already
	Quarantined = "quarantined" // kept as sent, with a problem naming what to mend
	Parked      = "parked"      // of a kind or schema not known yet
	SetAside    = "set_aside"   // kept for a clinician's review
	IDReuse     = "id_reuse"    // only in results: the id was used with other content, nothing changed
)

// TooLarge is this package's own status for an entry that the server refuses even alone in a call.
const TooLarge = "too_large"

// RoleCaregiver is the author's role of what a device writes, and of what a clinician copied off a caregiver's sheet.
const RoleCaregiver = "caregiver"

// Entry is one immutable statement as its writer sends it. Times are text, kept as they were written: an entry that is
// offered again must be the same to the letter of its canonical form.
type Entry struct {
	ID         string          `json:"id"`
	Kind       string          `json:"kind"`
	Subject    string          `json:"subject"`
	Replaces   []string        `json:"replaces"`
	LearnerID  string          `json:"learner_id"`
	RecordedAt string          `json:"recorded_at"` // RFC 3339 with the local offset
	Body       json.RawMessage `json:"body"`
	Stamp      *Stamp          `json:"stamp,omitempty"` // only when offered again after a restore
}

// Stamp is what the server noted at first receipt. The device hands it back exactly as it was seen.
type Stamp struct {
	ReceivedAt    string `json:"received_at"`
	ClockOffsetMS int64  `json:"clock_offset_ms"`
	Seal          string `json:"seal"`
}

// Author says whose statement an entry is.
type Author struct {
	Role string `json:"role"` // caregiver or clinician
	ID   string `json:"id"`
}

// Request is one sync call.
type Request struct {
	Schema  int     `json:"schema"`
	Cursor  *string `json:"cursor"`  // nil for a first pull
	SentAt  string  `json:"sent_at"` // the device's clock at sending, RFC 3339
	Limit   int     `json:"limit"`   // the most changes to answer with, 1 to 500
	Entries []Entry `json:"entries"`
}

// Response is the answer to a sync call. A revoked device is answered Results alone: Cursor is nil then.
type Response struct {
	Results    []Result          `json:"results"` // one for each entry pushed, in their order
	Changes    []Change          `json:"changes,omitempty"`
	Cursor     *string           `json:"cursor,omitempty"`
	More       bool              `json:"more,omitempty"`
	Head       int64             `json:"head,omitempty"`
	Epoch      string            `json:"epoch,omitempty"`
	ServerTime string            `json:"server_time,omitempty"`
	Nights     []json.RawMessage `json:"nights,omitempty"` // see Night
	Gone       []GoneNight       `json:"gone,omitempty"`
	Digest     string            `json:"digest,omitempty"` // hex SHA-256, see Digest
}

// GoneNight names a night that is no more.
type GoneNight struct {
	LearnerID string `json:"learner_id"`
	Night     string `json:"night"`
}

// Result is what became of one entry that was sent.
type Result struct {
	ID      string   `json:"id"`
	Status  string   `json:"status"`
	Rev     int64    `json:"rev"` // 0 when nothing was stored under the id
	Problem *Problem `json:"problem"`
}

// Change is a stored entry as the feed and the clinic's list show it. Members of a quarantined entry that the server
// could not read are empty.
type Change struct {
	ID         string          `json:"id"`
	Kind       string          `json:"kind"`
	Subject    string          `json:"subject"`
	Replaces   []string        `json:"replaces"`
	LearnerID  string          `json:"learner_id"`
	RecordedAt string          `json:"recorded_at"`
	Body       json.RawMessage `json:"body,omitempty"` // absent where it is not shown
	Sent       json.RawMessage `json:"sent,omitempty"` // the whole entry as sent, of a quarantined or parked one
	Rev        int64           `json:"rev"`
	Status     string          `json:"status"`
	Author     Author          `json:"author"`
	Device     string          `json:"device"` // empty for a clinician's
	Stamp      *Stamp          `json:"stamp"`
	Problem    *Problem        `json:"problem"`
	Effect     string          `json:"effect,omitempty"` // clinic's list only: counts, replaced, withdrawn, none
	Why        string          `json:"why,omitempty"`    // clinic's list only
}
