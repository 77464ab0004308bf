package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// maxFaults bounds how many faults of a kind are listed.
const maxFaults = 20

// Inspect lets SQLite itself look through the file: its pages and indexes, and whether every row that refers to another
// refers to one. It returns a sentence for each fault, none where all is in order.
func (s *Store) Inspect(ctx context.Context) ([]string, error) {
	faults, err := integrityFaults(ctx, s.readers.db)
	if err == nil && len(faults) == 0 {
		faults, err = strays(ctx, s.readers.db)
	}
	if errors.Is(err, ErrDamaged) {
		return append(faults, err.Error()), nil
	}
	if err != nil {
		return nil, fmt.Errorf("inspect database: %w", err)
	}
	return faults, nil
}

func integrityFaults(ctx context.Context, q querier) ([]string, error) {
	rows, err := q.QueryContext(ctx, fmt.Sprintf(`PRAGMA integrity_check(%d)`, maxFaults))
	if err != nil {
		return nil, translated(err)
	}
	defer rows.Close()
	var faults []string
	for rows.Next() {
		var text string
		if err := rows.Scan(&text); err != nil {
			return nil, translated(err)
		}
		if text != "ok" {
			faults = append(faults, text)
		}
	}
	return faults, translated(rows.Err())
}

// strays names rows that refer to nothing.
func strays(ctx context.Context, q querier) ([]string, error) {
	rows, err := q.QueryContext(ctx, `PRAGMA foreign_key_check`)
	if err != nil {
		return nil, translated(err)
	}
	defer rows.Close()
	var faults []string
	for rows.Next() && len(faults) < maxFaults {
		var table, parent string
		var row sql.NullInt64 // a table without row ids has none
		var constraint int
		if err := rows.Scan(&table, &row, &parent, &constraint); err != nil {
			return nil, translated(err)
		}
		faults = append(faults, fmt.Sprintf("a row of %s refers to a row of %s that is not there", table, parent))
	}
	return faults, translated(rows.Err())
}
