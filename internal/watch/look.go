package watch

import (
	"context"
	"log/slog"
	"time"

	"github.com/google/uuid"
)

// lookOut looks at the store now and then, until ctx ends.
func (h *Hub) lookOut(ctx context.Context) {
	ticker := time.NewTicker(h.config.Every)
	defer ticker.Stop()
	failing := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		err := h.look(ctx, nil)
		if err != nil && !failing && ctx.Err() == nil {
			h.config.Log.Warn("can't see whether listeners have anything to hear", slog.String("error", err.Error()))
		}
		failing = err != nil
	}
}

// asked is the household of a device as it was when a look began.
type asked struct {
	*household
	told int
}

// look sees where everything stands that is listened to, or where it stands for one listener.
func (h *Hub) look(ctx context.Context, only *Listener) error {
	question := h.question(only)
	devices := make([]uuid.UUID, 0, len(question))
	for id := range question {
		devices = append(devices, id)
	}
	seen, err := h.config.Look(ctx, devices)
	if err != nil {
		return err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for id, was := range question {
		head, may := seen.Heads[id]
		if !may {
			h.barLocked(id)
			continue
		}
		was.seeLocked(Place{Epoch: seen.Epoch, Head: head})
	}
	return nil
}

// question returns whom to ask for, by device.
func (h *Hub) question(only *Listener) map[uuid.UUID]asked {
	h.mu.Lock()
	defer h.mu.Unlock()
	question := map[uuid.UUID]asked{}
	for id, listeners := range h.devices {
		if only == nil || only.device == id {
			w := h.households[listeners[0].household]
			question[id] = asked{w, w.told}
		}
	}
	return question
}

// seeLocked takes what a look saw. Where nobody told of a commit since the look began, that is how things stand, whatever
// was known before: a store may have been restored to an earlier state. Otherwise it may be behind.
func (a asked) seeLocked(seen Place) {
	if a.household.told != a.told {
		seen.Head = max(seen.Head, a.place.Head)
	}
	a.moveLocked(seen)
}
