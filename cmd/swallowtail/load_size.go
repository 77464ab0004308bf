package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
)

// databaseSize is how much room a SQLite file takes.
type databaseSize struct {
	octets int64            // of the file, and of its log as far as that could not be written back into it
	parts  map[string]int64 // of each table and index, in whole pages
}

// sizeOf has the log of a SQLite file written back into it, beside whatever server runs, and measures it.
func sizeOf(ctx context.Context, path string) (s databaseSize, err error) {
	query := url.Values{"_busy_timeout": {"10000"}}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: filepath.ToSlash(path), RawQuery: query.Encode()}).String())
	if err != nil {
		return s, fmt.Errorf("measure the database: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var busy, log, done int
	if err := db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &log, &done); err != nil {
		return s, fmt.Errorf("measure the database: %w", err)
	}
	if s.parts, err = partsOf(ctx, db); err != nil {
		return s, fmt.Errorf("measure the database: %w", err)
	}
	for _, file := range []string{path, path + "-wal"} {
		info, err := os.Stat(file)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return s, fmt.Errorf("measure the database: %w", err)
		}
		s.octets += info.Size()
	}
	return s, nil
}

// partsOf measures tables and indexes (https://www.sqlite.org/dbstat.html).
func partsOf(ctx context.Context, db *sql.DB) (map[string]int64, error) {
	rows, err := db.QueryContext(ctx, "SELECT name, pgsize FROM dbstat WHERE aggregate = TRUE")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	parts := map[string]int64{}
	for rows.Next() {
		var name string
		var octets int64
		if err := rows.Scan(&name, &octets); err != nil {
			return nil, err
		}
		parts[name] = octets
	}
	return parts, rows.Err()
}
