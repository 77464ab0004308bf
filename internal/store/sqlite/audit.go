package sqlite

import (
	"context"
	"math"

	"github.com/google/uuid"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

const auditColumns = `clinic, seq, at, role, who, token, origin, did, outcome, note, household, learner, thing, hash`

var (
	auditHead = statement{"read audit head", `SELECT seq, hash FROM audit WHERE clinic = ? ORDER BY seq DESC LIMIT 1`}
	auditRows = statement{"list audit rows", `
		SELECT ` + auditColumns + ` FROM audit WHERE clinic = ? AND seq >= ? ORDER BY seq LIMIT ?`}
	auditRowsNewest = statement{"list audit rows", `
		SELECT ` + auditColumns + ` FROM audit WHERE clinic = ? AND seq <= ? ORDER BY seq DESC LIMIT ?`}
	auditRowsOf = statement{"list audit rows", `
		SELECT ` + auditColumns + ` FROM audit WHERE clinic = ? AND learner = ? AND seq >= ? ORDER BY seq LIMIT ?`}
	auditRowsOfNewest = statement{"list audit rows", `
		SELECT ` + auditColumns + ` FROM audit WHERE clinic = ? AND learner = ? AND seq <= ? ORDER BY seq DESC LIMIT ?`}
	auditClinics = statement{"list audit trails", `
		WITH RECURSIVE named (id) AS (
			SELECT min(clinic) FROM audit
			UNION ALL SELECT (SELECT min(a.clinic) FROM audit a WHERE a.clinic > named.id) FROM named WHERE named.id IS NOT NULL)
		SELECT id FROM named WHERE id IS NOT NULL ORDER BY id`}
	appendAudit = statement{"append audit row", `
		INSERT INTO audit (` + auditColumns + `) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`}
)

func scanAuditHead(row scanner, h *audit.Head) error { return row.Scan(&h.Seq, (*hash)(&h.Hash)) }

func scanAuditRow(row scanner, r *audit.Row) error {
	return row.Scan(&r.Clinic, &r.Seq, (*instant)(&r.At), &r.Role, &r.Who, &r.Token, &r.From, &r.Did, &r.Outcome, &r.Note,
		&r.Household, &r.Learner, &r.Thing, (*hash)(&r.Hash))
}

// AuditHead implements clinic.AuditView.
func (v view) AuditHead(ctx context.Context, of uuid.UUID) (audit.Head, error) {
	heads, err := all(ctx, v.work, auditHead, scanAuditHead, of[:])
	if err != nil || len(heads) == 0 {
		return audit.Head{Clinic: of}, err
	}
	heads[0].Clinic = of
	return heads[0], nil
}

// AuditRows implements clinic.AuditView.
func (v view) AuditRows(ctx context.Context, q clinic.AuditQuery) ([]audit.Row, error) {
	from := q.From
	if q.Newest && from == 0 {
		from = math.MaxInt64
	}
	if q.Learner == uuid.Nil {
		list := auditRows
		if q.Newest {
			list = auditRowsNewest
		}
		return all(ctx, v.work, list, scanAuditRow, q.Clinic[:], from, q.Limit)
	}
	list := auditRowsOf
	if q.Newest {
		list = auditRowsOfNewest
	}
	return all(ctx, v.work, list, scanAuditRow, q.Clinic[:], q.Learner[:], from, q.Limit)
}

// AuditClinics implements clinic.AuditView.
func (v view) AuditClinics(ctx context.Context) ([]uuid.UUID, error) {
	return all(ctx, v.work, auditClinics, value[uuid.UUID])
}

// AppendAudit implements clinic.AuditTx.
func (t *tx) AppendAudit(ctx context.Context, r audit.Row) error {
	head, err := t.known.trails.or(r.Clinic, func() (audit.Head, error) { return t.AuditHead(ctx, r.Clinic) })
	if err != nil {
		return err
	}
	r.Link(head)
	err = t.execOne(ctx, appendAudit, r.Clinic[:], r.Seq, ms(r.At), r.Role, idOrNull(r.Who), r.Token, r.From, r.Did,
		r.Outcome, r.Note, idOrNull(r.Household), idOrNull(r.Learner), idOrNull(r.Thing), r.Hash[:])
	if err == nil {
		t.known.trails.note(r.Clinic, r.Head())
	}
	return err
}

// idOrNull is how an id is kept that need not be there.
func idOrNull(id uuid.UUID) any {
	if id == uuid.Nil {
		return nil
	}
	return id[:]
}
