package memory

import (
	"context"
	"maps"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// trail is a clinic's audit trail from its newest row back. A longer one leads to the shorter, so that nothing is written to.
type trail struct {
	row    audit.Row
	before *trail
}

// AuditHead implements clinic.AuditView.
func (v view) AuditHead(_ context.Context, of uuid.UUID) (audit.Head, error) {
	if last := v.trails.rows[of]; last != nil {
		return last.row.Head(), nil
	}
	return audit.Head{Clinic: of}, nil
}

// AuditRows implements clinic.AuditView.
func (v view) AuditRows(_ context.Context, q clinic.AuditQuery) ([]audit.Row, error) {
	var found []audit.Row
	for t := v.trails.rows[q.Clinic]; t != nil; t = t.before {
		switch {
		case q.Learner != uuid.Nil && q.Learner != t.row.Learner:
		case q.Newest && q.From != 0 && t.row.Seq > q.From:
		case !q.Newest && t.row.Seq < q.From:
		default:
			found = append(found, t.row)
		}
	}
	if !q.Newest {
		slices.Reverse(found)
	}
	return found[:min(q.Limit, len(found))], nil
}

// AuditClinics implements clinic.AuditView.
func (v view) AuditClinics(context.Context) ([]uuid.UUID, error) {
	clinics := slices.Collect(maps.Keys(v.trails.rows))
	slices.SortFunc(clinics, compareIDs)
	return clinics, nil
}

// AppendAudit implements clinic.AuditTx.
func (t *tx) AppendAudit(ctx context.Context, row audit.Row) error {
	head, err := t.AuditHead(ctx, row.Clinic)
	if err != nil {
		return err
	}
	row.Link(head)
	t.trails.put(t.mark, row.Clinic, &trail{row: row, before: t.trails.rows[row.Clinic]})
	return nil
}
