package api

import (
	"context"

	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
)

// followUpCaution goes with the list of whom to call.
const followUpCaution = "That nothing was heard does not say that nothing was done: a phone may hold news, so ask how it goes. Where " +
	"they tell of choking, coughing, pain, vomiting or fear, practice stops until a clinician has looked at it. Local rules come first."

// ListFollowUps lists the families whom the clinic is to call.
func (s *server) ListFollowUps(ctx context.Context, r oas.ListFollowUpsRequestObject) (oas.ListFollowUpsResponseObject, error) {
	limit, err := pageLimit(r.Params.Limit)
	if err != nil {
		return nil, err
	}
	after, err := s.dueKey(followUpCursor, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	items, err := s.Service.FollowUpList(ctx, caller(ctx), after, limit+1, s.Now())
	if err != nil {
		return nil, err
	}
	page := oas.ListFollowUps200JSONResponse{FollowUps: []oas.FollowUp{}, Caution: followUpCaution}
	if len(items) > limit {
		items = items[:limit]
		last := &items[limit-1]
		page.Cursor = s.sealDueKey(followUpCursor, clinic.DueKey{Due: last.Since, ID: last.ID})
	}
	for i := range items {
		page.FollowUps = append(page.FollowUps, followUpOf(&items[i]))
	}
	return page, nil
}

func followUpOf(f *clinic.FollowUpItem) oas.FollowUp {
	doc := oas.FollowUp{
		ID: f.ID.String(), Reason: oas.FollowUpReason(f.Reason), LearnerID: f.Learner.String(), HouseholdID: f.Household.String(),
		Nickname: f.Nickname, Night: f.Night.String(), Since: f.Since.UTC(), Run: f.Run, LastHeardAt: instantOrNull(f.Heard),
		Tried: []oas.FollowUpTried{}, Outcomes: []oas.FollowUpRecord{},
	}
	for i := range f.Tried {
		doc.Tried = append(doc.Tried, triedOf(&f.Tried[i]))
	}
	for _, o := range f.Outcomes {
		doc.Outcomes = append(doc.Outcomes, oas.FollowUpRecord{
			Outcome: oas.FollowUpOutcome(o.Outcome), Note: o.Note, At: o.At.UTC(), ClinicianID: o.Member.String(),
		})
	}
	return doc
}

func triedOf(d *clinic.Delivery) oas.FollowUpTried {
	doc := oas.FollowUpTried{
		Kind: oas.ReminderKind(d.Kind), Night: d.Night.String(), DueAt: d.Due.UTC(), State: oas.ReminderState(d.State), At: d.Changed.UTC(),
	}
	if n := len(d.Tries); n > 0 {
		doc.Detail, doc.Channel = textOrNil(d.Tries[n-1].Detail), textOrNil(d.Tries[n-1].Channel)
	}
	return doc
}

// RecordFollowUp records what came of following a family up.
func (s *server) RecordFollowUp(ctx context.Context, r oas.RecordFollowUpRequestObject) (oas.RecordFollowUpResponseObject, error) {
	id, err := pathID(r.FollowUp)
	if err != nil {
		return nil, err
	}
	n := clinic.FollowUpNote{Outcome: string(r.Body.Outcome), Note: textOr(r.Body.Note)}
	if r.Body.Status != nil {
		n.Status = string(*r.Body.Status)
	}
	f, err := s.Service.RecordFollowUp(ctx, caller(ctx), id, n, s.Now())
	return oas.RecordFollowUp200JSONResponse{
		ID: f.ID.String(), Outcome: oas.FollowUpOutcome(f.Outcome), At: f.At.UTC(), Open: oas.FollowUpOutcome(f.Outcome) == oas.FollowUpOutcomeNoAnswer,
	}, err
}
