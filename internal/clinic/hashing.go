package clinic

import (
	"context"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

const (
	// hashesAtOnce is how many passwords are hashed at a time: each takes tens of mebibytes.
	hashesAtOnce = 2
	// strangersAtOnce is how many of them may be for somebody whom the account does not know, and strangersInLine how many more
	// of those wait; any further one is refused at once. So a flood of strangers takes one turn in two at most, and whoever is
	// known waits behind it for one hash and no longer.
	strangersAtOnce = 1
	strangersInLine = 16
	// knownInLine bounds how many others wait.
	knownInLine = 64
)

// hashing is the turns in which passwords are hashed.
type hashing struct {
	turns     chan struct{}
	strangers chan struct{}
	lines     map[bool]chan struct{} // by whether they are known: those who wait and those whose turn it is
}

func newHashing() *hashing {
	return &hashing{
		turns:     make(chan struct{}, hashesAtOnce),
		strangers: make(chan struct{}, strangersAtOnce),
		lines: map[bool]chan struct{}{
			true: make(chan struct{}, knownInLine+hashesAtOnce), false: make(chan struct{}, strangersInLine+strangersAtOnce),
		},
	}
}

var errBusy = fault.New(fault.Unavailable, "unavailable", "The server is busy: try again in a moment.")

// inTurn runs fn, which hashes, in a turn of its own. A fault of kind Unavailable says that too many wait, or that the context
// ended first.
func (h *hashing) inTurn(ctx context.Context, known bool, fn func() error) error {
	places := []chan struct{}{h.turns}
	if !known {
		places = []chan struct{}{h.strangers, h.turns}
	}
	select {
	case h.lines[known] <- struct{}{}:
		defer func() { <-h.lines[known] }()
	default:
		return errBusy
	}
	for _, place := range places {
		select {
		case place <- struct{}{}:
			defer func() { <-place }()
		case <-ctx.Done():
			return errBusy.Because(ctx.Err())
		}
	}
	return fn()
}

// passwordFits checks a password, in turn.
func (s *Service) passwordFits(ctx context.Context, known bool, password, hash string) (fits bool, err error) {
	err = s.hashing.inTurn(ctx, known, func() error {
		fits, err = access.CheckPassword(password, hash, s.PasswordCost)
		return err
	})
	return fits, err
}

// newHash hashes a new password, in turn.
func (s *Service) newHash(ctx context.Context, password string) (hash string, err error) {
	err = s.hashing.inTurn(ctx, true, func() error {
		hash, err = access.HashPassword(password, s.PasswordCost)
		return err
	})
	return hash, err
}
