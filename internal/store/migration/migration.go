// Package migration holds what the engines share about bringing a database to the newest schema: which files there are, which of them
// a database lacks, and that they are applied one after the other. The rules are in migrations/README.md.
package migration

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"path"
)

var (
	// ErrNewer answers a database that a newer version of this program has migrated.
	ErrNewer = errors.New("the database was written by a newer version of this program")
	// ErrAltered answers a database to which another text of a migration was applied than this program has.
	ErrAltered = errors.New("the database has a schema that differs from this program's")
)

// File is a migration. Its version is its place, from 1.
type File struct {
	Version  int
	Name     string
	Text     string
	Checksum [sha256.Size]byte
}

// Load reads the files of a folder, which must be numbered without a gap.
func Load(files fs.FS, folder string) ([]File, error) {
	names, err := fs.Glob(files, path.Join(folder, "*.sql")) // in order of the names
	if err != nil {
		return nil, fmt.Errorf("list migrations: %w", err)
	}
	known := make([]File, len(names))
	for i, name := range names {
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("read migration: %w", err)
		}
		known[i] = File{i + 1, path.Base(name), string(text), sha256.Sum256(text)}
		var number int
		if _, err := fmt.Sscanf(known[i].Name, "%04d_", &number); err != nil || number != i+1 {
			return nil, fmt.Errorf("migration %s: want number %04d", known[i].Name, i+1)
		}
	}
	return known, nil
}

// Applied is a migration as a database has recorded it.
type Applied struct {
	Version  int
	Checksum [sha256.Size]byte
}

// Pending returns which of the known files a database lacks, given those that were applied to it by version; ErrNewer or ErrAltered
// where it has others.
func Pending(known []File, applied []Applied) ([]File, error) {
	for i, a := range applied {
		if a.Version > len(known) {
			return nil, fmt.Errorf("%w: migration %d of %d", ErrNewer, a.Version, len(known))
		}
		if a.Version != i+1 || a.Checksum != known[i].Checksum {
			return nil, fmt.Errorf("%w: migration %d", ErrAltered, a.Version)
		}
	}
	return known[len(applied):], nil
}

// Run applies migrations until the database lacks none. once applies the first that is lacking, in a transaction of its own, and
// returns it, nil where none is.
func Run(ctx context.Context, log *slog.Logger, once func(ctx context.Context) (*File, error)) error {
	for {
		applied, err := once(ctx)
		if err != nil {
			return fmt.Errorf("migrate: %w", err)
		}
		if applied == nil {
			return nil
		}
		log.InfoContext(ctx, "migrated", "version", applied.Version, "name", applied.Name)
	}
}
