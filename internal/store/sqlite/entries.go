package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	epoch      = statement{"read epoch", `SELECT epoch FROM meta`}
	renewEpoch = statement{"renew epoch", `UPDATE meta SET epoch = ?`}
	journal    = statement{"read journal", `SELECT coalesce(journal, zeroblob(16)) FROM meta`}
	setJournal = statement{"note journal", `UPDATE meta SET journal = ?`}

	householdHead = statement{"read head", `
		SELECT household_key, head_rev, head_chain, edition + (SELECT coalesce(sum(d.edition), 0) FROM delivery d
			WHERE d.household_key = household.household_key AND d.learner_key IS NOT NULL), (SELECT epoch FROM meta)
		FROM household WHERE id = ?`}

	// As with entries, the ids come as one JSON array.
	standings = statement{"see where households stand", `
		SELECT d.id, h.head_rev, d.revoked, p.withdrawn
		FROM device d JOIN household h USING (household_key) JOIN caregiver p USING (caregiver_key)
		WHERE d.id IN (SELECT unhex(value, '-') FROM json_each(?))`}

	entriesAfter = statement{"list entries", selectEntry + `
		WHERE household_key = ? AND rev > ? ORDER BY rev LIMIT ?`}
	idsOfHousehold = statement{"list ids of entries", `
		SELECT CAST(group_concat(id, '') AS BLOB) FROM entry WHERE household_key = ?`}
	learnerID        = statement{"find learner", `SELECT id FROM learner WHERE learner_key = ?`}
	deviceIDAndOwner = statement{"find device", `
		SELECT d.id, p.id FROM device d JOIN caregiver p USING (caregiver_key) WHERE d.device_key = ?`}

	insertEntries = statement{"add entries", `
		INSERT INTO entry (household_key, rev, id, learner_key, device_key, author_role, author, status,
			received, stored, clock_offset, schema, content, chain, problem, sent)`}
	moveHead = statement{"move head", `
		UPDATE household SET head_rev = ?, head_chain = ?, edition = edition + ? WHERE household_key = ?`}
	heard = statement{"note contact", `
		UPDATE household SET heard = json_set(heard, '$."' || ? || '"', ?), edition = edition + ? WHERE household_key = ?`}
	nextEdition     = statement{"note that a household changes", `UPDATE household SET edition = edition + ? WHERE household_key = ?`}
	homeOfCaregiver = statement{"find caregiver", `SELECT household_key FROM caregiver WHERE id = ?`}
	homeOfLearner   = statement{"find learner", `SELECT household_key FROM learner WHERE id = ?`}
	homeOfEnrolment = statement{"find enrolment", `
		SELECT household_key FROM enrolment JOIN learner USING (learner_key) WHERE enrolment.id = ?`}
	devicePlace = statement{"find device", `
		SELECT d.device_key, d.household_key, p.id FROM device d JOIN caregiver p USING (caregiver_key) WHERE d.id = ?`}
)

// What always has the same length is read as one column, which is quicker than three.
const selectEntry = `
	SELECT rev, CAST(id || content || chain AS BLOB), learner_key, device_key, author_role, author, status, received, stored,
		clock_offset, schema, problem, sent
	FROM entry`

// keyedHead is a head and its household's key and edition.
type keyedHead struct {
	key int64
	clinic.Head
	edition clinic.Edition
}

func scanHead(row scanner, h *keyedHead) error {
	return row.Scan(&h.key, &h.Rev, (*hash)(&h.Chain), &h.edition.Number, &h.edition.Epoch)
}

// head returns a household's head, and the edition of which it was before the transaction.
func (w *work) head(ctx context.Context, household uuid.UUID) (keyedHead, error) {
	return w.known.heads.or(household, func() (keyedHead, error) {
		head, err := one(ctx, w, householdHead, scanHead, household[:])
		if err == nil {
			w.known.households.note(household, head.key)
			if w.known.changed[head.key] {
				head.edition.Number--
			}
		}
		return head, err
	})
}

// Epoch implements clinic.RecordView.
func (v view) Epoch(ctx context.Context) (uuid.UUID, error) {
	return one(ctx, v.work, epoch, value[uuid.UUID])
}

// Journal implements clinic.RecordView.
func (v view) Journal(ctx context.Context) (uuid.UUID, error) {
	return one(ctx, v.work, journal, value[uuid.UUID])
}

// Head implements clinic.RecordView.
func (v view) Head(ctx context.Context, household uuid.UUID) (clinic.Head, error) {
	head, err := v.head(ctx, household)
	return head.Head, err
}

// Edition implements clinic.RecordView.
func (v view) Edition(ctx context.Context, household uuid.UUID) (clinic.Edition, error) {
	head, err := v.head(ctx, household)
	if v.known.changed[head.key] {
		head.edition.Number++
	}
	return head.edition, err
}

// Assume implements clinic.RecordTx.
func (t *tx) Assume(ctx context.Context, a clinic.Assumption) error {
	edition, err := t.Edition(ctx, a.Household)
	if errors.Is(err, errAbsent) || (err == nil && edition != a.Edition) {
		return clinic.ErrChanged
	}
	if err != nil || a.By == nil {
		return err
	}
	return a.Proven(t.TokenFamily(ctx, a.By.Session))
}

// changes notes that the transaction changes something of a household.
func (t *tx) changes(ctx context.Context, household int64) error {
	if t.known.changed[household] {
		return nil
	}
	return t.execOne(ctx, nextEdition, t.steps(household), household)
}

// changesHomeOf notes that the transaction changes something of the household that a statement finds by an id; NotFound where it finds
// none.
func (t *tx) changesHomeOf(ctx context.Context, st statement, id uuid.UUID) error {
	household, err := one(ctx, t.work, st, value[int64], id[:])
	if err != nil {
		return err
	}
	return t.changes(ctx, household)
}

// steps returns by how much the edition of a household is to move on with a statement that changes it: by one with the first of a
// transaction, and by nothing after that.
func (t *tx) steps(household int64) int {
	if t.known.changed[household] {
		return 0
	}
	t.known.changed.note(household, true)
	return 1
}

// deviceStanding is how things stand for one device.
type deviceStanding struct {
	device uuid.UUID
	clinic.Standing
}

func scanStanding(row scanner, s *deviceStanding) error {
	return row.Scan(&s.device, &s.Head, (*instant)(&s.Revoked), (*instant)(&s.Withdrawn))
}

// Standings implements clinic.RecordView.
func (v view) Standings(ctx context.Context, devices []uuid.UUID) (map[uuid.UUID]clinic.Standing, error) {
	array, err := json.Marshal(devices)
	if err != nil {
		return nil, fmt.Errorf("see where households stand: %w", err)
	}
	rows, err := all(ctx, v.work, standings, scanStanding, string(array))
	found := make(map[uuid.UUID]clinic.Standing, len(rows))
	for _, row := range rows {
		found[row.device] = row.Standing
	}
	return found, err
}

// Entries implements clinic.RecordView.
func (v view) Entries(ctx context.Context, household uuid.UUID, after int64, limit int) ([]clinic.StoredEntry, error) {
	key, err := v.key(ctx, householdKey, household)
	if err != nil {
		return nil, err
	}
	if limit == 0 {
		limit = -1 // SQLite's word for all
	}
	return v.entries(ctx, entriesAfter, key, after, limit)
}

// Folder implements clinic.RecordView.
func (v view) Folder(ctx context.Context, household uuid.UUID) (clinic.Folder, error) {
	return clinic.FolderOf(ctx, v, household)
}

// LockHouseholds implements clinic.RecordTx. The transaction has kept all other writers out since it began.
func (t *tx) LockHouseholds(context.Context, []uuid.UUID) error { return nil }

// AppendEntries implements clinic.RecordTx. It returns an error, and has written nothing, where a revision does not
// follow the one before.
func (t *tx) AppendEntries(ctx context.Context, household uuid.UUID, entries []clinic.StoredEntry, before []clinic.Held) error {
	if len(entries) == 0 {
		return nil
	}
	head, err := t.head(ctx, household)
	if err != nil {
		return err
	}
	if err := t.refuseKnown(ctx, head, entries, before); err != nil {
		return err
	}
	rows := make([][]any, len(entries))
	keys := keysOfHousehold{work: t.work, household: head.key, found: map[uuid.UUID]any{uuid.Nil: nil}}
	for i := range entries {
		if want := head.Rev + int64(i) + 1; entries[i].Rev != want {
			return fmt.Errorf("add entries: revision %d where %d follows", entries[i].Rev, want)
		}
		if rows[i], err = entryRow(ctx, keys, &entries[i]); err != nil {
			return err
		}
	}
	if err := t.writeMany(ctx, insertEntries, "", rows); err != nil {
		return err
	}
	last := entries[len(entries)-1]
	err = t.execOne(ctx, moveHead, last.Rev, last.Chain[:], t.steps(head.key), head.key)
	if err == nil {
		head.Head = clinic.Head{Rev: last.Rev, Chain: last.Chain}
		t.known.heads.note(household, head)
	}
	return err
}

// refuseKnown answers Conflict where an id is there already, or twice among those that are new. Nobody else can write meanwhile.
func (t *tx) refuseKnown(ctx context.Context, head keyedHead, entries []clinic.StoredEntry, before []clinic.Held) error {
	added := make(map[uuid.UUID]bool, len(entries))
	for i := range entries {
		added[entries[i].ID] = true
	}
	if len(added) < len(entries) {
		return errTaken
	}
	// The chain is over each of them, so these are all that there are.
	if last := len(before) - 1; last >= 0 && before[last].Rev == head.Rev && before[last].Chain == head.Chain {
		for i := range before {
			if added[before[i].ID] {
				return errTaken
			}
		}
		return nil
	}
	joined, err := one(ctx, t.work, idsOfHousehold, value[[]byte], head.key)
	if err != nil {
		return err
	}
	for id := range slices.Chunk(joined, len(uuid.UUID{})) {
		if added[uuid.UUID(id)] {
			return errTaken
		}
	}
	return nil
}

func entryRow(ctx context.Context, keys keysOfHousehold, e *clinic.StoredEntry) ([]any, error) {
	learner, err := keys.find(ctx, learnerOfHousehold, e.Learner)
	if err != nil {
		return nil, err
	}
	device, author, err := keys.writer(ctx, e)
	if err != nil {
		return nil, err
	}
	var stored any // NULL: when it was received
	if at := ms(e.Stored); at != ms(e.Received) {
		stored = at
	}
	return []any{
		keys.household, e.Rev, e.ID[:], learner, device, e.Author.Role, author, string(e.Status),
		ms(e.Received), stored, int64(e.ClockOffset), e.Schema, e.Content[:], e.Chain[:], blob(e.Problem), blob(e.Sent),
	}, nil
}

// keysOfHousehold finds keys of a household's learners and devices, each once.
type keysOfHousehold struct {
	*work
	household int64
	found     map[uuid.UUID]any
}

func (k keysOfHousehold) find(ctx context.Context, st statement, id uuid.UUID) (any, error) {
	if key, ok := k.found[id]; ok {
		return key, nil
	}
	key, err := k.key(ctx, st, id, k.household)
	if err != nil {
		return nil, err
	}
	k.found[id] = key
	return key, nil
}

// writer returns how the device and the author of an entry are kept: the author as NULL where it is the caregiver whose device it is.
func (k keysOfHousehold) writer(ctx context.Context, e *clinic.StoredEntry) (device, author any, err error) {
	author = e.Author.ID.UUID[:]
	if e.Device == uuid.Nil {
		return nil, author, nil
	}
	from, err := k.placed(ctx, e.Device)
	if err == nil && from.household != k.household {
		err = k.failed(devicePlace, sql.ErrNoRows)
	}
	if err != nil {
		return nil, nil, err
	}
	if from.owner == e.Author.ID.UUID {
		author = nil
	}
	return from.key, author, nil
}

// placedDevice is a device's key, the household it is in and whose it is, none of which ever changes.
type placedDevice struct {
	key, household int64
	owner          uuid.UUID
}

// placed returns where a device is; NotFound where there is none.
func (w *work) placed(ctx context.Context, device uuid.UUID) (placedDevice, error) {
	return w.known.placed.or(device, func() (placedDevice, error) {
		return one(ctx, w, devicePlace, func(row scanner, d *placedDevice) error { return row.Scan(&d.key, &d.household, &d.owner) }, device[:])
	})
}

// RenewEpoch implements clinic.RecordTx.
func (t *tx) RenewEpoch(ctx context.Context, epoch uuid.UUID) error {
	clear(t.known.heads) // which name it
	return t.execOne(ctx, renewEpoch, epoch[:])
}

// SetJournal implements clinic.RecordTx.
func (t *tx) SetJournal(ctx context.Context, journal uuid.UUID) error {
	return t.execOne(ctx, setJournal, journal[:])
}

// Heard implements clinic.RecordTx.
func (t *tx) Heard(ctx context.Context, device uuid.UUID, when time.Time) error {
	at, err := t.placed(ctx, device)
	if err != nil {
		return err
	}
	return t.execOne(ctx, heard, at.key, ms(when), t.steps(at.household), at.household)
}
