package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"swallowtail/internal/store/migration"
	"swallowtail/migrations"
)

var (
	// ErrNewer answers a database that a newer version of this program has migrated.
	ErrNewer = migration.ErrNewer
	// ErrAltered answers a database to which another text of a migration was applied than this program has.
	ErrAltered = migration.ErrAltered
)

const createMigrations = `CREATE TABLE IF NOT EXISTS schema_migration (
	version  INTEGER PRIMARY KEY,
	name     TEXT NOT NULL,
	checksum BLOB NOT NULL, -- SHA-256 of the file
	applied  INTEGER NOT NULL
) STRICT`

// known returns this program's migrations.
func known() ([]migration.File, error) { return migration.Load(migrations.SQLite, "sqlite") }

// querier is a pool or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// pendingOf returns the migrations that a database lacks; ErrNewer or ErrAltered where it has others.
func pendingOf(ctx context.Context, q querier, known []migration.File) ([]migration.File, error) {
	var exists bool
	err := q.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name = 'schema_migration'`).Scan(&exists)
	if err != nil || !exists {
		return known, translated(err)
	}
	rows, err := q.QueryContext(ctx, `SELECT version, checksum FROM schema_migration ORDER BY version`)
	if err != nil {
		return nil, translated(err)
	}
	defer rows.Close()
	var applied []migration.Applied
	for rows.Next() {
		var a migration.Applied
		if err := rows.Scan(&a.Version, (*hash)(&a.Checksum)); err != nil {
			return nil, err
		}
		applied = append(applied, a)
	}
	if err := rows.Err(); err != nil {
		return nil, translated(err)
	}
	return migration.Pending(known, applied)
}

func (s *Store) pending(ctx context.Context) ([]migration.File, error) {
	known, err := known()
	if err != nil {
		return nil, err
	}
	pending, err := pendingOf(ctx, s.readers.db, known)
	if err != nil {
		return nil, fmt.Errorf("check schema: %w", err)
	}
	return pending, nil
}

// New reports whether the database holds nothing of this program yet: no migration was ever applied to it.
func (s *Store) New(ctx context.Context) (bool, error) {
	pending, err := s.pending(ctx)
	return len(pending) > 0 && pending[0].Version == 1, err
}

// checkSchema refuses a database that this program must not touch.
func (s *Store) checkSchema(ctx context.Context) error {
	_, err := s.pending(ctx)
	return err
}

// Migrate brings the database to this program's schema, and gives a new one its epoch. Several processes may do so at the
// same time. ErrNewer and ErrAltered are as of Open.
func (s *Store) Migrate(ctx context.Context) error {
	known, err := known()
	if err != nil {
		return err
	}
	return s.migrate(ctx, known)
}

func (s *Store) migrate(ctx context.Context, known []migration.File) error {
	err := migration.Run(ctx, s.options.Logger, func(ctx context.Context) (*migration.File, error) { return s.migrateOnce(ctx, known) })
	if err != nil {
		return err
	}
	return s.ensureEpoch(ctx)
}

// migrateOnce applies the first migration that the database lacks and returns it, nil where it lacks none. The
// transaction holds the write lock from its beginning, so what it finds lacking no other process is applying.
func (s *Store) migrateOnce(ctx context.Context, known []migration.File) (*migration.File, error) {
	t, err := s.writer.db.BeginTx(ctx, nil)
	if err != nil {
		return nil, translated(err)
	}
	defer t.Rollback() //nolint:errcheck // after a commit it has nothing to do; else the other error counts
	if _, err := t.ExecContext(ctx, createMigrations); err != nil {
		return nil, translated(err)
	}
	pending, err := pendingOf(ctx, t, known)
	if err != nil || len(pending) == 0 {
		return nil, err
	}
	next := &pending[0]
	if _, err := t.ExecContext(ctx, next.Text); err != nil { //nolint:gosec // G701: the text is embedded in the binary
		return nil, fmt.Errorf("%s: %w", next.Name, translated(err))
	}
	if err := checkForeignKeys(ctx, t); err != nil {
		return nil, fmt.Errorf("%s: %w", next.Name, err)
	}
	_, err = t.ExecContext(ctx, `INSERT INTO schema_migration (version, name, checksum, applied) VALUES (?, ?, ?, ?)`,
		next.Version, next.Name, next.Checksum[:], ms(s.options.Now()))
	if err != nil {
		return nil, translated(err)
	}
	return next, translated(t.Commit())
}

// checkForeignKeys looks for rows that refer to nothing. The pragma returns them as rows; Exec would hide them.
func checkForeignKeys(ctx context.Context, q querier) error {
	found, err := strays(ctx, q)
	if err == nil && len(found) > 0 {
		err = errors.New("leaves rows that refer to nothing")
	}
	return err
}

// ensureEpoch names the history of a new database.
func (s *Store) ensureEpoch(ctx context.Context) error {
	epoch := s.options.NewID()
	_, err := s.writer.db.ExecContext(ctx, `INSERT INTO meta (one, epoch) VALUES (1, ?) ON CONFLICT DO NOTHING`, epoch[:])
	if err != nil {
		return fmt.Errorf("name the history: %w", translated(err))
	}
	return nil
}
