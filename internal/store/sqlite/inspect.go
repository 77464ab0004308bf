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
// refers to one, also those of which SQLite does not know that they do. It returns a sentence for each fault, none where all is in order.
func (s *Store) Inspect(ctx context.Context) ([]string, error) {
	faults, err := integrityFaults(ctx, s.readers.db)
	if err == nil && len(faults) == 0 {
		faults, err = strays(ctx, s.readers.db)
	}
	if err == nil && len(faults) == 0 {
		faults, err = s.strayReminders(ctx)
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

// strayReminders tells of reminders that no fold names, so that nothing would ever take them away. A database of an earlier version
// knows nothing of that.
func (s *Store) strayReminders(ctx context.Context) ([]string, error) {
	pending, err := s.pending(ctx)
	if err != nil || len(pending) > 0 {
		return nil, err
	}
	var count int
	err = s.readers.db.QueryRowContext(ctx, `
		SELECT count(*) FROM reminder r LEFT JOIN projection p USING (learner_key)
		WHERE p.clinic_key IS NOT r.clinic_key OR p.reminders ->> ('$."' || lower(hex(r.id)) || '"') IS NOT r.due`).Scan(&count)
	if err != nil || count == 0 {
		return nil, translated(err)
	}
	return []string{fmt.Sprintf("%d reminders are kept that no learner's fold names", count)}, nil
}
