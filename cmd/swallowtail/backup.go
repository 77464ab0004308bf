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

	"swallowtail/internal/durable"
	"swallowtail/internal/store/sqlite"
)

// backupDoc says what is in a backup.
type backupDoc struct {
	File       string    `json:"file"`
	Bytes      int64     `json:"bytes"`
	Epoch      uuid.UUID `json:"epoch"`
	Households int       `json:"households"`
	Entries    int       `json:"entries"`
	TakenAt    time.Time `json:"taken_at"`

	misfolded bool
}

// backup writes a backup, and gives it its name once it has been read again as restore reads it.
func backup(ctx context.Context, c *call) error {
	set, db := c.flags("FILE")
	if err := c.parse(set); err != nil {
		return err
	}
	path, err := databaseFile(*db, "use the server's own backups (pg_dump, or pg_basebackup with the write-ahead log), and keep the key file too")
	if err != nil {
		return err
	}
	log := logger(c.streams, slog.LevelWarn)
	// Not migrated: a backup is best made before an upgrade changes anything.
	if err := (database{file: path}).there(); err != nil {
		return err
	}
	store, err := sqlite.Open(ctx, path, storeOptions(log, time.Now))
	if err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	made, err := backUp(ctx, store, c.operands[0], log)
	if err := errors.Join(err, store.Close()); err != nil {
		return err
	}
	fmt.Fprintf(c.err, "Two files are not in %s and must be kept too: %s, without which nobody's token works any more, "+
		"and %s, without which going back to this backup locks phones out and lets revoked ones in again.\n",
		made.File, c.keysOf(path), path+journalBeside)
	if made.misfolded {
		fmt.Fprintln(c.err, "What the database keeps of folds is not what this program folds: check says what, check --rebuild "+
			"folds it anew, and so does restore.")
	}
	return c.print(made)
}

// backUp writes a backup of a store into a new file.
func backUp(ctx context.Context, store *sqlite.Store, file string, log *slog.Logger) (backupDoc, error) {
	taken := time.Now()
	folder, err := snapshot(ctx, store, file)
	if err != nil {
		return backupDoc{}, err
	}
	defer os.RemoveAll(folder) //nolint:errcheck // it is out of the way
	written := filepath.Join(folder, inFolder)
	made := backupDoc{File: file, TakenAt: taken.UTC().Truncate(time.Millisecond)}
	if err := made.read(ctx, written, log); err != nil {
		return backupDoc{}, fmt.Errorf("no backup was made: %w", err)
	}
	if err := durable.Move(written, file); err != nil {
		return backupDoc{}, fmt.Errorf("name the backup: %w", err)
	}
	return made, nil
}

// read reads a backup as restore does.
func (d *backupDoc) read(ctx context.Context, file string, log *slog.Logger) error {
	info, err := os.Stat(file)
	if err != nil {
		return err
	}
	r, err := openReplica(ctx, file, filepath.Dir(file), log)
	if err != nil {
		return err
	}
	d.Bytes, d.Epoch, d.Households, d.Entries = info.Size(), r.epoch, r.report.Households, r.report.Entries
	d.misfolded = r.rebuilt
	return r.close()
}

// inFolder is how a database is called in a folder of its own.
const inFolder = "database"

// snapshot writes a store as it is at one moment into a folder beside the file that is to be, and returns the folder.
func snapshot(ctx context.Context, store *sqlite.Store, file string) (folder string, err error) {
	if _, err := os.Lstat(file); err == nil {
		return "", fmt.Errorf("%s: %w: nothing is written over", file, fs.ErrExist)
	}
	folder, err = os.MkdirTemp(filepath.Dir(file), ".backup-*")
	if err != nil {
		return "", fmt.Errorf("make a folder for the backup: %w", err)
	}
	if err := store.BackUp(ctx, filepath.Join(folder, inFolder)); err != nil {
		return "", errors.Join(err, os.RemoveAll(folder))
	}
	return folder, nil
}
