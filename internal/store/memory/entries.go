package memory

import (
	"context"
	"fmt"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// Epoch implements clinic.RecordView.
func (v view) Epoch(context.Context) (uuid.UUID, error) { return v.epoch, nil }

// Journal implements clinic.RecordView.
func (v view) Journal(context.Context) (uuid.UUID, error) { return v.journal, nil }

// Head implements clinic.RecordView.
func (v view) Head(_ context.Context, household uuid.UUID) (clinic.Head, error) {
	h, err := v.household(household)
	if err != nil {
		return clinic.Head{}, err
	}
	return h.head, nil
}

// Edition implements clinic.RecordView.
func (v view) Edition(_ context.Context, household uuid.UUID) (clinic.Edition, error) {
	h, err := v.household(household)
	if err != nil {
		return clinic.Edition{}, err
	}
	return clinic.Edition{Epoch: v.epoch, Number: h.edition}, nil
}

// Assume implements clinic.RecordTx.
func (t *tx) Assume(ctx context.Context, a clinic.Assumption) error {
	h, err := t.household(a.Household)
	if err != nil || a.Edition != (clinic.Edition{Epoch: t.epoch, Number: h.edition}) {
		return clinic.ErrChanged
	}
	if a.By == nil {
		return nil
	}
	return a.Proven(t.TokenFamily(ctx, a.By.Session))
}

// Standings implements clinic.RecordView.
func (v view) Standings(ctx context.Context, devices []uuid.UUID) (map[uuid.UUID]clinic.Standing, error) {
	found := make(map[uuid.UUID]clinic.Standing, len(devices))
	for _, id := range devices {
		device, err := v.Device(ctx, id)
		if fault.KindOf(err) == fault.NotFound {
			continue
		}
		if err != nil {
			return nil, err
		}
		h, err := v.household(device.Household)
		if err != nil {
			return nil, err
		}
		found[id] = clinic.Standing{Head: h.head.Rev, Revoked: device.Revoked, Withdrawn: device.Withdrawn}
	}
	return found, nil
}

// Entries implements clinic.RecordView.
func (v view) Entries(_ context.Context, household uuid.UUID, after int64, limit int) ([]clinic.StoredEntry, error) {
	h, err := v.household(household)
	if err != nil {
		return nil, err
	}
	rest := h.record.entries[min(max(after, 0), h.head.Rev):]
	if limit == 0 {
		limit = len(rest)
	}
	return listed(first(rest, limit), func(e *clinic.StoredEntry) clinic.StoredEntry { return *e }), nil
}

// Folder implements clinic.RecordView.
func (v view) Folder(ctx context.Context, household uuid.UUID) (clinic.Folder, error) {
	return clinic.FolderOf(ctx, v, household)
}

// LockHouseholds implements clinic.RecordTx. The transaction has kept all other writers out since it began.
func (t *tx) LockHouseholds(context.Context, []uuid.UUID) error { return nil }

// AppendEntries implements clinic.RecordTx. It returns an error, and has written nothing, where a revision does not
// follow the one before. Whether an id is taken an index tells.
func (t *tx) AppendEntries(_ context.Context, household uuid.UUID, entries []clinic.StoredEntry, _ []clinic.Held) error {
	if len(entries) == 0 {
		return nil
	}
	h, err := t.household(household)
	if err != nil {
		return err
	}
	for i := range entries {
		if err := h.admits(&entries[i], h.head.Rev+int64(i)+1); err != nil {
			return err
		}
	}
	longer, ok := h.record.plus(entries)
	if !ok {
		return taken("entry")
	}
	h = t.own(h)
	h.record = longer
	last := &entries[len(entries)-1]
	h.head = clinic.Head{Rev: last.Rev, Chain: last.Chain}
	return nil
}

// admits returns what keeps an entry out of the household at a revision.
func (h *household) admits(e *clinic.StoredEntry, rev int64) error {
	switch {
	case e.Rev != rev:
		return fmt.Errorf("add entries: revision %d where %d follows", e.Rev, rev)
	case e.Learner != uuid.Nil && !h.hasLearner(e.Learner):
		return absent("learner")
	case e.Device != uuid.Nil && !h.hasDevice(e.Device):
		return absent("device")
	}
	return nil
}

// RenewEpoch implements clinic.RecordTx.
func (t *tx) RenewEpoch(_ context.Context, epoch uuid.UUID) error {
	t.epoch = epoch
	return nil
}

// SetJournal implements clinic.RecordTx.
func (t *tx) SetJournal(_ context.Context, journal uuid.UUID) error {
	t.journal = journal
	return nil
}
