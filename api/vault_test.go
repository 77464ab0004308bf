package api_test

import (
	"crypto/sha256"
	"database/sql"
	"fmt"
	"maps"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// vault looks at a house's database beside the house: what a call has changed in it, and what it has left on the audit trail. It
// can put back all but the trail, which nobody can.
type vault struct {
	t       testing.TB
	db      *sql.DB
	clinics []uuid.UUID
	columns map[string]string // of each table but the trail, for a SELECT; not the edition, which only tells that others changed

	count   *sql.Stmt            // of what others commit
	trails  *sql.Stmt            // whatever is new on them
	whole   map[string]*sql.Stmt // each table as one text
	version int64                // of the database, as SQLite counts what others commit
	seen    map[string][32]byte  // the digest of each table at that version
	kept    map[string][32]byte  // the digest of each table that is to be put back
	heads   map[uuid.UUID]int64  // how far the trail of each clinic has been read
	fresh   map[uuid.UUID][]deed // what has come on each since
}

// deed is a row of the audit trail, as far as tests look at it.
type deed struct {
	role, did, outcome string
	who                uuid.UUID
	named              [3]uuid.UUID // household, learner, thing
}

// newVault keeps the database as it is now. The house must not be closed before it.
func (h *house) newVault() *vault {
	h.t.Helper()
	v := &vault{t: h.t, db: openRaw(h.t, h.path), columns: map[string]string{}, heads: map[uuid.UUID]int64{}, fresh: map[uuid.UUID][]deed{}}
	v.db.SetMaxOpenConns(1) // to which both what is kept and the count of commits belong
	for _, table := range v.texts("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name <> 'audit'") {
		v.columns[table] = strings.Join(v.texts("SELECT name FROM pragma_table_info(?) WHERE name <> 'edition'", table), ", ")
	}
	for _, clinic := range v.texts("SELECT hex(id) FROM clinic") {
		v.clinics = append(v.clinics, uuid.MustParse(clinic))
	}
	require.NotEmpty(h.t, v.clinics)
	v.prepare()
	v.exec("ATTACH ':memory:' AS kept")
	for table, columns := range v.columns {
		v.exec(fmt.Sprintf("CREATE TABLE kept.%s AS SELECT %s FROM main.%s", table, columns, table))
	}
	v.kept = maps.Clone(v.digest())
	v.deeds()
	return v
}

// prepare prepares what is asked again and again.
func (v *vault) prepare() {
	v.t.Helper()
	prepared := func(query string) *sql.Stmt {
		statement, err := v.db.PrepareContext(v.t.Context(), query)
		require.NoError(v.t, err)
		v.t.Cleanup(func() { assert.NoError(v.t, statement.Close()) })
		return statement
	}
	v.count = prepared("PRAGMA data_version")
	of := strings.Repeat("SELECT * FROM audit WHERE clinic = ? AND seq > ? UNION ALL ", len(v.clinics))
	v.trails = prepared(`SELECT clinic, seq, role, did, outcome, coalesce(who, zeroblob(16)), coalesce(household, zeroblob(16)),
		coalesce(learner, zeroblob(16)), coalesce(thing, zeroblob(16)) FROM (` + strings.TrimSuffix(of, "UNION ALL ") + ") ORDER BY clinic, seq")
	v.whole = map[string]*sql.Stmt{}
	for table, columns := range v.columns {
		row := "quote(" + strings.ReplaceAll(columns, ", ", ") || '|' || quote(") + ")"
		v.whole[table] = prepared(fmt.Sprintf("SELECT coalesce(group_concat(%s, char(10)), '') FROM %s", row, table))
	}
}

func (v *vault) exec(statement string) {
	v.t.Helper()
	_, err := v.db.ExecContext(v.t.Context(), statement)
	require.NoError(v.t, err)
}

// texts returns the one column of what a query finds.
func (v *vault) texts(query string, args ...any) []string {
	v.t.Helper()
	rows, err := v.db.QueryContext(v.t.Context(), query, args...)
	require.NoError(v.t, err)
	defer rows.Close()
	var texts []string
	for rows.Next() {
		var text string
		require.NoError(v.t, rows.Scan(&text))
		texts = append(texts, text)
	}
	require.NoError(v.t, rows.Err())
	return texts
}

// moved reports whether anybody has committed anything since it was asked last, and reads what has come on the trails.
func (v *vault) moved() bool {
	v.t.Helper()
	var version int64
	require.NoError(v.t, v.count.QueryRowContext(v.t.Context()).Scan(&version))
	if version == v.version {
		return false
	}
	v.version, v.seen = version, nil
	v.readTrails()
	return true
}

func (v *vault) readTrails() {
	v.t.Helper()
	var args []any
	for _, clinic := range v.clinics {
		args = append(args, clinic[:], v.heads[clinic])
	}
	rows, err := v.trails.QueryContext(v.t.Context(), args...)
	require.NoError(v.t, err)
	defer rows.Close()
	for rows.Next() {
		var d deed
		var seq int64
		var ids [5][]byte
		require.NoError(v.t, rows.Scan(&ids[0], &seq, &d.role, &d.did, &d.outcome, &ids[1], &ids[2], &ids[3], &ids[4]))
		clinic := uuid.UUID(ids[0])
		d.who = uuid.UUID(ids[1])
		for i := range d.named {
			d.named[i] = uuid.UUID(ids[i+2])
		}
		v.heads[clinic] = seq
		v.fresh[clinic] = append(v.fresh[clinic], d)
	}
	require.NoError(v.t, rows.Err())
}

// deeds returns what has come on the trail of each clinic since it was asked last.
func (v *vault) deeds() map[uuid.UUID][]deed {
	v.t.Helper()
	v.moved()
	fresh := v.fresh
	v.fresh = map[uuid.UUID][]deed{}
	return fresh
}

// digest returns a hash over each table but the trail.
func (v *vault) digest() map[string][32]byte {
	v.t.Helper()
	v.moved()
	if v.seen != nil {
		return v.seen
	}
	v.seen = map[string][32]byte{}
	for table, whole := range v.whole {
		var text string
		require.NoError(v.t, whole.QueryRowContext(v.t.Context()).Scan(&text))
		v.seen[table] = sha256.Sum256([]byte(text))
	}
	return v.seen
}

// changed returns the tables that are not as they were kept.
func (v *vault) changed() []string {
	v.t.Helper()
	var tables []string
	for table, now := range v.digest() {
		if now != v.kept[table] {
			tables = append(tables, table)
		}
	}
	return tables
}

// keep takes the database as it is now for what is to be put back.
func (v *vault) keep() {
	v.t.Helper()
	for _, table := range v.changed() {
		v.exec("DELETE FROM kept." + table)
		v.exec(fmt.Sprintf("INSERT INTO kept.%s SELECT %s FROM main.%s", table, v.columns[table], table))
	}
	v.kept = maps.Clone(v.digest())
	v.deeds()
}

// putBack makes every table but the trail what it was when it was kept.
func (v *vault) putBack() {
	v.t.Helper()
	changed := v.changed()
	if len(changed) == 0 {
		return
	}
	v.exec("BEGIN IMMEDIATE")
	next := v.texts("SELECT max(edition) + 1 FROM household")
	for _, table := range changed {
		v.exec("DELETE FROM main." + table)
		v.exec(fmt.Sprintf("INSERT INTO main.%s (%s) SELECT %s FROM kept.%s", table, v.columns[table], v.columns[table], table))
	}
	v.exec("UPDATE household SET edition = " + next[0]) // as after any change
	v.exec("COMMIT")
	v.seen = maps.Clone(v.kept)
}
