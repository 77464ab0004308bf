package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
	"swallowtail/internal/store/sqlite"
)

// restoredDoc says what a restore did.
type restoredDoc struct {
	File        string          `json:"file"`
	FormerEpoch uuid.UUID       `json:"former_epoch,omitzero"` // none where there was no database, or a damaged one
	Epoch       uuid.UUID       `json:"epoch"`
	Households  int             `json:"households"`
	Entries     int             `json:"entries"` // before the phones hand in again what they hold
	Kept        string          `json:"kept,omitzero"`
	Rebuilt     bool            `json:"rebuilt"`
	Journal     clinic.Replayed `json:"journal"`
}

// restoration is a restore under way.
type restoration struct {
	*call
	file   string // the backup
	path   string // the database
	at     time.Time
	log    *slog.Logger
	backup *replica
	live   *sqlite.Store // nil where there is no database, or a damaged one
	broken string        // how the database is damaged
	done   restoredDoc
}

// restore puts a backup in the place of the database, as the beginning of a new history.
func restore(ctx context.Context, c *call) (err error) {
	set, db := c.flags("FILE")
	if err := c.parse(set); err != nil {
		return err
	}
	path, err := databaseFile(*db, "go back by the server's own backups")
	if err != nil {
		return err
	}
	r := &restoration{
		call: c, file: c.operands[0], path: path, at: time.Now(), log: logger(c.streams, slog.LevelWarn),
	}
	defer func() { err = errors.Join(err, r.close()) }()
	if err := r.prepare(ctx); err != nil {
		return err
	}
	if err := r.install(ctx); err != nil {
		return err
	}
	r.say()
	return c.print(r.done)
}

// prepare does all that changes nothing, and asks for what must be confirmed.
func (r *restoration) prepare(ctx context.Context) error {
	if same, err := sameFile(r.file, r.path); same || err != nil {
		return errors.Join(errors.New("give a backup, not the database itself"), err)
	}
	var err error
	if r.backup, err = openReplica(ctx, r.file, filepath.Dir(r.path), r.log); err != nil {
		return err
	}
	r.done = restoredDoc{
		File: r.file, Rebuilt: r.backup.rebuilt,
		Households: r.backup.report.Households, Entries: r.backup.report.Entries,
	}
	if err := r.lookAtDatabase(ctx); err != nil {
		return err
	}
	doubts, err := r.doubts()
	if err != nil {
		return err
	}
	return r.confirm(doubts)
}

// sameFile reports whether two names are of one file; the first must be there.
func sameFile(a, b string) (bool, error) {
	first, err := os.Stat(a)
	if err != nil {
		return false, err
	}
	second, err := os.Stat(b)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil && os.SameFile(first, second), err
}

// lookAtDatabase opens the database that is to be replaced, if it can be.
func (r *restoration) lookAtDatabase(ctx context.Context) error {
	if _, err := os.Stat(r.path); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	store, err := sqlite.Open(ctx, r.path, storeOptions(r.log, time.Now))
	if errors.Is(err, sqlite.ErrDamaged) {
		r.broken = err.Error()
		return nil
	}
	if errors.Is(err, sqlite.ErrNewer) || errors.Is(err, sqlite.ErrAltered) {
		return fmt.Errorf("%s: %w: move it away if it is to be replaced", r.path, err)
	}
	if err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	faults, err := store.Inspect(ctx)
	if err == nil && len(faults) > 0 {
		r.broken = faults[0]
		return store.Close()
	}
	if err == nil {
		err = store.Migrate(ctx) // so that both have one schema
	}
	if err != nil {
		return errors.Join(err, store.Close())
	}
	r.live = store
	return nil
}

func (r *restoration) close() error {
	var err error
	if r.live != nil {
		err = r.live.Close()
	}
	if r.backup != nil {
		err = errors.Join(err, r.backup.close())
	}
	return err
}

// install puts the backup in its place: by one transaction on a database that is there, which a running server goes on
// working with, else as a file.
func (r *restoration) install(ctx context.Context) error {
	if err := r.ready(ctx); err != nil {
		return fmt.Errorf("nothing was changed: %w", err)
	}
	if r.live == nil {
		return r.putInPlace()
	}
	err := r.live.Replace(ctx, sqlite.Replacement{From: r.backup.file, Before: r.keep, After: r.beginAnew})
	if err == nil {
		return nil
	}
	err = fmt.Errorf("nothing was changed: %w", err)
	if r.done.Kept != "" {
		err = errors.Join(err, os.Remove(r.done.Kept))
	}
	return err
}

// ready makes all of what is to be put in place, but for the last word where that is said in the database itself.
func (r *restoration) ready(ctx context.Context) error {
	if _, err := journal.Open(r.path+journalBeside, newID); err != nil {
		return err
	}
	if r.live == nil {
		if err := r.backup.store.InTx(ctx, r.beginAnew); err != nil {
			return err
		}
	}
	return r.backup.shut()
}

// beginAnew replays the journal. It is read in the transaction, when nobody can append to it any more, since whoever does
// has begun a transaction of their own.
func (r *restoration) beginAnew(ctx context.Context, tx clinic.Tx) error {
	content, err := journal.Read(r.path + journalBeside)
	if err != nil {
		return err
	}
	began, err := r.backup.service.BeginAnew(ctx, tx, content.ID, content.Records, r.at)
	r.done.Epoch, r.done.Journal = began.Epoch, began.Replayed
	return err
}
