package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/api/client"
	"swallowtail/internal/reminder"
	"swallowtail/internal/scheduler"
)

// apiDesk is a server's API, where reminders are claimed and reported on.
type apiDesk struct{ api client.Scheduler }

var _ scheduler.Desk = (*apiDesk)(nil)

// claimedKinds are what goes to families. A follow-up is for the clinic, which has a list of its own.
func claimedKinds() []string {
	return []string{string(reminder.Tonight), string(reminder.Missed), string(reminder.Verification)}
}

// Claim implements scheduler.Desk.
func (d *apiDesk) Claim(ctx context.Context, limit int, lease time.Duration) ([]scheduler.Claimed, error) {
	claimed, err := patiently(ctx, func() ([]client.ClaimedReminder, error) {
		return d.api.Claim(ctx, client.ClaimRequest{Kinds: claimedKinds(), Limit: limit, Lease: lease})
	})
	if err != nil {
		return nil, err
	}
	held := make([]scheduler.Claimed, 0, len(claimed))
	for i := range claimed {
		one, err := heldOf(&claimed[i])
		if err != nil {
			return nil, fmt.Errorf("the server's answer: %w", err)
		}
		held = append(held, one)
	}
	return held, nil
}

// heldOf reads what has been claimed.
func heldOf(c *client.ClaimedReminder) (scheduler.Claimed, error) {
	id, err := uuid.Parse(c.ID)
	claim, errClaim := uuid.Parse(c.Claim)
	held := scheduler.Claimed{ID: id, Claim: claim, Kind: c.Kind}
	for i := range c.Destinations {
		to := &c.Destinations[i]
		at, errTo := uuid.Parse(to.ID)
		err = errors.Join(err, errTo)
		held.Destinations = append(held.Destinations, scheduler.Destination{
			ID: at, Channel: to.Channel, To: to.To, Key: to.Key, Subject: to.Subject, Text: to.Text, Unsubscribe: to.UnsubscribeURL,
		})
	}
	return held, errors.Join(err, errClaim)
}

// GoAhead implements scheduler.Desk.
func (d *apiDesk) GoAhead(ctx context.Context, c *scheduler.Claimed, repeatable bool) (scheduler.GoAhead, error) {
	var asked time.Time
	ahead, err := patiently(ctx, func() (client.GoAhead, error) {
		asked = time.Now()
		return d.api.GoAhead(ctx, c.ID.String(), client.GoAheadRequest{Claim: c.Claim.String(), Repeatable: repeatable})
	})
	if err != nil {
		return scheduler.GoAhead{}, gone(err)
	}
	g := scheduler.GoAhead{By: asked.Add(time.Duration(ahead.SendWithinSeconds) * time.Second)}
	for _, text := range ahead.Destinations {
		id, err := uuid.Parse(text)
		if err != nil {
			return scheduler.GoAhead{}, fmt.Errorf("the server's answer: %w", err)
		}
		g.Destinations = append(g.Destinations, id)
	}
	return g, nil
}

// Report implements scheduler.Desk.
func (d *apiDesk) Report(ctx context.Context, c *scheduler.Claimed, r scheduler.Report) error {
	report := client.ReminderReport{Claim: c.Claim.String(), Outcome: string(r.Outcome), Detail: r.Detail}
	for _, part := range r.Parts {
		report.Destinations = append(report.Destinations, client.DestinationReport{
			ID: part.Destination.String(), Channel: part.Channel, Outcome: string(part.Outcome), Permanent: part.Permanent, Detail: part.Detail,
		})
	}
	_, err := patiently(ctx, func() (client.ReportedReminder, error) { return d.api.Report(ctx, c.ID.String(), report) })
	return gone(err)
}

// How often and how long patiently waits.
const (
	mostCalls   = 10
	longestWait = 10 * time.Second
)

// patiently calls the server, again after a while where it asks its callers to come more slowly: reminders are many at once, and a
// server takes so many calls a second of one token.
func patiently[T any](ctx context.Context, call func() (T, error)) (T, error) {
	for tries := 1; ; tries++ {
		answer, err := call()
		p := client.AsProblem(err)
		if p == nil || p.Status != http.StatusTooManyRequests || tries >= mostCalls {
			return answer, err
		}
		select {
		case <-ctx.Done():
			return answer, err
		case <-time.After(min(max(p.RetryAfter, time.Second), longestWait)):
		}
	}
}

// gone turns the server's word that nothing is to be sent into the scheduler's.
func gone(err error) error {
	gone := client.AsProblem(err) != nil && client.AsProblem(err).Status == http.StatusNotFound // as when its address has been removed
	if gone || client.NotToBeSent(err) {
		return errors.Join(scheduler.ErrGone, err)
	}
	return err
}

// dueLine is a reminder that is due, as listed.
type dueLine struct {
	ID    string    `json:"id"`
	Kind  string    `json:"kind"`
	Night string    `json:"night"`
	Due   time.Time `json:"due_at"`
}

// listDue lists what is due, one line of JSON each.
func listDue(ctx context.Context, c *call, api client.Scheduler) error {
	var page client.Page
	for {
		due, err := api.Overdue(ctx, time.Time{}, page)
		if err != nil {
			return err
		}
		for _, o := range due.Overdue {
			if err := json.MarshalWrite(c.out, dueLine{ID: o.ID, Kind: o.Kind, Night: o.Night, Due: o.DueAt}); err != nil {
				return fmt.Errorf("list: %w", err)
			}
			if err := endLine(c); err != nil {
				return err
			}
		}
		if due.Cursor == "" {
			return nil
		}
		page.Cursor = due.Cursor
	}
}
