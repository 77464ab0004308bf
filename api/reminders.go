package api

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/api/oas"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/reminder"
)

// ListOverdue lists the reminders that are due.
func (s *server) ListOverdue(ctx context.Context, r oas.ListOverdueRequestObject) (oas.ListOverdueResponseObject, error) {
	limit, err := pageLimit(r.Params.Limit)
	if err != nil {
		return nil, err
	}
	after, err := s.dueKey(overdueCursor, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	due, err := s.Service.Overdue(ctx, caller(ctx), instantOr(r.Params.AsOf), after, limit+1, s.Now())
	if err != nil {
		return nil, err
	}
	page := oas.ListOverdue200JSONResponse{Overdue: []oas.Overdue{}}
	if len(due) > limit {
		due = due[:limit]
		last := due[limit-1]
		page.Cursor = s.sealDueKey(overdueCursor, clinic.DueKey{Due: last.Due, ID: last.ID})
	}
	for _, d := range due {
		page.Overdue = append(page.Overdue, overdueOf(d))
	}
	return page, nil
}

func overdueOf(d clinic.DueReminder) oas.Overdue {
	doc := oas.Overdue{
		ID: d.ID.String(), Kind: oas.ReminderKind(d.Kind), LearnerID: d.Learner.String(), HouseholdID: d.Household.String(),
		Night: d.Night.String(), DueAt: d.Due.UTC(), LapsesAt: d.Lapses.UTC(), Run: d.Run, LastHeardAt: instantOrNull(d.Heard),
	}
	if d.Ready.After(d.Due) {
		doc.ClaimedUntil = instantOrNull(d.Ready.UTC())
	}
	return doc
}

// instantOr returns the instant, zero where there is none.
func instantOr(at *time.Time) time.Time {
	if at == nil {
		return time.Time{}
	}
	return *at
}

// ClaimReminders hands out reminders that are due.
func (s *server) ClaimReminders(ctx context.Context, r oas.ClaimRemindersRequestObject) (oas.ClaimRemindersResponseObject, error) {
	limit, lease := clinic.DefaultPage, int(clinic.DefaultLease/time.Second)
	take(&limit, r.Body.Limit)
	take(&lease, r.Body.LeaseSeconds)
	wish := clinic.ClaimWish{
		Kinds: textsOf(r.Body.Kinds), Limit: limit, Lease: seconds(lease), AsOf: instantOr(r.Body.AsOf),
	}
	claimed, err := s.Service.ClaimReminders(ctx, caller(ctx), wish, s.Now())
	if err != nil {
		return nil, err
	}
	doc := oas.ClaimReminders200JSONResponse{Claimed: []oas.ClaimedReminder{}}
	for i := range claimed {
		doc.Claimed = append(doc.Claimed, claimedOf(&claimed[i]))
	}
	return doc, nil
}

// seconds returns so many seconds. What is more than a duration holds, or less than none, comes out as what nobody may ask for.
func seconds(n int) time.Duration {
	const most = 24 * 60 * 60
	return time.Duration(min(max(n, -1), most)) * time.Second
}

// textsOf returns nil where nothing was given, which may be another thing than none.
func textsOf[T ~string](given []T) []string {
	if given == nil {
		return nil
	}
	texts := make([]string, len(given))
	for i, text := range given {
		texts[i] = string(text)
	}
	return texts
}

func claimedOf(c *clinic.ClaimedReminder) oas.ClaimedReminder {
	doc := oas.ClaimedReminder{
		ID: c.ID.String(), Kind: oas.ClaimKind(c.Kind), LearnerID: idOrNil(c.Learner), HouseholdID: c.Household.String(),
		DueAt: c.Due.UTC(), LapsesAt: c.Lapses.UTC(), Run: c.Run, LastHeardAt: instantOrNull(c.Heard),
		Claim: c.Claim.String(), LeaseUntil: c.LeaseUntil.UTC(), Attempt: c.Attempt, Destinations: []oas.Destination{},
	}
	if c.Learner != uuid.Nil { // a code is about no night
		doc.Night = nightOrNull(&c.Night)
	}
	for _, d := range c.Destinations {
		doc.Destinations = append(doc.Destinations, oas.Destination{
			ID: d.ID.String(), Channel: oas.Channel(d.Channel), To: d.To, Key: d.Key, Subject: d.Message.Subject, Text: d.Message.Text,
			UnsubscribeURL: textOrNil(d.Unsubscribe),
		})
	}
	return doc
}

// GiveGoAhead gives the go-ahead to send.
func (s *server) GiveGoAhead(ctx context.Context, r oas.GiveGoAheadRequestObject) (oas.GiveGoAheadResponseObject, error) {
	id, err := pathID(r.Reminder)
	if err != nil {
		return nil, err
	}
	claim, err := bodyID(&r.Body.Claim, "/claim")
	if err != nil {
		return nil, err
	}
	ask := clinic.GoAheadAsk{Claim: claim, AsOf: instantOr(r.Body.AsOf)}
	take(&ask.Repeatable, r.Body.Repeatable)
	g, err := s.Service.GiveGoAhead(ctx, caller(ctx), id, ask, s.Now())
	if err != nil {
		return nil, err
	}
	doc := oas.GiveGoAhead200JSONResponse{
		SendWithinSeconds: int(g.Within.Seconds()), ReportBy: g.Until.UTC(), Destinations: []string{},
	}
	for _, to := range g.Destinations {
		doc.Destinations = append(doc.Destinations, to.String())
	}
	return doc, nil
}

// ReportReminder notes what became of a reminder.
func (s *server) ReportReminder(ctx context.Context, r oas.ReportReminderRequestObject) (oas.ReportReminderResponseObject, error) {
	id, err := pathID(r.Reminder)
	if err != nil {
		return nil, err
	}
	claim, err := bodyID(&r.Body.Claim, "/claim")
	if err != nil {
		return nil, err
	}
	report := reminder.Report{Outcome: reminder.Outcome(r.Body.Outcome), Detail: textOr(r.Body.Detail)}
	take(&report.Permanent, r.Body.Permanent)
	if report.Parts, err = partsOf(r.Body.Destinations); err != nil {
		return nil, err
	}
	d, err := s.Service.ReportReminder(ctx, caller(ctx), id, claim, report, s.Now())
	if err != nil {
		return nil, err
	}
	doc := oas.ReportReminder200JSONResponse{State: oas.ReminderState(d.State)}
	if d.State == reminder.Waiting {
		doc.RetryAt = instantOrNull(d.Until.UTC())
	}
	return doc, nil
}

func partsOf(given []oas.DestinationReport) ([]reminder.Try, error) {
	var parts []reminder.Try
	for i := range given {
		g := &given[i]
		to, err := bodyID(&g.ID, fmt.Sprintf("/destinations/%d/id", i))
		if err != nil {
			return nil, err
		}
		part := reminder.Try{
			Destination: to, Channel: string(g.Channel), Outcome: reminder.Outcome(g.Outcome), Detail: textOr(g.Detail),
		}
		take(&part.Permanent, g.Permanent)
		parts = append(parts, part)
	}
	return parts, nil
}

// SetReminderTime moves an enrolment's reminders to another time of day. A family is told nothing of a target.
func (s *server) SetReminderTime(ctx context.Context, r oas.SetReminderTimeRequestObject) (oas.SetReminderTimeResponseObject, error) {
	id, err := pathID(r.Enrolment)
	if err != nil {
		return nil, err
	}
	p := caller(ctx)
	d, err := s.Service.SetReminderTime(ctx, p, id, r.Body.ReminderTime, s.Now())
	if err != nil {
		return nil, err
	}
	if p.Role == access.RoleDevice {
		d.Target = nil
	}
	doc, err := enrolmentOf(d)
	return oas.SetReminderTime200JSONResponse(doc), err
}
