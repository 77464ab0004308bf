package scheduler

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
)

// Desk is where reminders are claimed and reported on, as the scheduler's role sees it.
type Desk interface {
	// Claim hands out at most limit reminders, to be held for as long as the lease lasts.
	Claim(ctx context.Context, limit int, lease time.Duration) ([]Claimed, error)
	// GoAhead gives the go-ahead to send what is held. ErrGone says that it is not to be sent.
	GoAhead(ctx context.Context, c *Claimed, repeatable bool) (GoAhead, error)
	// Report notes what became of it; a report may be made again. ErrGone says that it is held no more.
	Report(ctx context.Context, c *Claimed, r Report) error
}

// ErrGone says that a reminder is not held any more, or is not to be sent.
var ErrGone = errors.New("the reminder is not to be sent, or held by another")

// Claimed is a reminder that is held.
type Claimed struct {
	ID, Claim    uuid.UUID
	Kind         string
	Destinations []Destination
}

// Destination is where it is to go, and what.
type Destination struct {
	ID            uuid.UUID
	Channel       string
	To            string
	Key           string
	Subject, Text string
	Unsubscribe   string
}

// GoAhead is the go-ahead to send.
type GoAhead struct {
	By           time.Time   // when sending must have begun, by the scheduler's own clock
	Destinations []uuid.UUID // those to which it is still to go
}

// Outcome is what became of a reminder, or of one destination.
type Outcome string

// The outcomes.
const (
	Sent    Outcome = "sent"
	Failed  Outcome = "failed"
	Skipped Outcome = "skipped"
	Unclear Outcome = "unclear" // it may have been sent
)

// Report is what became of a reminder: all in all, and by destination.
type Report struct {
	Outcome Outcome
	Detail  string
	Parts   []Part
}

// Part is what became of it at one destination.
type Part struct {
	Destination uuid.UUID
	Channel     string
	Outcome     Outcome
	Permanent   bool // it failed, and would again
	Detail      string
}
