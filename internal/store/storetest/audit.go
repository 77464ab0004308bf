package storetest

import (
	"context"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// enter adds rows, and links them as they are to come back.
func enter(b *bundle, rows ...*audit.Row) {
	b.Helper()
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		for _, row := range rows {
			head, err := tx.AuditHead(ctx, row.Clinic)
			if err != nil {
				return err
			}
			row.Link(head)
			if err := tx.AppendAudit(ctx, *row); err != nil {
				return err
			}
		}
		return nil
	})
}

func auditRows(b *bundle, q clinic.AuditQuery) []audit.Row {
	b.Helper()
	return read(b, func(ctx context.Context, v clinic.View) ([]audit.Row, error) { return v.AuditRows(ctx, q) })
}

func audits(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	head := func(of uuid.UUID) audit.Head {
		return read(b, func(ctx context.Context, v clinic.View) (audit.Head, error) { return v.AuditHead(ctx, of) })
	}
	assert.Equal(b, audit.Head{Clinic: w.clinic}, head(w.clinic), "of a trail without a row")

	plain := &audit.Row{Clinic: w.clinic, At: evening, Did: "signIn", Outcome: "sign-in-failed"}
	full := &audit.Row{
		Clinic: w.clinic, At: minutes(1), Role: "clinician", Who: w.member, Token: "t“1”", From: "2001:db8::1", Did: "getSummary",
		Outcome: audit.Done, Note: "1", Household: w.household, Learner: w.learner, Thing: id(anEnrolment, 1),
	}
	foreign := &audit.Row{Clinic: other.clinic, At: minutes(1), Did: "getRoster", Outcome: audit.Done}
	unknown := &audit.Row{Clinic: w.clinic, At: minutes(2), Did: "getSummary", Outcome: "not-found", Learner: nobody}
	enter(b, plain, foreign, full)
	enter(b, unknown)
	assert.Equal(b, unknown.Head(), head(w.clinic))
	assert.Equal(b, foreign.Head(), head(other.clinic))

	rows := []audit.Row{*plain, *full, *unknown}
	assert.Equal(b, rows, auditRows(b, clinic.AuditQuery{Clinic: w.clinic, Limit: 9}))
	assert.Equal(b, rows[:2], auditRows(b, clinic.AuditQuery{Clinic: w.clinic, Limit: 2}))
	assert.Equal(b, rows[1:], auditRows(b, clinic.AuditQuery{Clinic: w.clinic, From: 2, Limit: 9}))
	assert.Equal(b, []audit.Row{*unknown, *full}, auditRows(b, clinic.AuditQuery{Clinic: w.clinic, Newest: true, Limit: 2}))
	assert.Equal(b, []audit.Row{*full, *plain}, auditRows(b, clinic.AuditQuery{Clinic: w.clinic, Newest: true, From: 2, Limit: 9}))
	assert.Equal(b, []uuid.UUID{w.clinic, other.clinic}, read(b, func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
		return v.AuditClinics(ctx)
	}))
	of := clinic.AuditQuery{Clinic: w.clinic, Learner: w.learner, Limit: 9}
	assert.Equal(b, []audit.Row{*full}, auditRows(b, of))
	of.Newest, of.From = true, 1
	assert.Empty(b, auditRows(b, of))
	of.Clinic, of.From = other.clinic, 0
	assert.Empty(b, auditRows(b, of), "another clinic's")

	lying := *unknown
	lying.Seq, lying.Hash = 1, [32]byte{9}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if err := tx.AppendAudit(ctx, lying); err != nil {
			return err
		}
		lying.Link(unknown.Head())
		within, err := tx.AuditHead(ctx, w.clinic)
		assert.Equal(b, lying.Head(), within, "whatever it says of its place")
		return err
	})
	rows = append(rows, lying)
	assert.Equal(b, rows, auditRows(b, clinic.AuditQuery{Clinic: w.clinic, Limit: 9}))
	after := audit.Head{Clinic: w.clinic}
	for i := range rows {
		var err error
		after, err = after.Follow(&rows[i])
		require.NoError(b, err)
	}
}
