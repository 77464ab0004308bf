package postgrestest

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// Content is what the program had written into a database at one moment, as a dump holds it: every row of its tables but the list of
// migrations. It may be put into any database of the same schema, any number of times. The zero one is that of a database without a
// single row, of which no store was ever made.
type Content struct{ tables []rows }

// rows are those of a table, in the server's binary form.
type rows struct {
	table string
	copy  []byte
}

const (
	tablesInOrder = `SELECT relname FROM pg_class
		WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND relname <> 'schema_migration' ORDER BY oid`
	// emptyCopy is the length of a copy without a row: signature, flags, the length of an extension that isn't there, and the end
	// (PostgreSQL 15 manual, COPY, "Binary Format").
	emptyCopy = 11 + 4 + 4 + 2
)

// Dump reads all that has been committed, in one snapshot. Others may write meanwhile.
func Dump(ctx context.Context, conn *pgx.Conn) (c Content, err error) {
	tx, err := conn.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return c, fmt.Errorf("dump: %w", err)
	}
	defer tx.Rollback(ctx) //nolint:errcheck // nothing was written
	found, err := tx.Query(ctx, tablesInOrder)
	if err != nil {
		return c, fmt.Errorf("dump: %w", err)
	}
	tables, err := pgx.CollectRows(found, pgx.RowTo[string])
	if err != nil {
		return c, fmt.Errorf("dump: %w", err)
	}
	for _, table := range tables {
		var b bytes.Buffer
		if _, err := conn.PgConn().CopyTo(ctx, &b, `COPY `+table+` TO STDOUT (FORMAT binary)`); err != nil {
			return c, fmt.Errorf("dump %s: %w", table, err)
		}
		if b.Len() > emptyCopy {
			c.tables = append(c.tables, rows{table, b.Bytes()})
		}
	}
	return c, nil
}

const (
	// forgetting takes away every row, of the tables that refer to others first. They were made later.
	forgetting = `DO $$
		DECLARE t regclass;
		BEGIN
			ALTER TABLE audit DISABLE TRIGGER USER;
			FOR t IN SELECT oid FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace
				AND relname <> 'schema_migration' ORDER BY oid DESC
			LOOP
				EXECUTE format('DELETE FROM %s', t);
			END LOOP;
			ALTER TABLE audit ENABLE TRIGGER USER;
		END $$`
	// countingOn has what is numbered from now on come after what is there.
	countingOn = `DO $$
		DECLARE t regclass; c name;
		BEGIN
			FOR t, c IN SELECT attrelid, attname FROM pg_attribute JOIN pg_class p ON p.oid = attrelid
				WHERE attidentity <> '' AND relnamespace = 'public'::regnamespace
			LOOP
				EXECUTE format('SELECT setval(pg_get_serial_sequence(%L, %L), (SELECT coalesce(max(%I), 0) + 1 FROM %s), false)', t, c, c, t);
			END LOOP;
		END $$`
)

// PutBack puts a content in the place of all that is in a database, in one transaction, as going back to a dump does. It waits for
// transactions that have written to end.
func (c Content) PutBack(ctx context.Context, conn *pgx.Conn) (err error) {
	tx, err := conn.Begin(ctx)
	if err != nil {
		return fmt.Errorf("put back: %w", err)
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("put back: %w", errors.Join(err, tx.Rollback(ctx)))
		}
	}()
	if _, err := tx.Exec(ctx, forgetting); err != nil {
		return err
	}
	for _, r := range c.tables {
		if _, err := conn.PgConn().CopyFrom(ctx, bytes.NewReader(r.copy), `COPY `+r.table+` FROM STDIN (FORMAT binary)`); err != nil {
			return fmt.Errorf("%s: %w", r.table, err)
		}
	}
	if _, err := tx.Exec(ctx, countingOn); err != nil {
		return err
	}
	return tx.Commit(ctx)
}
