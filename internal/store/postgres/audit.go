package postgres

import (
	"context"
	"crypto/sha256"
	"math"

	"github.com/google/uuid"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

const auditColumns = `clinic, seq, at, role, who, token, origin, did, outcome, note, household, learner, thing, hash`

var (
	auditHead = statement{"read audit head", `SELECT seq, hash FROM audit WHERE clinic = $1 ORDER BY seq DESC LIMIT 1`}
	auditRows = statement{"list audit rows", `
		SELECT ` + auditColumns + ` FROM audit WHERE clinic = $1 AND seq >= $2 ORDER BY seq LIMIT $3`}
	auditRowsNewest = statement{"list audit rows", `
		SELECT ` + auditColumns + ` FROM audit WHERE clinic = $1 AND seq <= $2 ORDER BY seq DESC LIMIT $3`}
	auditRowsOf = statement{"list audit rows", `
		SELECT ` + auditColumns + ` FROM audit WHERE clinic = $1 AND learner = $2 AND seq >= $3 ORDER BY seq LIMIT $4`}
	auditRowsOfNewest = statement{"list audit rows", `
		SELECT ` + auditColumns + ` FROM audit WHERE clinic = $1 AND learner = $2 AND seq <= $3 ORDER BY seq DESC LIMIT $4`}
	// From one id to the next, so that it costs as many steps as there are clinics and not as there are rows.
	auditClinics = statement{"list audit trails", `
		WITH RECURSIVE named (id) AS (
			(SELECT clinic FROM audit ORDER BY clinic LIMIT 1)
			UNION ALL SELECT (SELECT a.clinic FROM audit a WHERE a.clinic > named.id ORDER BY a.clinic LIMIT 1) FROM named
				WHERE named.id IS NOT NULL)
		SELECT id FROM named WHERE id IS NOT NULL ORDER BY id`}
	// The row is linked here, so that the trail is locked for no trip. It is after audit.Row.Sealed, and a test compares the two.
	appendAudit = statement{"append audit row", `
		INSERT INTO audit (` + auditColumns + `)
		SELECT $1, coalesce(head.seq, 0) + 1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12,
			sha256($13::bytea || coalesce(head.hash, $16) || $14::bytea || int8send(coalesce(head.seq, 0) + 1) || $15::bytea)
		FROM (SELECT) AS one LEFT JOIN LATERAL (
			SELECT seq, hash FROM audit WHERE clinic = $1 ORDER BY seq DESC LIMIT 1) AS head ON true`}
)

func scanAuditHead(row scanner, h *audit.Head) error { return row.Scan(&h.Seq, (*hash)(&h.Hash)) }

func scanAuditRow(row scanner, r *audit.Row) error {
	return row.Scan(&r.Clinic, &r.Seq, (*instant)(&r.At), (*text)(&r.Role), (*optional)(&r.Who), (*text)(&r.Token), (*text)(&r.From),
		(*text)(&r.Did), (*text)(&r.Outcome), (*text)(&r.Note), (*optional)(&r.Household), (*optional)(&r.Learner),
		(*optional)(&r.Thing), (*hash)(&r.Hash))
}

// AuditHead implements clinic.AuditView.
func (v view) AuditHead(ctx context.Context, of uuid.UUID) (audit.Head, error) {
	if v.writes {
		return v.trail(ctx, of)
	}
	heads, err := all(ctx, v.work, auditHead, scanAuditHead, of)
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
		return all(ctx, v.work, list, scanAuditRow, q.Clinic, from, q.Limit)
	}
	list := auditRowsOf
	if q.Newest {
		list = auditRowsOfNewest
	}
	return all(ctx, v.work, list, scanAuditRow, q.Clinic, q.Learner, from, q.Limit)
}

// AuditClinics implements clinic.AuditView.
func (v view) AuditClinics(ctx context.Context) ([]uuid.UUID, error) {
	return all(ctx, v.work, auditClinics, value[uuid.UUID])
}

// AppendAudit implements clinic.AuditTx.
func (t *tx) AppendAudit(_ context.Context, r audit.Row) error {
	delete(t.trails, r.Clinic) // where it goes now, whoever asks is told anew
	before, between, after := r.Sealed()
	var none [sha256.Size]byte
	return t.write(t.turnAtTrail(r.Clinic),
		appendAudit.of(r.Clinic, ms(r.At), text(r.Role), idOrNull(r.Who), text(r.Token), text(r.From), text(r.Did),
			text(r.Outcome), text(r.Note), idOrNull(r.Household), idOrNull(r.Learner), idOrNull(r.Thing), before, between, after, none[:]))
}
