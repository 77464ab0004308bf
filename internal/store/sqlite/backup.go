package sqlite

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"swallowtail/internal/clinic"
)

// BackUp writes the database as it is at one moment into a new file, readable for its owner only, while others read and
// write. The file is a database of its own; it is not yet durable.
func (s *Store) BackUp(ctx context.Context, path string) error {
	path, err := filepath.Abs(path) // lest SQLite take a name for an address
	if err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, ownerOnly) //nolint:gosec // G304: the operator says where
	if err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	if err := file.Close(); err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	// A connection of its own: the readers may write nothing, and the writer is not to wait.
	p, err := openPool(s.address(nil), 1)
	if err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	_, err = p.db.ExecContext(ctx, `VACUUM INTO ?`, path)
	if err := errors.Join(translated(err), p.close()); err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	return nil
}

// Replacement is how the content of another database takes the place of a store's.
type Replacement struct {
	// From is the other database's file, which has this program's newest schema.
	From string
	// Before is called when no other can write any more, and nothing has changed yet. It may read the store.
	Before func(ctx context.Context) error
	// After is called in the transaction in which the content has been replaced.
	After func(ctx context.Context, tx clinic.Tx) error
}

// patience is how many times as long as others Replace waits for writers.
const patience = 6

// Replace puts the content of another database in the place of the store's, in one transaction: others, in this process or
// another, see the old content until it has been committed and the new content from then on, and need not open the store
// anew. On an error nothing has changed. ErrAltered answers a database of another schema.
func (s *Store) Replace(ctx context.Context, r Replacement) (err error) {
	from, err := filepath.Abs(r.From)
	if err != nil {
		return fmt.Errorf("replace: %w", err)
	}
	// While rows are exchanged, references point nowhere; they are looked through at the end. Others write one transaction
	// after another, and whoever waits outside their process comes in by chance, so it waits for longer than they do.
	wait := strconv.FormatInt(patience*s.options.BusyTimeout.Milliseconds(), 10)
	p, err := openPool(s.address(url.Values{"_foreign_keys": {"off"}, "_busy_timeout": {wait}}), 1)
	if err != nil {
		return fmt.Errorf("replace: %w", err)
	}
	defer func() { err = errors.Join(err, p.close()) }()
	if _, err := p.db.ExecContext(ctx, `ATTACH DATABASE ? AS other`, from); err != nil {
		return fmt.Errorf("replace: open the other database: %w", translated(err))
	}
	w, err := p.begin(ctx, false)
	if err != nil {
		return fmt.Errorf("replace: %w", err)
	}
	defer s.rollBack(ctx, w)
	if err := r.Before(ctx); err != nil {
		return err
	}
	if err := w.exchange(ctx); err != nil {
		return fmt.Errorf("replace: %w", err)
	}
	if err := r.After(ctx, &tx{view{w}}); err != nil {
		return err
	}
	if err := checkForeignKeys(ctx, w.tx.conn); err != nil {
		return fmt.Errorf("replace: %w", err)
	}
	return commit(w)
}

const (
	// compareSchemas counts what one schema has and the other has not.
	compareSchemas = `
		WITH ours AS (SELECT type, name, sql FROM main.sqlite_schema WHERE sql IS NOT NULL),
			others AS (SELECT type, name, sql FROM other.sqlite_schema WHERE sql IS NOT NULL)
		SELECT count(*) FROM (
			SELECT * FROM (SELECT * FROM ours EXCEPT SELECT * FROM others)
			UNION ALL SELECT * FROM (SELECT * FROM others EXCEPT SELECT * FROM ours))`
	// listColumns lists the tables with those of their columns that are not worked out from others.
	listColumns = `
		SELECT t.name, group_concat('"' || c.name || '"') FROM main.sqlite_schema t, pragma_table_info(t.name) c
		WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite\_%' ESCAPE '\' GROUP BY t.name`
)

// auditTable is the one whose rows stay.
const auditTable = "audit"

// exchange deletes every row and takes over those of the other database. Audit trails only grow.
func (w *work) exchange(ctx context.Context) error {
	var differing int
	if err := w.tx.conn.QueryRowContext(ctx, compareSchemas).Scan(&differing); err != nil {
		return translated(err)
	}
	if differing > 0 {
		return ErrAltered
	}
	rows, err := w.tx.conn.QueryContext(ctx, listColumns)
	if err != nil {
		return translated(err)
	}
	defer rows.Close()
	var script strings.Builder
	for rows.Next() {
		var table, columns string
		if err := rows.Scan(&table, &columns); err != nil {
			return translated(err)
		}
		if table == auditTable {
			// What has happened has happened: nothing is taken from a trail, and only what one lacks is added to it.
			fmt.Fprintf(&script, "INSERT INTO main.audit (%s) SELECT %[1]s FROM other.audit o WHERE o.seq > "+
				"coalesce((SELECT max(m.seq) FROM main.audit m WHERE m.clinic = o.clinic), 0);\n", columns)
			continue
		}
		fmt.Fprintf(&script, "DELETE FROM main.%q;\nINSERT INTO main.%[1]q (%s) SELECT %[2]s FROM other.%[1]q;\n", table, columns)
	}
	if err := errors.Join(translated(rows.Err()), rows.Close()); err != nil {
		return err
	}
	_, err = w.tx.conn.ExecContext(ctx, script.String())
	return translated(err)
}
