package main

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/passage"
	"swallowtail/internal/store/postgres"
	"swallowtail/internal/store/sqlite"
)

// move fills the database in one transaction, which it commits only once all has been found to be as it was.
func (t *transfer) move(ctx context.Context) error {
	err := t.target.Fill(ctx, func(ctx context.Context, f *postgres.Filling) error {
		service := clinic.New(clinic.Config{Store: f, NewID: newID, Log: t.log})
		err := t.source.Tell(ctx, func(ctx context.Context, all *sqlite.Snapshot) error { return t.carry(ctx, all, f, service) })
		if err != nil {
			return err
		}
		if err := t.verify(ctx, f); err != nil {
			return err
		}
		if err := t.check(ctx, f); err != nil {
			return err
		}
		return t.beginAnew(ctx, f, service)
	})
	if err != nil {
		return err
	}
	t.done.WrittenSince, err = t.source.WrittenSince(ctx)
	return err
}

// carry sends all that the file holds.
func (t *transfer) carry(ctx context.Context, all *sqlite.Snapshot, f *postgres.Filling, service *clinic.Service) error {
	t.progress.stage("copies rows")
	if err := t.lookAhead(ctx, all); err != nil {
		return err
	}
	err := all.Tables(ctx, func(table passage.Table) error {
		s := &sending{Table: table, progress: &t.progress}
		t.sent = append(t.sent, s)
		return f.Copy(ctx, passage.Table{Name: table.Name, Columns: table.Columns, Rows: s})
	})
	if err != nil {
		return err
	}
	if err := f.Analyse(ctx); err != nil {
		return err
	}
	t.progress.stage("takes over what is kept of learners' folds")
	t.folds, err = service.TakeFolds(ctx, all, func(taken clinic.Folds) {
		t.progress.now("%d learners so far", taken.Projections)
	})
	return err
}

// lookAhead notes what is to be found again.
func (t *transfer) lookAhead(ctx context.Context, all *sqlite.Snapshot) error {
	t.done.TakenAt = t.at.UTC().Truncate(time.Millisecond)
	err := all.Read(ctx, func(ctx context.Context, view clinic.View) (err error) {
		if t.done.FormerEpoch, err = view.Epoch(ctx); err != nil {
			return err
		}
		clinics, err := view.AuditClinics(ctx)
		if err != nil {
			return err
		}
		for _, id := range clinics {
			head, err := view.AuditHead(ctx, id)
			if err != nil {
				return err
			}
			t.trails = append(t.trails, head)
		}
		return nil
	})
	if err != nil {
		return err
	}
	t.done.AuditHeads = headsOf(t.trails).Heads
	t.heads, err = householdHeads(ctx, all)
	return err
}

// householdHeads returns a hash over the ids, newest revisions and chains of all households, by id.
func householdHeads(ctx context.Context, store clinic.Reader) (sum [sha256.Size]byte, err error) {
	hash := sha256.New()
	page := clinic.Page{Limit: clinic.MaxPage}
	for {
		var ids []uuid.UUID
		err := store.Read(ctx, func(ctx context.Context, view clinic.View) (err error) {
			if ids, err = view.HouseholdIDs(ctx, page); err != nil {
				return err
			}
			for _, id := range ids {
				head, err := view.Head(ctx, id)
				if err != nil {
					return err
				}
				line := binary.BigEndian.AppendUint64(id[:], uint64(head.Rev)) //nolint:gosec // G115: as its bits
				_, _ = hash.Write(append(line, head.Chain[:]...))              // never fails
			}
			return nil
		})
		if err != nil {
			return sum, err
		}
		if len(ids) < page.Limit {
			return [sha256.Size]byte(hash.Sum(nil)), nil
		}
		page.After = ids[len(ids)-1]
	}
}

// sending is a table on its way.
type sending struct {
	passage.Table
	sum      passage.Sum
	progress *progress
}

// Next implements passage.Rows.
func (s *sending) Next() ([]any, error) {
	row, err := s.Rows.Next()
	if err != nil {
		return nil, err
	}
	if s.sum.Rows%1000 == 0 {
		s.progress.now("%d rows of %s so far", s.sum.Rows, s.Name)
	}
	return row, s.sum.Add(row)
}

// verify reads all that has arrived, and compares it with what was sent.
func (t *transfer) verify(ctx context.Context, f *postgres.Filling) error {
	t.progress.stage("reads what has arrived, and compares it")
	for _, s := range t.sent {
		arrived, err := f.Sum(ctx, s.Name, s.Columns)
		if err != nil {
			return err
		}
		if arrived != s.sum {
			return fmt.Errorf("of %s %d rows were sent and %d arrived, or some of them are others", s.Name, s.sum.Rows, arrived.Rows)
		}
		t.done.Rows = append(t.done.Rows, movedDoc{s.Name, s.sum.Rows, arrived.Rows})
	}
	for _, kept := range []movedDoc{
		{Kind: "projection", There: t.folds.Projections},
		{Kind: "reminder", There: t.folds.Reminders},
		{Kind: "concern", There: t.folds.Concerns},
	} {
		var err error
		if kept.Arrived, err = f.Count(ctx, kept.Kind); err != nil {
			return err
		}
		if kept.Arrived != kept.There {
			return fmt.Errorf("of %s %d rows were sent and %d arrived", kept.Kind, kept.There, kept.Arrived)
		}
		t.done.Rows = append(t.done.Rows, kept)
	}
	heads, err := householdHeads(ctx, f)
	if err == nil && heads != t.heads {
		err = fmt.Errorf("the households' heads are not what they were")
	}
	t.done.HouseholdHeads = hex.EncodeToString(heads[:])
	return err
}

// followed is a store of which people are told now and then how often it was used: for a check, about once for each household.
type followed struct {
	clinic.Store
	progress *progress
	uses     int
}

func (f *followed) used() {
	f.progress.now("%d households so far", f.uses)
	f.uses++
}

// Read implements clinic.Store.
func (f *followed) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	f.used()
	return f.Store.Read(ctx, fn)
}

// InTx implements clinic.Store.
func (f *followed) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	f.used()
	return f.Store.InTx(ctx, fn)
}

// check checks what has arrived, as the command of that name does. What only is not folded as this program folds it, is folded anew.
func (t *transfer) check(ctx context.Context, f *postgres.Filling) error {
	stage := func(what string) *clinic.Service {
		t.progress.stage(what)
		return clinic.New(clinic.Config{Store: &followed{Store: f, progress: &t.progress}, NewID: newID, Log: t.log})
	}
	const checks = "checks all of it, which takes as long as the check command does"
	report, err := stage(checks).Check(ctx)
	if err != nil {
		return err
	}
	if len(report.Differences) > 0 && report.Rebuildable() {
		t.done.Rebuilt = true
		if err := stage("folds every learner anew, since what was kept is not what this program folds").Rebuild(ctx, t.at); err != nil {
			return err
		}
		if report, err = stage(checks).Check(ctx); err != nil {
			return err
		}
	}
	if len(report.Differences) > 0 {
		return fmt.Errorf("what it holds is not as it must be: %s: see what swallowtail check --db %s says", firstOf(report.Differences), t.file)
	}
	t.done.Households, t.done.Entries = report.Households, report.Entries
	return nil
}

// beginAnew names the history that begins, notes that on the trails, and follows them to their ends.
func (t *transfer) beginAnew(ctx context.Context, f *postgres.Filling, service *clinic.Service) error {
	err := f.InTx(ctx, func(ctx context.Context, tx clinic.Tx) (err error) {
		t.done.Epoch, err = service.BeginElsewhere(ctx, tx, t.at)
		return err
	})
	if err != nil {
		return err
	}
	trails, err := service.VerifyAudit(ctx, t.trails)
	if err != nil {
		return err
	}
	for _, fault := range trails.Faults {
		return fmt.Errorf("the audit trail of clinic %s is not as it was written: %s", fault.Clinic, fault.What)
	}
	return nil
}

// progress tells people now and then how far something is.
type progress struct {
	to   io.Writer
	time func() time.Time
	last time.Time // when it was told last
}

// progressEvery is how often.
const progressEvery = 5 * time.Second

// stage tells what is done from now on.
func (p *progress) stage(what string) {
	p.last = p.time()
	fmt.Fprintf(p.to, "%s  %s\n", p.last.UTC().Format(time.TimeOnly), what)
}

// now tells how far that is, unless something was told a moment ago.
func (p *progress) now(format string, args ...any) {
	at := p.time()
	if at.Sub(p.last) < progressEvery {
		return
	}
	p.stage("  " + fmt.Sprintf(format, args...))
}
