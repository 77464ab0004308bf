package client

import (
	"context"
	"net/http"
	"time"
)

// Types of the problems with which the server refuses the go-ahead for a reminder, or a report on one. Send nothing after either.
const (
	TypeClaimNotHeld   = "/problems/claim-not-held"   // the lease ran out and another took it over, or it has been reported on
	TypeReminderNotDue = "/problems/reminder-not-due" // it is not to be sent any more, which the server has noted
)

// KindVerification is the kind of what carries a code that verifies an address. It is claimed only where it is named.
const KindVerification = "verification"

// Outcomes of a reminder that was claimed.
const (
	OutcomeSent    = "sent"    // the channel has acknowledged it
	OutcomeFailed  = "failed"  // it has certainly not been sent
	OutcomeSkipped = "skipped" // it was not tried, and is not to be
	OutcomeUnclear = "unclear" // the channel can't tell whether it was sent
)

// Scheduler makes the calls of a program that sends reminders. A refusal is a *Problem, wrapped.
//
// It claims what is due, asks for the go-ahead right before it sends each, and reports what became of it. One that sends without
// the go-ahead may send twice if it dies before it has reported.
type Scheduler struct {
	Base  string       // such as http://127.0.0.1:8080
	HTTP  *http.Client // nil is http.DefaultClient
	Token string       // a service token of the role scheduler
}

// ClaimRequest says what to claim. The zero value is all reminders that are due now, up to 100, for two minutes.
type ClaimRequest struct {
	Kinds []string      // tonight, missed, follow_up, verification; none is the first three
	Limit int           // 1 to 500; 0 is the server's 100
	Lease time.Duration // 10 s to 15 min, in whole seconds; 0 is the server's two minutes
	AsOf  time.Time     // the instant as of which they are due; zero is now
}

// ClaimedReminder is a reminder, or a code that verifies an address, held by whoever claimed it until LeaseUntil.
type ClaimedReminder struct {
	ID           string        `json:"id"`
	Kind         string        `json:"kind"`
	LearnerID    string        `json:"learner_id"` // empty with KindVerification
	HouseholdID  string        `json:"household_id"`
	Night        string        `json:"night"` // YYYY-MM-DD; empty with KindVerification
	DueAt        time.Time     `json:"due_at"`
	LapsesAt     time.Time     `json:"lapses_at"` // from when it is due no more
	Run          int           `json:"run"`       // closed nights in a row without practice
	LastHeardAt  *time.Time    `json:"last_heard_at"`
	Claim        string        `json:"claim"`
	LeaseUntil   time.Time     `json:"lease_until"`
	Attempt      int           `json:"attempt"` // 1 when it is to be sent for the first time
	Destinations []Destination `json:"destinations"`
}

// Destination is where a reminder is to be sent, and what.
type Destination struct {
	ID      string `json:"id"`
	Channel string `json:"channel"` // email
	To      string `json:"to"`      // as the channel has it
	// Key is the same whenever the same message goes to the same destination again, and otherwise never.
	Key            string `json:"key"`
	Subject        string `json:"subject"`
	Text           string `json:"text"`
	UnsubscribeURL string `json:"unsubscribe_url"` // where one POST ends these messages (RFC 8058); empty where there is none
}

// GoAheadRequest asks for the go-ahead to send.
type GoAheadRequest struct {
	Claim string
	// Repeatable says that the channel recognises by Key a message that it has had, so that it may be given it again after a crash.
	Repeatable bool
	AsOf       time.Time // as in the claim
}

// GoAhead is leave to send.
type GoAhead struct {
	SendWithinSeconds int       `json:"send_within_seconds"` // begin within so many, or ask again
	ReportBy          time.Time `json:"report_by"`
	Destinations      []string  `json:"destinations"` // the ids of those to which it is to go
}

// ReminderReport is what became of a claim.
type ReminderReport struct {
	Claim   string `json:"claim"`
	Outcome string `json:"outcome"` // of all, where Destinations is empty
	// Permanent says of a failure that it would fail again.
	Permanent    bool                `json:"permanent,omitempty"`
	Detail       string              `json:"detail,omitempty"` // at most 200 characters, with no address and nobody's name
	Destinations []DestinationReport `json:"destinations,omitempty"`
}

// DestinationReport is what became of a reminder at one destination.
type DestinationReport struct {
	ID        string `json:"id"`
	Channel   string `json:"channel"`
	Outcome   string `json:"outcome"`
	Permanent bool   `json:"permanent,omitempty"`
	Detail    string `json:"detail,omitempty"`
}

// ReportedReminder is where a reminder stands after a report.
type ReportedReminder struct {
	State   string     `json:"state"`    // claimed, sending, waiting, sent, skipped, given_up, lapsed, unclear
	RetryAt *time.Time `json:"retry_at"` // from when it may be claimed again; nil unless it is waiting
}

type newClaim struct {
	Kinds        []string   `json:"kinds,omitempty"`
	Limit        int        `json:"limit,omitempty"`
	LeaseSeconds int        `json:"lease_seconds,omitempty"`
	AsOf         *time.Time `json:"as_of,omitempty"`
}

type claimed struct {
	Claimed []ClaimedReminder `json:"claimed"`
}

type askedGoAhead struct {
	Claim      string     `json:"claim"`
	Repeatable bool       `json:"repeatable,omitempty"`
	AsOf       *time.Time `json:"as_of,omitempty"`
}

func (s Scheduler) api() API { return API(s) }

// Overdue returns a page of the reminders due at an instant; zero is now. It claims nothing.
func (s Scheduler) Overdue(ctx context.Context, asOf time.Time, page Page) (OverduePage, error) {
	return s.api().Overdue(ctx, asOf, page)
}

// Claim claims reminders. An answer that is lost leaves them held by nobody until the lease has run out.
func (s Scheduler) Claim(ctx context.Context, r ClaimRequest) ([]ClaimedReminder, error) {
	held, err := post[claimed](ctx, s.api(), "/v1/reminders/claims", newClaim{
		Kinds: r.Kinds, Limit: r.Limit, LeaseSeconds: int(r.Lease / time.Second), AsOf: instantOrNil(r.AsOf),
	})
	return held.Claimed, err
}

// GoAhead asks for the go-ahead to send a reminder. It may be asked for again, as after an answer that was lost.
func (s Scheduler) GoAhead(ctx context.Context, reminder string, r GoAheadRequest) (GoAhead, error) {
	return post[GoAhead](ctx, s.api(), in("reminders", reminder, "/go-ahead"), askedGoAhead{
		Claim: r.Claim, Repeatable: r.Repeatable, AsOf: instantOrNil(r.AsOf),
	})
}

// Report reports what became of a reminder. The same report may be made again, as after an answer that was lost.
func (s Scheduler) Report(ctx context.Context, reminder string, r ReminderReport) (ReportedReminder, error) {
	return post[ReportedReminder](ctx, s.api(), in("reminders", reminder, "/outcome"), r)
}

func instantOrNil(at time.Time) *time.Time {
	if at.IsZero() {
		return nil
	}
	return &at
}

// NotToBeSent reports whether an error says that a reminder is not held any more, or is not due any more.
func NotToBeSent(err error) bool {
	p := AsProblem(err)
	return p != nil && (p.Type == TypeClaimNotHeld || p.Type == TypeReminderNotDue)
}
