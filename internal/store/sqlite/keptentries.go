package sqlite

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// keyOrNone reads a key; NULL is 0, which is none.
type keyOrNone int64

// Scan implements sql.Scanner.
func (k *keyOrNone) Scan(from any) error {
	key, is := from.(int64)
	if !is && from != nil {
		return fmt.Errorf("read key from %T", from)
	}
	*k = keyOrNone(key)
	return nil
}

// instantOrNone reads an instant, and whether there is one.
type instantOrNone struct {
	instant
	there bool
}

// Scan implements sql.Scanner.
func (i *instantOrNone) Scan(from any) error {
	i.there = from != nil
	return i.instant.Scan(from)
}

// keptEntry is where a row of an entry is read into, beside the entry itself. What has the same length in all comes as one.
type keptEntry struct {
	hashes          []byte // id, content, chain
	learner, device keyOrNone
	author          []byte
	stored          instantOrNone
	offset          int64
}

func (k *keptEntry) scan(row scanner, e *clinic.StoredEntry) error {
	err := row.Scan(&e.Rev, &k.hashes, &k.learner, &k.device, &e.Author.Role, &k.author, &e.Status, (*instant)(&e.Received),
		&k.stored, &k.offset, &e.Schema, (*document)(&e.Problem), (*document)(&e.Sent))
	if err != nil {
		return err
	}
	if len(k.hashes) != len(e.ID)+len(e.Content)+len(e.Chain) {
		return fmt.Errorf("read id and hashes from %d bytes", len(k.hashes))
	}
	copy(e.ID[:], k.hashes)
	copy(e.Content[:], k.hashes[len(e.ID):])
	copy(e.Chain[:], k.hashes[len(e.ID)+len(e.Content):])
	copy(e.Author.ID.UUID[:], k.author)
	if e.Stored = e.Received; k.stored.there {
		e.Stored = time.Time(k.stored.instant)
	}
	e.ClockOffset = time.Duration(k.offset)
	return nil
}

// named is whom a row of an entry names by keys.
type named struct {
	learner, device int64
	owned           bool // by the device's caregiver
}

// entries returns the entries that a query found. Whom they name is looked up once for each, not for each entry.
func (w *work) entries(ctx context.Context, st statement, args ...any) ([]clinic.StoredEntry, error) {
	var kept keptEntry
	var names []named
	var found []clinic.StoredEntry
	err := w.each(ctx, st, func(row scanner) error {
		found = append(found, clinic.StoredEntry{}) // and read into its place, since entries are large
		err := kept.scan(row, &found[len(found)-1])
		names = append(names, named{int64(kept.learner), int64(kept.device), kept.author == nil})
		return err
	}, args...)
	if err != nil {
		return nil, err
	}
	for i, n := range names {
		e := &found[i]
		if n.learner != 0 {
			if e.Learner, err = w.learner(ctx, n.learner); err != nil {
				return nil, err
			}
		}
		if n.device != 0 {
			from, err := w.device(ctx, n.device)
			if err != nil {
				return nil, err
			}
			e.Device = from.id
			if n.owned {
				e.Author.ID.UUID = from.owner
			}
		}
	}
	return found, nil
}

func (w *work) learner(ctx context.Context, key int64) (uuid.UUID, error) {
	return w.known.learnerIDs.or(key, func() (uuid.UUID, error) { return one(ctx, w, learnerID, value[uuid.UUID], key) })
}

// ownedDevice is a device and whose it is, neither of which ever changes.
type ownedDevice struct{ id, owner uuid.UUID }

func (w *work) device(ctx context.Context, key int64) (ownedDevice, error) {
	return w.known.devices.or(key, func() (ownedDevice, error) {
		return one(ctx, w, deviceIDAndOwner, func(row scanner, d *ownedDevice) error { return row.Scan(&d.id, &d.owner) }, key)
	})
}
