package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"time"

	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
)

// check verifies a database and says what differs. It makes nothing beside it and notes nothing in it, so that a backup may
// be looked at too.
func check(ctx context.Context, c *call) error {
	set, db := c.flags()
	rebuild := set.Bool("rebuild", false, "fold every learner anew first, and keep the results")
	if err := c.parse(set); err != nil {
		return err
	}
	log := logger(c.streams, slog.LevelWarn)
	d, err := namedDatabase(*db)
	if err != nil {
		return err
	}
	store, err := openThere(ctx, d, log)
	if err != nil {
		return err
	}
	service := clinic.New(clinic.Config{Store: store, NewID: newID, Log: log})
	report, err := checked(ctx, store, service, *rebuild)
	if err := errors.Join(err, store.Close()); err != nil {
		return err
	}
	if err := lookAtJournal(d); err != nil {
		report.Differences = append(report.Differences, clinic.Difference{In: clinic.InJournal, What: err.Error()})
	}
	if err := c.print(report); err != nil {
		return err
	}
	if n := len(report.Differences); n > 0 {
		return fmt.Errorf("the database is not as it must be: see the differences (%d)", n)
	}
	return nil
}

// lookAtJournal reads the journal beside a database, if there is one.
func lookAtJournal(d database) error {
	if d.file == "" {
		return nil
	}
	_, err := journal.Read(d.file + journalBeside)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// checked looks through what keeps the database, then through what it holds.
func checked(ctx context.Context, store store, service *clinic.Service, rebuild bool) (clinic.Report, error) {
	if err := store.Migrate(ctx); err != nil {
		return clinic.Report{}, err
	}
	if rebuild {
		if err := service.Rebuild(ctx, time.Now()); err != nil {
			return clinic.Report{}, err
		}
	}
	faults, err := store.Inspect(ctx)
	if err != nil {
		return clinic.Report{}, err
	}
	report, err := service.Check(ctx)
	if err != nil && len(faults) == 0 {
		return clinic.Report{}, err
	}
	if err != nil {
		faults = append(faults, "the rest can't be read: "+err.Error())
	}
	trails, err := service.VerifyAudit(ctx, nil)
	if err != nil && len(faults) == 0 {
		return clinic.Report{}, err
	}
	for _, fault := range trails.Faults {
		report.Differences = append(report.Differences, clinic.Difference{
			In: clinic.InAudit, What: fmt.Sprintf("clinic %s: %s", fault.Clinic, fault.What),
		})
	}
	for _, what := range faults {
		report.Differences = append(report.Differences, clinic.Difference{In: clinic.InStore, What: what})
	}
	return report, nil
}
