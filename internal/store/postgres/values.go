package postgres

import (
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgtype"

	"swallowtail/internal/clinic"
)

// ms is how an instant is kept.
func ms(t time.Time) int64 { return t.UnixMilli() }

// kept is an instant as it comes back.
func kept(t time.Time) time.Time { return time.UnixMilli(t.UnixMilli()).UTC() }

// msOrNull is how an instant is kept that need not be there.
func msOrNull(t time.Time) *int64 {
	if t.IsZero() {
		return nil
	}
	at := t.UnixMilli()
	return &at
}

// blob is how bytes are kept: never NULL.
func blob(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// idOrNull is how an id is kept that need not be there.
func idOrNull(id uuid.UUID) *uuid.UUID {
	if id == uuid.Nil {
		return nil
	}
	return &id
}

// instant reads an instant; NULL is the zero one.
type instant time.Time

// ScanInt64 implements pgtype.Int64Scanner.
func (i *instant) ScanInt64(from pgtype.Int8) error {
	*i = instant{}
	if from.Valid {
		*i = instant(time.UnixMilli(from.Int64).UTC())
	}
	return nil
}

// optional reads an id; NULL is the zero one.
type optional uuid.UUID

// ScanUUID implements pgtype.UUIDScanner.
func (o *optional) ScanUUID(from pgtype.UUID) error {
	*o = optional{}
	if from.Valid {
		*o = from.Bytes
	}
	return nil
}

// hash reads the 32 bytes of a SHA-256.
type hash [32]byte

// ScanBytes implements pgtype.BytesScanner.
func (h *hash) ScanBytes(from []byte) error {
	if len(from) != len(h) {
		return fmt.Errorf("read hash from %d bytes", len(from))
	}
	copy(h[:], from)
	return nil
}

// document reads bytes; empty ones, and NULL, are nil.
type document []byte

// ScanBytes implements pgtype.BytesScanner.
func (d *document) ScanBytes(from []byte) error {
	*d = append(document(nil), from...)
	return nil
}

// nights reads what clinic.PackNights packed.
type nights []clinic.ProjectedNight

// ScanBytes implements pgtype.BytesScanner.
func (n *nights) ScanBytes(from []byte) (err error) {
	*n, err = clinic.UnpackNights(from)
	return err
}

// text keeps a string as the bytes that it has, which may be any.
type text string

// ScanBytes implements pgtype.BytesScanner.
func (t *text) ScanBytes(from []byte) error {
	*t = text(from)
	return nil
}

// BytesValue implements pgtype.BytesValuer.
func (t text) BytesValue() ([]byte, error) { return []byte(t), nil }

// list keeps a value as JSON, for what is only ever read as a whole.
type list[T any] struct{ of *T }

// asList is for binding a value and for scanning into it.
func asList[T any](of *T) list[T] { return list[T]{of} }

// BytesValue implements pgtype.BytesValuer.
func (l list[T]) BytesValue() ([]byte, error) { return json.Marshal(l.of) }

// ScanBytes implements pgtype.BytesScanner.
func (l list[T]) ScanBytes(from []byte) error { return json.Unmarshal(from, l.of) }

// bound returns arguments as the driver writes them without a detour. It takes an id for a text and reads that again; and it goes through
// a list one reflected value after the other, unless the list says what is in it.
func bound(args []any) []any {
	all := make([]any, len(args))
	for i, arg := range args {
		switch a := arg.(type) {
		case uuid.UUID:
			all[i] = idOf(a)
		case *uuid.UUID:
			all[i] = idOrNone(a)
		case []uuid.UUID:
			all[i] = listed(a, idOf)
		case []*uuid.UUID:
			all[i] = listed(a, idOrNone)
		case []text:
			all[i] = pgtype.FlatArray[text](a)
		case [][]byte:
			all[i] = pgtype.FlatArray[[]byte](a)
		default:
			all[i] = arg
		}
	}
	return all
}

func idOf(id uuid.UUID) pgtype.UUID { return pgtype.UUID{Bytes: id, Valid: true} }

func idOrNone(id *uuid.UUID) pgtype.UUID {
	if id == nil {
		return pgtype.UUID{}
	}
	return idOf(*id)
}

// listed returns a list as the driver takes it: NULL for one that is nil.
func listed[T, U any](from []T, to func(T) U) pgtype.FlatArray[U] {
	if from == nil {
		return nil
	}
	list := make(pgtype.FlatArray[U], len(from))
	for i := range from {
		list[i] = to(from[i])
	}
	return list
}
