package api

import (
	"context"
	"encoding/binary"
	stdjson "encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/served"
)

func questionOf(asOf *time.Time, enrolment *string) (clinic.Question, error) {
	var q clinic.Question
	if asOf != nil {
		q.AsOf = *asOf
	}
	if enrolment == nil {
		return q, nil
	}
	var err error
	q.Enrolment, err = pathID(*enrolment)
	return q, err
}

// GetSummary sums up a learner's programme for whoever asks.
func (s *server) GetSummary(ctx context.Context, r oas.GetSummaryRequestObject) (oas.GetSummaryResponseObject, error) {
	learner, err := pathID(r.Learner)
	if err != nil {
		return nil, err
	}
	q, err := questionOf(r.Params.AsOf, r.Params.Enrolment)
	if err != nil {
		return nil, err
	}
	summed, err := s.Service.Summary(ctx, caller(ctx), learner, q, s.Now())
	if err != nil {
		return nil, err
	}
	return taggedAnswer{answer: ok(summed.Doc), tag: tagOf(summed.Says), known: textOr(r.Params.IfNoneMatch)}, nil
}

// nightsDoc is the nights of a programme.
type nightsDoc struct {
	Nights    stdjson.RawMessage `json:"nights"`
	Earlier   stdjson.RawMessage `json:"earlier"`
	Enrolment *uuid.UUID         `json:"enrolment_id"`
	AsOf      string             `json:"as_of"`
}

// GetNights gives a learner's nights.
func (s *server) GetNights(ctx context.Context, r oas.GetNightsRequestObject) (oas.GetNightsResponseObject, error) {
	learner, err := pathID(r.Learner)
	if err != nil {
		return nil, err
	}
	q, err := questionOf(r.Params.AsOf, r.Params.Enrolment)
	if err != nil {
		return nil, err
	}
	a, err := s.Service.Nights(ctx, caller(ctx), learner, q, s.Now())
	if err != nil {
		return nil, err
	}
	doc := nightsDoc{
		Nights: join(a.Nights), Earlier: join(a.Earlier), AsOf: served.Instant(a.At),
	}
	if a.Enrolment != uuid.Nil {
		doc.Enrolment = &a.Enrolment
	}
	return encoded(doc)
}

// rosterDoc is a page of the roster. Its lines are JSON already and go out as they are kept: an encoder would read every one of them
// again.
type rosterDoc struct {
	rows   []clinic.RosterRow
	cursor *string
	asOf   time.Time
}

// WriteJSON implements [served.Writer].
func (d rosterDoc) WriteJSON(p *served.Pen) {
	p.Open('{')
	p.Name("learners").Open('[')
	for i := range d.rows {
		p.Verbatim(d.rows[i].Row)
	}
	p.Close(']')
	p.Name("cursor").TextOrNull(d.cursor)
	p.Name("as_of").Text(served.Instant(d.asOf))
	p.Close('}')
}

// GetRoster lists the clinic's learners.
func (s *server) GetRoster(ctx context.Context, r oas.GetRosterRequestObject) (oas.GetRosterResponseObject, error) {
	limit, err := pageLimit(r.Params.Limit)
	if err != nil {
		return nil, err
	}
	q := rosterQueryOf(r.Params)
	q.Limit = limit + 1
	if err := checkRoster(q); err != nil {
		return nil, err
	}
	kind := rosterCursor + q.Order
	if q.After, err = s.rosterKey(kind, r.Params.Cursor); err != nil {
		return nil, err
	}
	now := s.Now()
	rows, err := s.Service.Roster(ctx, caller(ctx), q, now)
	if err != nil {
		return nil, err
	}
	var cursor *string
	if len(rows) > limit {
		rows = rows[:limit]
		cursor = s.sealRosterKey(kind, rows[limit-1].Key)
	}
	return ownAnswer{rosterDoc{rows, cursor, now}}, nil
}

// rosterQueryOf returns what is asked for, but for the place and the limit.
func rosterQueryOf(p oas.GetRosterParams) clinic.RosterQuery {
	q := clinic.RosterQuery{Order: string(oas.RosterOrderNeedsCall), Flag: textOr(p.Flag)}
	if p.Order != nil {
		q.Order = string(*p.Order)
	}
	if p.Status != nil {
		q.Status = string(*p.Status)
	}
	if p.Verdict != nil {
		q.Verdict = string(*p.Verdict)
	}
	take(&q.HeardBefore, p.HeardBefore)
	take(&q.WrongAtLeast, p.MissedAtLeast)
	return q
}

// checkRoster refuses an order, a status, a verdict or a number that there is not.
func checkRoster(q clinic.RosterQuery) error {
	if !oas.RosterOrder(q.Order).Valid() {
		return fault.New(fault.Invalid, "order-invalid", "Give needs_call, nickname, last_heard, missed or verdict as the order.")
	}
	if q.Status != "" && !oas.RosterStatus(q.Status).Valid() {
		return fault.New(fault.Invalid, "status-invalid", "Give running, paused, ended or none as the status.")
	}
	if q.Verdict != "" && !oas.Verdict(q.Verdict).Valid() {
		return fault.New(fault.Invalid, "verdict-invalid",
			"Give hold, not_started, ready_for_review, nearing, cannot_tell_yet or practising as the verdict.")
	}
	if q.WrongAtLeast < 0 || q.WrongAtLeast > clinic.MaxNights {
		return fault.New(fault.Invalid, "missed-at-least-invalid", fmt.Sprintf("Give a whole number from 0 to %d as missed_at_least.", clinic.MaxNights))
	}
	return nil
}

func (s *server) rosterKey(kind string, cursor *string) (*clinic.RosterKey, error) {
	if cursor == nil {
		return nil, nil //nolint:nilnil // no cursor, no place
	}
	payload, err := s.Keys.OpenCursor(kind, *cursor)
	if err != nil {
		return nil, err
	}
	if len(payload) < 24 {
		return nil, errCursor
	}
	return &clinic.RosterKey{
		Learner: uuid.UUID(payload[:16]),
		Number:  int64(binary.BigEndian.Uint64(payload[16:24])), //nolint:gosec // written by sealRosterKey
		Text:    string(payload[24:]),
	}, nil
}

func (s *server) sealRosterKey(kind string, key clinic.RosterKey) *string {
	payload := binary.BigEndian.AppendUint64(key.Learner[:], uint64(key.Number)) //nolint:gosec // read back the same
	cursor := s.Keys.SealCursor(kind, append(payload, key.Text...))
	return &cursor
}

// GetCohort tells how the clinic's learners do.
func (s *server) GetCohort(ctx context.Context, _ oas.GetCohortRequestObject) (oas.GetCohortResponseObject, error) {
	doc, err := s.Service.Cohort(ctx, caller(ctx), s.Now())
	if err != nil {
		return nil, err
	}
	return encoded(doc)
}
