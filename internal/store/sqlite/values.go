package sqlite

import (
	"database/sql/driver"
	"encoding/json"
	"fmt"
	"time"

	"swallowtail/internal/clinic"
)

// ms is how an instant is kept.
func ms(t time.Time) int64 { return t.UnixMilli() }

// kept is an instant as it comes back.
func kept(t time.Time) time.Time { return time.UnixMilli(t.UnixMilli()).UTC() }

// msOrNull is how an instant is kept that need not be there.
func msOrNull(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMilli()
}

// blob is how bytes are kept: never NULL.
func blob(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// instant reads an instant; NULL is the zero one.
type instant time.Time

// Scan implements sql.Scanner.
func (i *instant) Scan(from any) error {
	switch from := from.(type) {
	case nil:
		*i = instant{}
	case int64:
		*i = instant(time.UnixMilli(from).UTC())
	default:
		return fmt.Errorf("read instant from %T", from)
	}
	return nil
}

// hash reads the 32 bytes of a SHA-256.
type hash [32]byte

// Scan implements sql.Scanner.
func (h *hash) Scan(from any) error {
	bytes, ok := from.([]byte)
	if !ok || len(bytes) != len(h) {
		return fmt.Errorf("read hash from %T of %d bytes", from, len(bytes))
	}
	copy(h[:], bytes)
	return nil
}

// document reads bytes; empty ones are nil.
type document []byte

// Scan implements sql.Scanner. It takes the bytes as they are: the driver makes new ones for each row.
func (d *document) Scan(from any) error {
	bytes, ok := from.([]byte)
	if !ok && from != nil {
		return fmt.Errorf("read document from %T", from)
	}
	if *d = bytes; len(bytes) == 0 {
		*d = nil
	}
	return nil
}

// nights reads what clinic.PackNights packed.
type nights []clinic.ProjectedNight

// Scan implements sql.Scanner.
func (n *nights) Scan(from any) error {
	packed, ok := from.([]byte)
	if !ok {
		return fmt.Errorf("read nights from %T", from)
	}
	unpacked, err := clinic.UnpackNights(packed)
	*n = unpacked
	return err
}

// list keeps a value as JSON, for what is only ever read as a whole.
type list[T any] struct{ of *T }

// asList is for binding a value and for scanning into it.
func asList[T any](of *T) list[T] { return list[T]{of} }

// Value implements driver.Valuer.
func (l list[T]) Value() (driver.Value, error) {
	text, err := json.Marshal(l.of)
	return string(text), err
}

// Scan implements sql.Scanner.
func (l list[T]) Scan(from any) error {
	text, ok := from.(string)
	if !ok {
		return fmt.Errorf("read JSON from %T", from)
	}
	return json.Unmarshal([]byte(text), l.of)
}
