package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/watch"
)

// Listen lets a device wait for what is new in its household. Whoever listens must leave in the end.
func (s *Service) Listen(ctx context.Context, p access.Principal, now time.Time) (*watch.Listener, error) {
	if _, err := s.ask(ctx, p, "streamSync", now); err != nil {
		return nil, err
	}
	return s.listeners.Listen(ctx, p.HouseholdID, p.DeviceID)
}

// EndListening ends all listening and lets nobody listen any more, since the server is about to stop.
func (s *Service) EndListening() { s.listeners.Close() }

// Hints carry word of what is new between servers that work on one store. Nothing rests on them but how soon a listener hears of
// it: whoever listens finds out in the end.
type Hints interface {
	// Send lets the other servers know how far a household's record goes: soon, or never. It waits for nothing.
	Send(household uuid.UUID, rev int64)
	// Exchange sends what there is to send and calls heard with what others have sent, until ctx ends. What this server has sent may
	// come back to it, and hints may overtake each other.
	Exchange(ctx context.Context, heard func(household uuid.UUID, rev int64))
}

// ExchangeHints lets servers hear of each other's news until ctx ends, if the store has a way.
func (s *Service) ExchangeHints(ctx context.Context) {
	if s.Hints != nil {
		s.Hints.Exchange(ctx, s.listeners.Tell)
	}
}

// tellOf tells the listeners what a call has added, once it is durable, and has it weighed soon.
func (s *Service) tellOf(u *upload, err error) {
	if err == nil && u.reached > 0 {
		s.listeners.Tell(u.household, u.reached)
		if s.Hints != nil {
			s.Hints.Send(u.household, u.reached)
		}
		s.noteChange()
	}
}

// look sees where the households of devices stand. A device that was revoked may not listen, nor one whose caregiver has
// withdrawn consent, nor one that is not there, since an older backup has been restored that knows nothing of it.
func (s *Service) look(ctx context.Context, devices []uuid.UUID) (watch.Look, error) {
	seen := watch.Look{Heads: make(map[uuid.UUID]int64, len(devices))}
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		if seen.Epoch, err = view.Epoch(ctx); err != nil {
			return err
		}
		standings, err := view.Standings(ctx, devices)
		for id, standing := range standings {
			if standing.Revoked.IsZero() && standing.Withdrawn.IsZero() {
				seen.Heads[id] = standing.Head
			}
		}
		return err
	})
	return seen, err
}
