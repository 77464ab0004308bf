package clinic

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
	"sort"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

// SyncRequest is one call of a device: what it hands in, and from where it wants to read on.
type SyncRequest struct {
	Schema  int
	Cursor  string // empty for a first pull
	Sent    time.Time
	Limit   int
	Entries [][]byte // raw JSON, each looked at alone
}

// SyncAnswer is the answer to a call. All that is in it is durable.
type SyncAnswer struct {
	Results    []Result
	UploadOnly bool // nothing but the results may be told
	Changes    []FeedEntry
	Cursor     string
	More       bool
	Head       int64
	Epoch      uuid.UUID
	Nights     [][]byte // JSON: those that changed
	Gone       [][]byte // JSON: those that are no more
	Digest     string
}

// Sync takes what a device hands in, then tells it what it has not seen. Push and pull are one transaction, and the call
// is what the device is heard from by. Of a caller who is unproven that transaction proves, too, that the session goes on: a fault of kind
// Unauthenticated where it does not.
func (s *Service) Sync(ctx context.Context, p access.Principal, r SyncRequest, now time.Time) (SyncAnswer, error) {
	if len(r.Entries) > MaxEntries {
		return SyncAnswer{}, errTooManyEntries
	}
	c := s.callOf(p, r, now)
	var err error
	if c.comes, err = c.foresee(ctx); err != nil {
		return SyncAnswer{}, err
	}
	err = s.changes(ctx, p, "sync", now, c.save)
	if errors.Is(err, ErrChanged) {
		c.comes = nil
		err = s.changes(ctx, p, "sync", now, c.save)
	}
	if err == nil {
		s.keepFolded(nil, c.comes.folded)
	}
	s.tellOf(c.upload, err)
	if err != nil {
		return SyncAnswer{}, err
	}
	return c.comes.answer, nil
}

// call is a call of a device under way.
type call struct {
	*Service
	caller  access.Principal
	upload  *upload
	request SyncRequest
	now     time.Time
	comes   *outcome // nil where it is not known
}

// callOf returns a call whose entries have been examined.
func (s *Service) callOf(p access.Principal, r SyncRequest, now time.Time) *call {
	u := &upload{
		author:    practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: p.CaregiverID}},
		device:    p.DeviceID,
		household: p.HouseholdID,
		schema:    r.Schema,
		offset:    now.Sub(r.Sent),
	}
	u.examine(r.Entries)
	return &call{Service: s, caller: p, upload: u, request: r, now: now}
}

// outcome is what a call comes to in a household as it is of some edition.
type outcome struct {
	from    *family // the household
	refused error   // why the call is refused, and nothing comes of it
	added   []StoredEntry
	heard   uuid.UUID // the device, where this counts as being heard from
	at      time.Time
	folded  *folded
	answer  SyncAnswer
}

// foresee works out what the call comes to before anybody is kept from writing: whoever writes next to it has to wait only for what has
// been worked out to be written. It is taken for what it is if the household is still of the same edition by then.
func (c *call) foresee(ctx context.Context) (*outcome, error) {
	if _, refused := c.rights.permit(c.caller, "sync"); refused != nil {
		return nil, nil //nolint:nilnil // it comes to nothing, as whoever asks is told in its place
	}
	family, err := c.family(ctx)
	if fault.KindOf(err) == fault.NotFound {
		return nil, nil //nolint:nilnil // as above
	}
	if err != nil {
		return nil, err
	}
	o := c.on(family)
	o.from = o.from.lean()
	if o.folded != nil {
		o.folded.letGo()
	}
	return o, nil
}

// family returns the household as it is kept in memory, if what was sent of all that the call may tell is known too; else as it is read.
func (c *call) family(ctx context.Context) (f *family, err error) {
	known := c.families.of(c.caller.HouseholdID)
	after, untold := known.untold(c.request.Cursor)
	if known != nil && !untold {
		return known, nil
	}
	err = c.Store.Read(ctx, func(ctx context.Context, view View) error {
		if untold {
			told, same, err := known.withTexts(ctx, view, after)
			if f = told; err != nil || same {
				return err
			}
		}
		f, err = readFamily(ctx, view, c.caller.HouseholdID, nil)
		return err
	})
	return f, err
}

// on works out what the call comes to in a household.
func (c *call) on(f *family) *outcome {
	o := &outcome{from: f}
	o.refused = c.work(f, o)
	return o
}

func (c *call) work(f *family, o *outcome) error {
	device, err := f.device(c.caller.DeviceID)
	if err != nil {
		return err
	}
	c.upload.setAside = c.caller.UploadOnly || !device.Revoked.IsZero() || !device.Withdrawn.IsZero()
	after, err := f.bookmarkOf(c.request.Cursor)
	if err != nil {
		return err
	}
	if o.answer.Results, o.added, err = c.ingest(c.upload, f, c.now); err != nil {
		return err
	}
	// Set aside as they are, entries may hold an incident, and that holds the learner.
	if o.answer.UploadOnly = c.upload.setAside; !o.answer.UploadOnly {
		o.heard, o.at = device.ID, c.now.UTC().Truncate(time.Millisecond) // as the store keeps it
	}
	if o.folded, err = f.with(o.added, c.upload.read, o.heard, o.at).fold(nil, c.now); err != nil || o.answer.UploadOnly {
		return err
	}
	o.answer.Epoch = f.edition.Epoch
	return c.pull(o.folded, c.caller, &o.answer, after, c.request.Limit)
}

// save keeps in the store what the call comes to, if the household is still as that was worked out for; else it is worked out anew.
func (c *call) save(ctx context.Context, tx Tx, _ *ask, _ note) error {
	// What is refused writes nothing, and so nothing would tell that it is no longer to be.
	if c.comes != nil && c.comes.refused == nil {
		if err := tx.Assume(ctx, c.comes.from.assumption(c.caller)); !errors.Is(err, ErrChanged) {
			if err != nil {
				return err
			}
			return c.comes.save(ctx, tx)
		}
	}
	family, err := readFamily(ctx, tx, c.caller.HouseholdID, c.families.of(c.caller.HouseholdID))
	if err != nil {
		return err
	}
	if c.caller.Unproven {
		err := tx.Assume(ctx, family.assumption(c.caller))
		if errors.Is(err, ErrChanged) {
			return errTokenRefused.Because(err) // it is of the household that has just been read
		}
		if err != nil {
			return err
		}
	}
	c.comes = c.on(family)
	return c.comes.save(ctx, tx)
}

// save keeps in the store what the call comes to.
func (o *outcome) save(ctx context.Context, tx Tx) error {
	if o.refused != nil {
		return o.refused
	}
	if err := tx.AppendEntries(ctx, o.folded.household.ID, o.added, o.from.stored); err != nil {
		return err
	}
	if o.heard != uuid.Nil {
		if err := tx.Heard(ctx, o.heard, o.at); err != nil {
			return err
		}
	}
	return o.folded.save(ctx, tx)
}

var errTooManyEntries = fault.New(fault.TooLarge, "too-large", "Hand in fewer entries in one call.").
	With("limits", map[string]int{"entries": MaxEntries, "bytes": MaxBody})

// pull adds what the device has not seen to the answer. It takes it from what has just been folded, so that nothing is read twice.
func (s *Service) pull(f *folded, p access.Principal, a *SyncAnswer, after bookmark, limit int) error {
	reader := practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: p.CaregiverID}}
	first := f.countUpTo(after.rev)
	upTo := min(first+limit, len(f.stored))
	a.Changes = make([]FeedEntry, 0, upTo-first)
	for i := first; i < upTo; i++ {
		a.Changes = append(a.Changes, s.feedEntry(f.family, i, &reader))
	}
	last := int64(0)
	if upTo > 0 {
		last = f.stored[upTo-1].Rev
	}
	a.Head, a.More = f.head.Rev, upTo < len(f.stored)
	// Nights change with time too, and with a phone that is heard from, at no new revision: what changed at the revision of
	// the cursor may have done so after the cursor was given out, and is told again where it has.
	from := after.rev
	if f.nightsAt(from) == after.told {
		from++
	}
	for i := range f.renewed {
		nights, gone, err := f.renewed[i].changedNights(from, last)
		if err != nil {
			return err
		}
		a.Nights, a.Gone = append(a.Nights, nights...), append(a.Gone, gone...)
	}
	a.Cursor = cursorAt(a.Epoch, bookmark{last, f.nightsAt(last)}, f.head)
	a.Digest = digest(f.stored[:upTo])
	return nil
}

// countUpTo returns how many entries there are up to a revision.
func (f *family) countUpTo(rev int64) int {
	return sort.Search(len(f.stored), func(i int) bool { return f.stored[i].Rev > rev })
}

// digest returns the SHA-256, in hex, over the sorted ids of entries.
func digest(entries []Held) string {
	ids := make([]uuid.UUID, len(entries))
	for i := range entries {
		ids[i] = entries[i].ID
	}
	slices.SortFunc(ids, func(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) })
	h := sha256.New()
	for _, id := range ids {
		h.Write(id[:])
	}
	return hex.EncodeToString(h.Sum(nil))
}
