package clinic

import (
	"bytes"
	"context"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/audit"
)

// AuditReport is what verifying the audit trails found.
type AuditReport struct {
	Heads  []audit.Head // of every clinic, as far as its trail holds
	Faults []AuditFault
}

// AuditFault is where a clinic's trail is not as it must be.
type AuditFault struct {
	Clinic uuid.UUID
	What   string
}

// VerifyAudit follows the trail of every clinic from its first row to its last, and looks whether each head that was written
// down earlier is on it.
func (s *Service) VerifyAudit(ctx context.Context, known []audit.Head) (AuditReport, error) {
	var clinics []uuid.UUID
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		here, err := clinicsIn(ctx, view)
		if err != nil {
			return err
		}
		trails, err := view.AuditClinics(ctx) // after a restore also of clinics that came after the backup
		clinics = append(here, trails...)
		slices.SortFunc(clinics, func(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) })
		clinics = slices.Compact(clinics)
		return err
	})
	if err != nil {
		return AuditReport{}, err
	}
	byClinic := map[uuid.UUID][]audit.Head{}
	for _, head := range known {
		byClinic[head.Clinic] = append(byClinic[head.Clinic], head)
	}
	var report AuditReport
	for _, id := range clinics {
		if err := s.verifyTrail(ctx, &report, id, byClinic[id]); err != nil {
			return report, err
		}
		delete(byClinic, id)
	}
	for id := range byClinic {
		report.Faults = append(report.Faults, AuditFault{Clinic: id, What: "a head of it was written down, and there is nothing of it"})
	}
	return report, nil
}

// verifyTrail follows the trail of one clinic.
func (s *Service) verifyTrail(ctx context.Context, report *AuditReport, id uuid.UUID, known []audit.Head) error {
	wanted := map[int64][]audit.Head{}
	for _, head := range known {
		if head.Seq > 0 {
			wanted[head.Seq] = append(wanted[head.Seq], head)
		}
	}
	fault := func(format string, args ...any) {
		report.Faults = append(report.Faults, AuditFault{Clinic: id, What: fmt.Sprintf(format, args...)})
	}
	head, broken := audit.Head{Clinic: id}, false
	for !broken {
		rows, err := s.auditRows(ctx, AuditQuery{Clinic: id, From: head.Seq + 1, Limit: MaxPage})
		if err != nil {
			return err
		}
		for i := range rows {
			next, err := head.Follow(&rows[i])
			if err != nil {
				fault("%v", err)
				broken = true
				break
			}
			head = next
			for _, w := range wanted[head.Seq] {
				if w.Hash != head.Hash {
					fault("row %d is not the one whose hash was written down", head.Seq)
				}
			}
			delete(wanted, head.Seq)
		}
		if len(rows) < MaxPage {
			break
		}
	}
	for seq := range wanted {
		fault("it was written down up to row %d, and holds up to row %d", seq, head.Seq)
	}
	report.Heads = append(report.Heads, head)
	return nil
}

func (s *Service) auditRows(ctx context.Context, q AuditQuery) (rows []audit.Row, err error) {
	err = s.Store.Read(ctx, func(ctx context.Context, view View) error {
		rows, err = view.AuditRows(ctx, q)
		return err
	})
	return rows, err
}

// clinicsIn returns the ids of every clinic.
func clinicsIn(ctx context.Context, view View) ([]uuid.UUID, error) {
	var all []uuid.UUID
	page := Page{Limit: MaxPage}
	for {
		ids, err := view.ClinicIDs(ctx, page)
		if err != nil {
			return nil, err
		}
		all = append(all, ids...)
		if len(ids) < page.Limit {
			return all, nil
		}
		page.After = ids[len(ids)-1]
	}
}
