package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/sqlite"
)

// replica is a copy of a backup in a folder of its own: migrated, checked and ready to take a database's place. The backup
// itself is only read.
type replica struct {
	folder  string
	file    string
	store   *sqlite.Store
	service *clinic.Service
	report  clinic.Report
	epoch   uuid.UUID // of the backup
	journal uuid.UUID // the one that the backup names, if any
	rebuilt bool      // what was kept of folds was made anew
}

// openReplica copies a backup into a new folder in another, and checks it. It refuses what is damaged, altered, newer or
// no backup of this program's. What only is not folded as this program folds it, is folded anew.
func openReplica(ctx context.Context, backup, in string, log *slog.Logger) (*replica, error) {
	if err := refuseOpen(backup); err != nil {
		return nil, err
	}
	folder, err := os.MkdirTemp(in, ".replica-*")
	if err != nil {
		return nil, fmt.Errorf("make a folder for the copy: %w", err)
	}
	r := &replica{folder: folder, file: filepath.Join(folder, inFolder)}
	if err := r.fill(ctx, backup, log); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", backup, err), r.close())
	}
	return r, nil
}

// refuseOpen refuses a database that has more beside it than a backup has: what it holds is not all in the file.
func refuseOpen(backup string) error {
	for _, beside := range []string{"-wal", "-journal"} {
		info, err := os.Stat(backup + beside)
		if err == nil && info.Size() > 0 {
			return fmt.Errorf("%s is a database in use, or was when its machine stopped, since %s is beside it: "+
				"back it up with the backup command, and restore that", backup, backup+beside)
		}
	}
	return nil
}

func (r *replica) fill(ctx context.Context, backup string, log *slog.Logger) error {
	if err := copyFile(backup, r.file); err != nil {
		return fmt.Errorf("copy: %w", err)
	}
	var err error
	if r.store, err = sqlite.Open(ctx, r.file, storeOptions(log, time.Now)); err != nil {
		return err
	}
	r.service = clinic.New(clinic.Config{Store: r.store, NewID: newID, Log: log})
	if err := r.inspect(ctx); err != nil {
		return err
	}
	if err := r.store.Migrate(ctx); err != nil {
		return err
	}
	if err := r.check(ctx); err != nil {
		return err
	}
	return r.store.Read(ctx, func(ctx context.Context, view clinic.View) error {
		if r.epoch, err = view.Epoch(ctx); err != nil {
			return err
		}
		r.journal, err = view.Journal(ctx)
		return err
	})
}

var errNoBackup = errors.New("this is a database, but none of this program's")

// inspect looks at the file as such, before anything in it is changed.
func (r *replica) inspect(ctx context.Context) error {
	faults, err := r.store.Inspect(ctx)
	if err != nil {
		return err
	}
	if len(faults) > 0 {
		return fmt.Errorf("%w: %s", sqlite.ErrDamaged, strings.Join(faults, "; "))
	}
	fresh, err := r.store.New(ctx)
	if fresh {
		return errNoBackup
	}
	return err
}

// check checks what the file holds, as the command of that name does.
func (r *replica) check(ctx context.Context) error {
	var err error
	if r.report, err = r.service.Check(ctx); err != nil {
		return err
	}
	if len(r.report.Differences) == 0 {
		return nil
	}
	if !r.report.Rebuildable() {
		return fmt.Errorf("what it holds is not as it must be: %s", firstOf(r.report.Differences))
	}
	r.rebuilt = true
	return r.service.Rebuild(ctx, time.Now())
}

// firstOf words the first few differences.
func firstOf(differences []clinic.Difference) string {
	const few = 3
	var words []string
	for _, d := range differences[:min(few, len(differences))] {
		words = append(words, fmt.Sprintf("household %s: %s", d.Household, d.What))
	}
	if more := len(differences) - few; more > 0 {
		words = append(words, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(words, "; ")
}

// shut closes the database, so that all of it is in the file.
func (r *replica) shut() error {
	if r.store == nil {
		return nil
	}
	err := r.store.Close()
	r.store = nil
	return err
}

// close throws the copy away.
func (r *replica) close() error { return errors.Join(r.shut(), os.RemoveAll(r.folder)) }

// copyFile copies a file into a new one, readable for its owner only.
func copyFile(from, to string) (err error) {
	source, err := os.Open(filepath.Clean(from))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, source.Close()) }()
	info, err := source.Stat()
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return &fs.PathError{Op: "copy", Path: from, Err: errors.New("is no file")}
	}
	target, err := os.OpenFile(filepath.Clean(to), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(target, source)
	return errors.Join(err, target.Close())
}
