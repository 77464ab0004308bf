package sqlite

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

var (
	epoch      = statement{"read epoch", `SELECT epoch FROM meta`}
	renewEpoch = statement{"renew epoch", `UPDATE meta SET epoch = ?`}
	journal    = statement{"read journal", `SELECT coalesce(journal, zeroblob(16)) FROM meta`}
	setJournal = statement{"note journal", `UPDATE meta SET journal = ?`}

	householdHead = statement{"read head", `
		SELECT household_key, head_rev, head_chain FROM household WHERE id = ?`}
	chainAt = statement{"read chain", `SELECT chain FROM entry WHERE household_key = ? AND rev = ?`}

	// As with entries, the ids come as one JSON array.
	standings = statement{"see where households stand", `
		SELECT d.id, h.head_rev, d.revoked, p.withdrawn
		FROM device d JOIN household h USING (household_key) JOIN caregiver p USING (caregiver_key)
		WHERE d.id IN (SELECT unhex(value, '-') FROM json_each(?))`}

	entriesAfter = statement{"list entries", selectEntry + `
		WHERE e.household_key = ? AND e.rev > ? ORDER BY e.rev LIMIT ?`}
	// The ids come as one JSON array, so that one prepared statement does for any number of them.
	entriesByID = statement{"find entries", columnsOfEntry + `
		FROM entry e INDEXED BY entry_by_id` + joinsOfEntry + `
		WHERE e.household_key = ? AND e.id IN (SELECT unhex(value, '-') FROM json_each(?))`}
	countEntries = statement{"count entries", `
		SELECT count(*) FROM entry WHERE household_key = ? AND author_role = ? AND author = ?`}

	insertEntries = statement{"add entries", `
		INSERT INTO entry (household_key, rev, id, learner_key, device_key, author_role, author, status,
			received, stored, clock_offset, schema, content, chain, problem, sent)`}
	moveHead = statement{"move head", `UPDATE household SET head_rev = ?, head_chain = ? WHERE household_key = ?`}
	heard    = statement{"note contact", `UPDATE device SET heard = ? WHERE id = ?`}
)

const selectEntry = columnsOfEntry + ` FROM entry e` + joinsOfEntry

const columnsOfEntry = `
	SELECT e.rev, e.id, l.id, d.id, e.author_role, e.author, e.status,
		e.received, e.stored, e.clock_offset, e.schema, e.content, e.chain, e.problem, e.sent`

const joinsOfEntry = ` LEFT JOIN learner l USING (learner_key) LEFT JOIN device d USING (device_key)`

func scanEntry(row scanner, e *clinic.StoredEntry) error {
	var offset int64
	err := row.Scan(&e.Rev, &e.ID, &e.Learner, &e.Device, &e.Author.Role, &e.Author.ID.UUID, &e.Status,
		(*instant)(&e.Received), (*instant)(&e.Stored), &offset, &e.Schema, (*hash)(&e.Content), (*hash)(&e.Chain),
		(*document)(&e.Problem), (*document)(&e.Sent))
	e.ClockOffset = time.Duration(offset)
	return err
}

// keyedHead is a head and its household's key.
type keyedHead struct {
	key int64
	clinic.Head
}

func scanHead(row scanner, h *keyedHead) error { return row.Scan(&h.key, &h.Rev, (*hash)(&h.Chain)) }

func (w *work) head(ctx context.Context, household uuid.UUID) (keyedHead, error) {
	return remembered(w.known.heads, household, func() (keyedHead, error) {
		head, err := one(ctx, w, householdHead, scanHead, household[:])
		if err == nil {
			w.known.households[household] = head.key
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

// ChainAt implements clinic.RecordView.
func (v view) ChainAt(ctx context.Context, household uuid.UUID, rev int64) ([32]byte, error) {
	head, err := v.head(ctx, household)
	if err != nil || rev == 0 {
		return [32]byte{}, err
	}
	if rev == head.Rev {
		return head.Chain, nil
	}
	chain, err := one(ctx, v.work, chainAt, value[hash], head.key, rev)
	return chain, err
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
	return all(ctx, v.work, entriesAfter, scanEntry, key, after, limit)
}

// EntriesByID implements clinic.RecordView.
func (v view) EntriesByID(
	ctx context.Context, household uuid.UUID, ids []uuid.UUID,
) (map[uuid.UUID]clinic.StoredEntry, error) {
	key, err := v.key(ctx, householdKey, household)
	if err != nil {
		return nil, err
	}
	array, err := json.Marshal(ids)
	if err != nil {
		return nil, fmt.Errorf("find entries: %w", err)
	}
	entries, err := all(ctx, v.work, entriesByID, scanEntry, key, string(array))
	found := make(map[uuid.UUID]clinic.StoredEntry, len(entries))
	for _, entry := range entries {
		found[entry.ID] = entry
	}
	return found, err
}

// Folder implements clinic.RecordView.
func (v view) Folder(ctx context.Context, household uuid.UUID) (clinic.Folder, error) {
	return clinic.FolderOf(ctx, v, household)
}

// CountEntries implements clinic.RecordView.
func (v view) CountEntries(ctx context.Context, household uuid.UUID, author practice.Author) (int, error) {
	key, err := v.key(ctx, householdKey, household)
	if err != nil {
		return 0, err
	}
	return one(ctx, v.work, countEntries, value[int], key, author.Role, author.ID.UUID[:])
}

// LockHead implements clinic.RecordTx. The transaction has kept all other writers out since it began.
func (t *tx) LockHead(ctx context.Context, household uuid.UUID) (clinic.Head, error) {
	return t.Head(ctx, household)
}

// LockHouseholds implements clinic.RecordTx. The transaction has kept all other writers out since it began.
func (t *tx) LockHouseholds(context.Context, []uuid.UUID) error { return nil }

// AppendEntries implements clinic.RecordTx. It returns an error, and has written nothing, where a revision does not
// follow the one before.
func (t *tx) AppendEntries(ctx context.Context, household uuid.UUID, entries []clinic.StoredEntry) error {
	if len(entries) == 0 {
		return nil
	}
	head, err := t.head(ctx, household)
	if err != nil {
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
	delete(t.known.heads, household)
	if err := t.writeMany(ctx, insertEntries, "", rows); err != nil {
		return err
	}
	last := entries[len(entries)-1]
	return t.execOne(ctx, moveHead, last.Rev, last.Chain[:], head.key)
}

func entryRow(ctx context.Context, keys keysOfHousehold, e *clinic.StoredEntry) ([]any, error) {
	learner, err := keys.find(ctx, learnerOfHousehold, e.Learner)
	if err != nil {
		return nil, err
	}
	device, err := keys.find(ctx, deviceOfHousehold, e.Device)
	if err != nil {
		return nil, err
	}
	return []any{
		keys.household, e.Rev, e.ID[:], learner, device, e.Author.Role, e.Author.ID.UUID[:], string(e.Status),
		ms(e.Received), ms(e.Stored), int64(e.ClockOffset), e.Schema, e.Content[:], e.Chain[:], blob(e.Problem), blob(e.Sent),
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

// RenewEpoch implements clinic.RecordTx.
func (t *tx) RenewEpoch(ctx context.Context, epoch uuid.UUID) error {
	return t.execOne(ctx, renewEpoch, epoch[:])
}

// SetJournal implements clinic.RecordTx.
func (t *tx) SetJournal(ctx context.Context, journal uuid.UUID) error {
	return t.execOne(ctx, setJournal, journal[:])
}

// Heard implements clinic.RecordTx.
func (t *tx) Heard(ctx context.Context, device uuid.UUID, at time.Time) error {
	return t.execOne(ctx, heard, ms(at), device[:])
}
