package client

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"
)

// TypeDiverged is the type of the problem with which the server refuses a cursor that its history does not bear out.
const TypeDiverged = "/problems/history-diverged"

// Problem is a refusal in the form of RFC 9457. As an error it says status, type, title and detail, none of which hold
// anything about health.
type Problem struct {
	Type     string         `json:"type"` // a stable relative URI to decide on
	Title    string         `json:"title"`
	Status   int            `json:"status"` // the HTTP status
	Detail   string         `json:"detail,omitempty"`
	Instance string         `json:"instance,omitempty"`
	Errors   []ProblemError `json:"errors,omitempty"`

	// Extra holds the members beyond those above, such as epoch and limits.
	Extra map[string]json.RawMessage `json:"-"`
	// RetryAfter is how long to wait before the next attempt; 0 when the server named no time.
	RetryAfter time.Duration `json:"-"`
}

// ProblemError is one place in the input that is wrong.
type ProblemError struct {
	Pointer string `json:"pointer"` // JSON Pointer into the request's body
	Detail  string `json:"detail"`
}

func (p *Problem) Error() string {
	text := fmt.Sprintf("%d %s: %s", p.Status, p.Type, p.Title)
	if p.Detail != "" {
		text += ": " + p.Detail
	}
	for _, e := range p.Errors {
		text += fmt.Sprintf(" [%s %s]", e.Pointer, e.Detail)
	}
	return text
}

// Epoch returns the name of the server's present history, with TypeDiverged; otherwise it is empty.
func (p *Problem) Epoch() string {
	var epoch string
	if json.Unmarshal(p.Extra["epoch"], &epoch) != nil {
		return ""
	}
	return epoch
}

// ComeBackLater tells whether the same call may succeed after RetryAfter: the server is busy, cannot work now, or is full
// until somebody makes room.
func (p *Problem) ComeBackLater() bool {
	switch p.Status {
	case http.StatusTooManyRequests, http.StatusServiceUnavailable, http.StatusInsufficientStorage:
		return true
	}
	return false
}

// plainProblem is a Problem without its methods, so that encoding it does not come back to them.
type plainProblem Problem

var problemMembers = []string{"type", "title", "status", "detail", "instance", "errors"}

// UnmarshalJSON reads a problem with whatever further members it has.
func (p *Problem) UnmarshalJSON(data []byte) error {
	var plain plainProblem
	if err := json.Unmarshal(data, &plain); err != nil {
		return err
	}
	if err := json.Unmarshal(data, &plain.Extra); err != nil {
		return err
	}
	for _, name := range problemMembers {
		delete(plain.Extra, name)
	}
	if len(plain.Extra) == 0 {
		plain.Extra = nil
	}
	*p = Problem(plain)
	return nil
}

// MarshalJSON writes a problem with its further members, so that it survives on a Disk.
func (p *Problem) MarshalJSON() ([]byte, error) {
	own, err := json.Marshal((*plainProblem)(p))
	if err != nil || len(p.Extra) == 0 {
		return own, err
	}
	members := map[string]json.RawMessage{}
	if err := json.Unmarshal(own, &members); err != nil {
		return nil, err
	}
	for name, value := range p.Extra {
		members[name] = value
	}
	return json.Marshal(members)
}

// AsProblem returns the problem that err is or wraps; nil when there is none.
func AsProblem(err error) *Problem {
	var p *Problem
	if errors.As(err, &p) {
		return p
	}
	return nil
}
