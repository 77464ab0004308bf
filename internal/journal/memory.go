package journal

import (
	"context"
	"slices"
	"sync"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// Memory is a journal that lasts as long as the process, for stores that last no longer. It is safe for use by several
// goroutines.
type Memory struct {
	id uuid.UUID

	mu      sync.Mutex
	records []clinic.JournalRecord
}

var _ clinic.Journal = (*Memory)(nil)

// NewMemory returns an empty journal of that name.
func NewMemory(id uuid.UUID) *Memory { return &Memory{id: id} }

// ID implements clinic.Journal.
func (m *Memory) ID() uuid.UUID { return m.id }

// Append implements clinic.Journal. It never fails.
func (m *Memory) Append(_ context.Context, record clinic.JournalRecord) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.records = append(m.records, record)
	return nil
}

// Records returns what has been appended, in order.
func (m *Memory) Records() []clinic.JournalRecord {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.records)
}
