// Package passage is the form in which all that a store holds goes from one engine to another: table by table, by the names that tables
// and columns have where they go, and in values that are no engine's own.
package passage

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// Table is the rows of one table. They can be read once.
type Table struct {
	Name    string
	Columns []string
	Rows    Rows
}

// Rows are read one after the other.
type Rows interface {
	// Next returns the next row, a value for each column: nil, an int64, or bytes, as which ids, hashes and texts go. After the last it
	// returns io.EOF. What it returns is the caller's.
	Next() ([]any, error)
}

// Sum is how many rows a table has, and a hash over all of them in no order. Two tables with the same sum hold the same. No two rows of
// a table may be the same, else their hashes take each other away.
type Sum struct {
	Rows int64
	Hash [sha256.Size]byte
}

// What a value is, before it in what is hashed.
const (
	isNull byte = iota
	isNumber
	isBytes
)

// Add adds a row. It returns an error for a value that Rows may not return.
func (s *Sum) Add(row []any) error {
	var text []byte
	for _, value := range row {
		switch value := value.(type) {
		case nil:
			text = append(text, isNull)
		case int64:
			text = binary.BigEndian.AppendUint64(append(text, isNumber), uint64(value)) //nolint:gosec // G115: as its bits
		case []byte:
			text = append(binary.BigEndian.AppendUint64(append(text, isBytes), uint64(len(value))), value...)
		default:
			return fmt.Errorf("a %T can't go from one store to another", value)
		}
	}
	hash := sha256.Sum256(text)
	subtle.XORBytes(s.Hash[:], s.Hash[:], hash[:])
	s.Rows++
	return nil
}

// Summed reads rows to their end and returns their sum.
func Summed(rows Rows) (Sum, error) {
	var s Sum
	for {
		row, err := rows.Next()
		if errors.Is(err, io.EOF) {
			return s, nil
		}
		if err == nil {
			err = s.Add(row)
		}
		if err != nil {
			return s, err
		}
	}
}
