package sqlite

import (
	"database/sql"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"swallowtail/internal/fault"
)

var (
	errAbsent      = fault.New(fault.NotFound, "not-found", "There is no such thing here.")
	errTaken       = fault.New(fault.Conflict, "conflict", "It exists already.")
	errFull        = fault.New(fault.OutOfSpace, "out-of-space", "The server has run out of space.")
	errUnavailable = fault.New(fault.Unavailable, "unavailable", "The server cannot reach its data at the moment.")
)

// ErrDamaged answers a file that is no database, or none any more.
var ErrDamaged = errors.New("the database is damaged, or is none")

// primaryCode is the part of an extended result code that names the family.
const primaryCode = 0xff

// translated gives an error of the driver its kind, by its code.
func translated(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return errAbsent
	}
	failure, ok := errors.AsType[*sqlite.Error](err)
	if !ok {
		return err
	}
	switch failure.Code() {
	case sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY:
		return errTaken.Because(err)
	}
	switch failure.Code() & primaryCode {
	case sqlite3.SQLITE_FULL:
		return errFull.Because(err)
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_BUSY,
		sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL:
		return errUnavailable.Because(err)
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return err
}

// breaksTransaction tells whether the transaction may be gone after an error: SQLite itself ends it on some, and what
// came next would be committed on its own. An absent row or a refused one leaves it as it was.
func breaksTransaction(err error) bool {
	if errors.Is(err, sql.ErrNoRows) {
		return false
	}
	failure, ok := errors.AsType[*sqlite.Error](err)
	return !ok || failure.Code()&primaryCode != sqlite3.SQLITE_CONSTRAINT
}

func cannotOpen(err error) error { return errUnavailable.Because(err) }

// isBusy reports whether another process held a lock for too long.
func isBusy(err error) bool {
	failure, ok := errors.AsType[*sqlite.Error](err)
	return ok && failure.Code()&primaryCode == sqlite3.SQLITE_BUSY
}

// isReadOnly reports whether an error says that the connection can't write. One that is opened while the disk can't be
// written to stays so for as long as it is open.
func isReadOnly(err error) bool {
	failure, ok := errors.AsType[*sqlite.Error](err)
	return ok && failure.Code()&primaryCode == sqlite3.SQLITE_READONLY && failure.Code() != sqlite3.SQLITE_READONLY_DBMOVED
}
