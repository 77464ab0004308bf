package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/durable"
	"swallowtail/internal/journal"
)

// consent is what must be typed before a restore goes on in spite of doubts.
const consent = "restore anyway"

const withoutJournal = "Phones that exchanged their token since then are locked out and must be enrolled anew. Phones that were " +
	"revoked since then are let in again, until they are revoked anew. Phones that were enrolled since then are not known. " +
	"Invites that were used since then work again until they expire. Consent that was withdrawn since then stands again. Clinicians " +
	"who were disabled since then may sign in, with the passwords and second factors of then, and their recovery codes of then work; " +
	"programs' tokens that were revoked since then work; what clinics changed about second factors and invites is undone."

// doubts says, in sentences, what this restore can't do, or may do wrong.
func (r *restoration) doubts() ([]string, error) {
	var doubts []string
	doubt := func(format string, args ...any) { doubts = append(doubts, fmt.Sprintf(format, args...)) }
	book := r.path + journalBeside
	content, err := journal.Read(book)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		doubt("There is no journal at %s, so that what happened since the backup was made is not known. %s", book, withoutJournal)
	case err != nil:
		return nil, fmt.Errorf("%s: %w; without it, moved away, restore asks whether to go on", book, err)
	case r.backup.journal == uuid.Nil:
		doubt("The backup was made before there was a journal, and what happened between the two is not known. %s", withoutJournal)
	case r.backup.journal != content.ID:
		doubt("The journal at %s (%s) is not the one that the backup names (%s), so that what happened between the backup and "+
			"the first record of that journal is not known. %s", book, content.ID, r.backup.journal, withoutJournal)
	}
	if _, err := os.Stat(r.keysOf(r.path)); errors.Is(err, fs.ErrNotExist) {
		doubt("There are no keys at %s. Unless you put them there before a server starts, every phone must be enrolled anew and "+
			"everybody must sign in again, and what phones hand in again counts as received only then.", r.keysOf(r.path))
	}
	if r.broken != "" {
		doubt("The database at %s is damaged (%s). It is moved aside as it is. If a server runs on it, stop that first, and "+
			"start it afterwards: it would go on with the damaged one.", r.path, r.broken)
	}
	return doubts, nil
}

// confirm asks whether to go on in spite of doubts.
func (r *restoration) confirm(doubts []string) error {
	if len(doubts) == 0 {
		return nil
	}
	fmt.Fprintf(r.err, "Before this goes on:\n\n- %s\n\nType %q to go on all the same, anything else to leave everything as it is: ",
		strings.Join(doubts, "\n- "), consent)
	typed, err := bufio.NewReader(io.LimitReader(r.in, 4096)).ReadString('\n')
	fmt.Fprintln(r.err)
	if err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("nothing was changed: %w", err)
	}
	if strings.TrimSpace(typed) != consent {
		return fmt.Errorf("nothing was changed, since %q was not typed", consent)
	}
	return nil
}

// aside is how what was there before is called.
func (r *restoration) aside(why string) string {
	return r.path + "." + why + "-" + r.at.UTC().Format("20060102T150405.000Z")
}

// keep writes a backup of the database as it is when nobody can write to it any more.
func (r *restoration) keep(ctx context.Context) error {
	err := r.live.Read(ctx, func(ctx context.Context, view clinic.View) error {
		var err error
		r.done.FormerEpoch, err = view.Epoch(ctx)
		return err
	})
	if err != nil {
		return err
	}
	kept := r.aside("before-restore")
	folder, err := snapshot(ctx, r.live, kept)
	if err != nil {
		return fmt.Errorf("keep the database as it is: %w", err)
	}
	defer os.RemoveAll(folder) //nolint:errcheck // it is out of the way
	if err := durable.Move(filepath.Join(folder, inFolder), kept); err != nil {
		return fmt.Errorf("keep the database as it is: %w", err)
	}
	r.done.Kept = kept
	return nil
}

// putInPlace gives the file of the backup the name of the database, once whatever is left of one has been moved aside.
func (r *restoration) putInPlace() error {
	if err := r.moveAside(); err != nil {
		return fmt.Errorf("move the damaged database aside: %w", err)
	}
	err := durable.Move(r.backup.file, r.path)
	if err != nil && r.done.Kept != "" {
		return fmt.Errorf("%s is no more, but kept as %s: restore again: %w", r.path, r.done.Kept, err)
	}
	return err
}

func (r *restoration) moveAside() error {
	aside := r.aside("damaged")
	// The database goes first: what lies beside it is nothing without it.
	for _, part := range []string{"", "-wal", "-shm"} {
		err := os.Rename(r.path+part, aside+part)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		r.done.Kept = aside
	}
	return durable.SyncDir(filepath.Dir(r.path))
}

// say tells people what has become of what they know.
func (r *restoration) say() {
	fmt.Fprintf(r.err, "%s holds what %s held: %d entries of %d households. Every phone notices with its next call, and hands in again "+
		"what it holds.\n", r.path, r.file, r.done.Entries, r.done.Households)
	fmt.Fprintln(r.err, "Gone is what was done since the backup was made and no phone holds: what clinicians wrote, and the households, "+
		"learners, enrolments, plans, clinicians, invites and service tokens that were added. Do that again.")
	if r.done.Kept != "" {
		fmt.Fprintf(r.err, "The database as it was is kept in %s.\n", r.done.Kept)
	}
	if n := r.done.Journal.Homeless; n > 0 {
		fmt.Fprintf(r.err, "%d records of the journal tell of phones, people or households that the backup does not hold: whoever they "+
			"are must be enrolled or added anew.\n", n)
	}
}
