package api

import (
	"context"
	"encoding/binary"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// caller returns who asks. The guards have put them there; without them nobody has any right.
func caller(ctx context.Context) access.Principal {
	p, _ := access.PrincipalFrom(ctx)
	return p
}

// pathID reads an id from a path. What is no id names nothing.
func pathID(text string) (uuid.UUID, error) {
	if len(text) != len(uuid.Nil.String()) {
		return uuid.Nil, clinic.ErrNotThere
	}
	id, err := uuid.Parse(text)
	if err != nil {
		return uuid.Nil, clinic.ErrNotThere.Because(err)
	}
	return id, nil
}

// bodyID reads an optional id from a body.
func bodyID(text *string, pointer string) (uuid.UUID, error) {
	if text == nil {
		return uuid.Nil, nil
	}
	id, err := pathID(*text)
	if err != nil || id == uuid.Nil {
		return uuid.Nil, fault.New(fault.Invalid, "invalid-input", "Some of what was sent is wrong: see the places named.").
			At(pointer, "Give a UUID of 36 characters.")
	}
	return id, nil
}

// pageLimit returns how many rows a page is to hold.
func pageLimit(limit *int) (int, error) {
	if limit == nil {
		return clinic.DefaultPage, nil
	}
	if *limit < 1 || *limit > clinic.MaxPage {
		return 0, fault.New(fault.Invalid, "limit-invalid", "Give a limit from 1 to 500.")
	}
	return *limit, nil
}

// The kinds of sealed cursor, so that one list's cursor is none of another's.
const (
	householdCursor = "households"
	planCursor      = "plans"
	entryCursor     = "entries"
	overdueCursor   = "overdue"
	followUpCursor  = "follow-ups"
	auditCursor     = "audit/"  // and whom it is about
	rosterCursor    = "roster/" // and the order
)

var errCursor = fault.New(fault.Unreadable, "cursor-invalid", "This cursor is not one that this list has given: start without one.")

// idCursor reads a cursor that holds an id.
func (s *server) idCursor(kind string, cursor *string) (uuid.UUID, error) {
	if cursor == nil {
		return uuid.Nil, nil
	}
	payload, err := s.Keys.OpenCursor(kind, *cursor)
	if err != nil {
		return uuid.Nil, err
	}
	id, err := uuid.FromBytes(payload)
	if err != nil {
		return uuid.Nil, errCursor.Because(err)
	}
	return id, nil
}

func (s *server) sealID(kind string, id uuid.UUID) *string {
	cursor := s.Keys.SealCursor(kind, id[:])
	return &cursor
}

// numberCursor reads a cursor that holds a number.
func (s *server) numberCursor(kind string, cursor *string) (int64, error) {
	if cursor == nil {
		return 0, nil
	}
	payload, err := s.Keys.OpenCursor(kind, *cursor)
	if err != nil {
		return 0, err
	}
	if len(payload) != 8 {
		return 0, errCursor
	}
	return int64(binary.BigEndian.Uint64(payload)), nil //nolint:gosec // written by sealNumber
}

func (s *server) sealNumber(kind string, n int64) *string {
	cursor := s.Keys.SealCursor(kind, binary.BigEndian.AppendUint64(nil, uint64(n))) //nolint:gosec // read back the same
	return &cursor
}

// dueKey reads a cursor that holds an instant and an id.
func (s *server) dueKey(kind string, cursor *string) (*clinic.DueKey, error) {
	if cursor == nil {
		return nil, nil //nolint:nilnil // no cursor, no place
	}
	payload, err := s.Keys.OpenCursor(kind, *cursor)
	if err != nil {
		return nil, err
	}
	if len(payload) != 24 {
		return nil, errCursor
	}
	return &clinic.DueKey{
		ID:  uuid.UUID(payload[:16]),
		Due: time.UnixMilli(int64(binary.BigEndian.Uint64(payload[16:]))), //nolint:gosec // written by sealDueKey
	}, nil
}

func (s *server) sealDueKey(kind string, key clinic.DueKey) *string {
	payload := binary.BigEndian.AppendUint64(key.ID[:], uint64(key.Due.UnixMilli()))
	cursor := s.Keys.SealCursor(kind, payload)
	return &cursor
}

// textOr returns the text, or nothing where there is none.
func textOr(text *string) string {
	if text == nil {
		return ""
	}
	return *text
}

// join puts JSON values into an array.
func join(values [][]byte) []byte {
	size := len("[]") + len(values)
	for _, v := range values {
		size += len(v)
	}
	array := append(make([]byte, 0, size), '[')
	for i, v := range values {
		if i > 0 {
			array = append(array, ',')
		}
		array = append(array, v...)
	}
	return append(array, ']')
}
