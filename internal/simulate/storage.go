package simulate

import (
	"context"
	"errors"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/memory"
)

// Storage is the simulated server's store. It can be put back to an earlier state, as an operator does with a backup.
type Storage interface {
	clinic.Store
	// Snapshot returns what has been committed.
	Snapshot() (Snapshot, error)
	// Restore puts back what a snapshot holds, and nothing else.
	Restore(s Snapshot) error
	// Close gives back what the storage took.
	Close() error
}

// Snapshot is a state of a storage. Only the engine that made it can read it.
type Snapshot any

// Engine makes storages.
type Engine interface {
	// New returns an empty storage with the newest schema.
	New(ctx context.Context) (Storage, error)
	// From returns a storage that holds what a snapshot of another one does.
	From(ctx context.Context, s Snapshot) (Storage, error)
}

// Memory is the engine that keeps everything in memory, for many schedules in little time.
type Memory struct{}

var _ Engine = Memory{}

// New implements Engine.
func (Memory) New(context.Context) (Storage, error) {
	return memoryStorage{memory.New(firstEpoch)}, nil
}

// From implements Engine.
func (Memory) From(_ context.Context, s Snapshot) (Storage, error) {
	snapshot, ok := s.(memory.Snapshot)
	if !ok {
		return nil, errForeignSnapshot
	}
	return memoryStorage{memory.From(snapshot)}, nil
}

var errForeignSnapshot = errors.New("a snapshot of another engine")

type memoryStorage struct{ *memory.Store }

func (s memoryStorage) Snapshot() (Snapshot, error) { return s.Store.Snapshot(), nil }

func (s memoryStorage) Restore(snapshot Snapshot) error {
	of, ok := snapshot.(memory.Snapshot)
	if !ok {
		return errForeignSnapshot
	}
	s.Store.Restore(of)
	return nil
}

func (memoryStorage) Close() error { return nil }

// power decides what becomes of the server's next transaction that writes.
type power int

const (
	steady       power = iota
	beforeCommit       // it goes out when all is written and nothing committed
	afterCommit        // it goes out when all is committed and nothing answered
)

// errPowerCut is what a caller of the server sees of it: the connection is gone.
var errPowerCut = errors.New("the server lost power")

// powered is a store whose power can be cut.
type powered struct {
	Storage
	next power
}

// InTx implements clinic.Store.
func (p *powered) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	cut := p.next
	p.next = steady
	if cut == beforeCommit {
		return p.Storage.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
			return errors.Join(fn(ctx, tx), errPowerCut)
		})
	}
	if err := p.Storage.InTx(ctx, fn); err != nil {
		return err
	}
	if cut == afterCommit {
		return errPowerCut
	}
	return nil
}
