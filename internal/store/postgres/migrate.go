package postgres

import (
	"context"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

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
	version  integer PRIMARY KEY,
	name     text NOT NULL,
	checksum bytea NOT NULL, -- SHA-256 of the file
	applied  bigint NOT NULL
)`

// known returns this program's migrations.
func known() ([]migration.File, error) { return migration.Load(migrations.Postgres, "postgres") }

// querier is a connection or a transaction.
type querier interface {
	Query(ctx context.Context, text string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, text string, args ...any) pgx.Row
}

// pendingOf returns the migrations that a database lacks; ErrNewer or ErrAltered where it has others.
func pendingOf(ctx context.Context, q querier) ([]migration.File, error) {
	known, err := known()
	if err != nil {
		return nil, err
	}
	return pendingAmong(ctx, q, known)
}

func pendingAmong(ctx context.Context, q querier, known []migration.File) ([]migration.File, error) {
	var exists bool
	err := q.QueryRow(ctx, `SELECT to_regclass('schema_migration') IS NOT NULL`).Scan(&exists)
	if err != nil {
		return nil, fmt.Errorf("check schema: %w", translated(err))
	}
	if !exists {
		return known, nil
	}
	var applied []migration.Applied
	rows, err := q.Query(ctx, `SELECT version, checksum FROM schema_migration ORDER BY version`)
	err = readAll(rows, err, func(row scanner) error {
		var a migration.Applied
		err := row.Scan(&a.Version, (*hash)(&a.Checksum))
		applied = append(applied, a)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("check schema: %w", translated(err))
	}
	pending, err := migration.Pending(known, applied)
	if err != nil {
		return nil, fmt.Errorf("check schema: %w", err)
	}
	return pending, nil
}

func (s *Store) pending(ctx context.Context) ([]migration.File, error) {
	conn, err := s.acquire(ctx)
	if err != nil {
		return nil, err
	}
	defer conn.Release()
	return pendingOf(ctx, conn)
}

// New reports whether the database holds nothing of this program yet: no migration was ever applied to it.
func (s *Store) New(ctx context.Context) (bool, error) {
	pending, err := s.pending(ctx)
	return len(pending) > 0 && pending[0].Version == 1, err
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

// migrateOnce applies the first migration that the database lacks and returns it, nil where it lacks none. It waits its turn first,
// for as long as it takes, so what it finds lacking no other process is applying.
func (s *Store) migrateOnce(ctx context.Context, known []migration.File) (*migration.File, error) {
	conn, err := s.acquire(ctx)
	if err != nil {
		return nil, err
	}
	defer conn.Release()
	defer s.rollBack(ctx, conn.Conn())
	t, err := conn.Begin(ctx)
	if err != nil {
		return nil, translated(err)
	}
	for _, text := range []string{
		`SET LOCAL lock_timeout = 0`, `SET LOCAL statement_timeout = 0`, fmt.Sprintf(`SELECT pg_advisory_xact_lock(%d)`, toMigrate), createMigrations,
	} {
		if _, err := t.Exec(ctx, text); err != nil {
			return nil, translated(err)
		}
	}
	pending, err := pendingAmong(ctx, t, known)
	if err != nil || len(pending) == 0 {
		return nil, err
	}
	next := &pending[0]
	// As one text of several statements, which only the simple protocol takes.
	if _, err := t.Conn().PgConn().Exec(ctx, next.Text).ReadAll(); err != nil {
		return nil, fmt.Errorf("%s: %w", next.Name, translated(err))
	}
	_, err = t.Exec(ctx, `INSERT INTO schema_migration (version, name, checksum, applied) VALUES ($1, $2, $3, $4)`,
		next.Version, next.Name, next.Checksum[:], ms(s.options.Now()))
	if err != nil {
		return nil, translated(err)
	}
	return next, translated(t.Commit(ctx))
}

// ensureEpoch names the history of a new database.
func (s *Store) ensureEpoch(ctx context.Context) error {
	conn, err := s.acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	_, err = conn.Exec(ctx, `INSERT INTO meta (one, epoch) VALUES (1, $1) ON CONFLICT DO NOTHING`, s.options.NewID())
	if err != nil {
		return fmt.Errorf("name the history: %w", translated(err))
	}
	return nil
}

// misplaced are learners of whom it is not known that they are to be weighed, or who stand in an order where they don't belong.
var misplaced = statement{"inspect database", `
	SELECT coalesce(p.learner, u.learner) FROM projection p FULL JOIN unweighed u USING (household, learner)
	WHERE p.learner IS NULL OR (p.weighed IS NULL) <> (u.learner IS NOT NULL)
		OR least(p.stale_place, p.until, p.reminders_until) IS DISTINCT FROM p.stale_place
		OR least(p.renew_place, p.reminders_renew) IS DISTINCT FROM p.renew_place
		OR (p.weighed IS NOT NULL AND (p.urgency_place, p.wrong_place, p.heard_place, p.nearness_place, p.folded_place)
			<> (-p.urgency, -p.nights_wrong, p.heard, -p.nearness, p.folded))
	ORDER BY 1 LIMIT 20`}

// Inspect reports what the server finds wrong with the database, a sentence for each fault. PostgreSQL checks the pages that it
// reads, where its data checksums are on, and holds rows to what they refer to; that the schema is this program's, and that the roster
// finds everybody where they belong, is all that is left to look at.
func (s *Store) Inspect(ctx context.Context) ([]string, error) {
	pending, err := s.pending(ctx)
	if errors.Is(err, ErrNewer) || errors.Is(err, ErrAltered) {
		return []string{err.Error()}, nil
	}
	if err == nil && len(pending) > 0 {
		return []string{"the database lacks migration " + pending[0].Name}, nil
	}
	if err != nil {
		return nil, err
	}
	var faults []string
	err = s.read(ctx, func(w *work) error {
		learners, err := all(ctx, w, misplaced, value[uuid.UUID])
		for _, learner := range learners {
			faults = append(faults, "learner "+learner.String()+" is not where the roster looks for them")
		}
		return err
	})
	return faults, err
}
