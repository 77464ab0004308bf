// Package migrations holds the schemas of the stores as numbered SQL files, embedded in the binary. README.md has the
// rules for adding one.
package migrations

import "embed"

// SQLite holds the files of the SQLite store, as sqlite/NNNN_name.sql.
//
//go:embed sqlite/*.sql
var SQLite embed.FS

// Postgres holds the files of the PostgreSQL store, as postgres/NNNN_name.sql.
//
//go:embed postgres/*.sql
var Postgres embed.FS
