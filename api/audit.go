package api

import (
	"context"
	"encoding/hex"

	"github.com/google/uuid"

	"swallowtail/api/oas"
	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// ListAudit lists who read or changed what in the caller's clinic.
func (s *server) ListAudit(ctx context.Context, r oas.ListAuditRequestObject) (oas.ListAuditResponseObject, error) {
	limit, err := pageLimit(r.Params.Limit)
	if err != nil {
		return nil, err
	}
	var learner uuid.UUID
	if r.Params.Learner != nil {
		if learner, err = pathID(*r.Params.Learner); err != nil {
			return nil, err
		}
	}
	kind := auditCursor + learner.String()
	from, err := s.numberCursor(kind, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	rows, err := s.Service.Audit(ctx, caller(ctx), clinic.AuditPage{Learner: learner, From: from, Limit: limit + 1}, s.Now())
	if err != nil {
		return nil, err
	}
	page := oas.ListAudit200JSONResponse{Rows: []oas.AuditRow{}}
	for i := range rows {
		if i == limit {
			page.Cursor = s.sealNumber(kind, rows[i].Seq)
			break
		}
		page.Rows = append(page.Rows, auditRowOf(&rows[i]))
	}
	return page, nil
}

func auditRowOf(r *audit.Row) oas.AuditRow {
	return oas.AuditRow{
		Seq: r.Seq, At: r.At, Role: textOrNil(r.Role), Who: idOrNil(r.Who), Token: textOrNil(r.Token), Address: textOrNil(r.From),
		Did: r.Did, Outcome: r.Outcome, Note: textOrNil(r.Note), HouseholdID: idOrNil(r.Household), LearnerID: idOrNil(r.Learner),
		ThingID: idOrNil(r.Thing), Hash: hex.EncodeToString(r.Hash[:]),
	}
}

func textOrNil(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

func idOrNil(id uuid.UUID) *string {
	if id == uuid.Nil {
		return nil
	}
	return textOrNil(id.String())
}
