package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/puddle/v2"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

var (
	errAbsent      = fault.New(fault.NotFound, "not-found", "There is no such thing here.")
	errTaken       = fault.New(fault.Conflict, "conflict", "It exists already.")
	errFull        = fault.New(fault.OutOfSpace, "out-of-space", "The server has run out of space.")
	errUnavailable = fault.New(fault.Unavailable, "unavailable", "The server cannot reach its data at the moment.").After(awhile)
)

// awhile is after how long a call may be made again that PostgreSQL could not be asked for. It is back within a second or two when it
// was started again, and a connection or a lock is free in far less.
const awhile = 2 * time.Second

// errBusy is why nothing could be asked.
var errBusy = errors.New("no connection was free in time")

// ErrDamaged answers a database of which the server itself says that it is damaged.
var ErrDamaged = errors.New("the database is damaged")

// The SQLSTATEs that mean something here, from appendix A of the PostgreSQL 15 manual, "PostgreSQL Error Codes".
const (
	divisionByZero       = "22012" // of an assumption alone
	uniqueViolation      = "23505"
	readOnlyTransaction  = "25006" // as of a standby
	idleInTransaction    = "25P03" // the server gave this transaction up
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	diskFull             = "53100"
	lockNotAvailable     = "55P03"
	queryCanceled        = "57014"
	dataCorrupted        = "XX001"
	indexCorrupted       = "XX002"

	classConnection   = "08"
	classResources    = "53" // too many connections, out of memory
	classIntervention = "57" // shut down, starting up
	classSystem       = "58" // I/O errors
)

// translated gives an error of the driver its kind, by its code. A transaction that was given up for the sake of others is
// Unavailable: whoever tries again has every chance.
func translated(err error) error {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return errAbsent
	}
	failure, ok := errors.AsType[*pgconn.PgError](err)
	if !ok {
		if isDisconnected(err) {
			return errUnavailable.Because(err)
		}
		return err
	}
	switch failure.Code {
	case divisionByZero:
		return clinic.ErrChanged
	case uniqueViolation:
		return errTaken.Because(err)
	case diskFull:
		return errFull.Because(err)
	case serializationFailure, deadlockDetected, lockNotAvailable, queryCanceled, readOnlyTransaction, idleInTransaction:
		return errUnavailable.Because(err)
	case dataCorrupted, indexCorrupted:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	switch failure.Code[:min(2, len(failure.Code))] {
	case classConnection, classResources, classIntervention, classSystem:
		return errUnavailable.Because(err)
	}
	return err
}

// isDisconnected tells whether an error that is none of the server's own says that the server can't be reached, or no more, as when
// this store has been closed.
func isDisconnected(err error) bool {
	for _, gone := range []error{puddle.ErrClosedPool, pgconn.ErrConnClosed, net.ErrClosed, io.EOF, io.ErrUnexpectedEOF} {
		if errors.Is(err, gone) {
			return true
		}
	}
	if _, ok := errors.AsType[*pgconn.ConnectError](err); ok {
		return true
	}
	_, ok := errors.AsType[net.Error](err)
	return ok
}
