package postgres

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	epoch       = statement{"read epoch", `SELECT epoch FROM meta`}
	renewEpoch  = statement{"renew epoch", `UPDATE meta SET epoch = $1`}
	journal     = statement{"read journal", `SELECT journal FROM meta`}
	holdJournal = statement{"read journal", `SELECT journal FROM meta FOR NO KEY UPDATE`}
	setJournal  = statement{"note journal", `UPDATE meta SET journal = $1`}

	editionNow    = statement{"read edition", `SELECT epoch, edition FROM meta, household WHERE id = $1`}
	householdHead = statement{"read head", `SELECT head_rev, head_chain, edition, clinic FROM household WHERE id = $1`}

	standings = statement{"see where households stand", `
		SELECT d.id, h.head_rev, d.revoked, p.withdrawn
		FROM device d JOIN household h ON h.id = d.household JOIN caregiver p ON p.household = d.household AND p.id = d.caregiver
		WHERE d.id = ANY($1)`}

	entriesAfter      = statement{"list entries", selectEntry + ` WHERE household = $1 AND rev > $2 ORDER BY rev LIMIT $3`}
	peopleOfHousehold = statement{"find learners and devices", `
		SELECT id FROM learner WHERE household = $1 AND id = ANY($2)
		UNION ALL SELECT id FROM device WHERE household = $1 AND id = ANY($3)`}
	insertEntries = statement{"add entries", `
		INSERT INTO entry (household, rev, id, learner, device, author_role, author, status,
			received, stored, clock_offset, schema, content, chain, problem, sent)
		SELECT $1, $2::bigint + n.place, n.id, $3::uuid, $4::uuid, $5::smallint, $6::uuid, $7::bytea, $8::bigint, $9::bigint, $10::bigint,
			$11::bigint, n.content, n.chain, $12::bytea, n.sent
		FROM unnest($13::uuid[], $14::bytea[], $15::bytea[], $16::bytea[]) WITH ORDINALITY AS n (id, content, chain, sent, place)`}
	assume       = assuming(`$1`)
	assumeAtOnce = assuming(`(SELECT id FROM household WHERE id = $1 FOR NO KEY UPDATE SKIP LOCKED)`)
	moveHead     = statement{"move head", `UPDATE household SET head_rev = $2, head_chain = $3, edition = $4 WHERE id = $1`}
	heard        = statement{"note contact", `UPDATE device SET heard = $3 WHERE household = $1 AND id = $2`}
)

// assuming makes the statement that looks whether a household is as it was. No row divides by zero.
func assuming(household string) statement {
	return statement{"look whether household is as it was", `
		WITH as_it_was AS (
			UPDATE household SET head_rev = $2, head_chain = $3, edition = $4
			WHERE id = ` + household + ` AND edition = $5 AND (SELECT epoch FROM meta WHERE one = 1) = $6 AND ($7::uuid IS NULL
				OR EXISTS (SELECT 1 FROM refresh_token WHERE family = $7 AND household = $1 AND device = $8)
					AND NOT EXISTS (SELECT 1 FROM refresh_token WHERE family = $7 AND ended)) RETURNING 1)
		SELECT 1 / count(*) FROM as_it_was`}
}

const selectEntry = `
	SELECT rev, id, learner, device, author_role, author, status, received, stored, clock_offset, schema, content, chain, problem, sent
	FROM entry`

func scanEntry(row scanner, e *clinic.StoredEntry) error {
	var offset int64
	err := row.Scan(&e.Rev, &e.ID, (*optional)(&e.Learner), (*optional)(&e.Device), &e.Author.Role, &e.Author.ID.UUID,
		(*text)(&e.Status), (*instant)(&e.Received), (*instant)(&e.Stored), &offset, &e.Schema, (*hash)(&e.Content), (*hash)(&e.Chain),
		(*document)(&e.Problem), (*document)(&e.Sent))
	e.ClockOffset = time.Duration(offset)
	return err
}

// Epoch implements clinic.RecordView.
func (v view) Epoch(ctx context.Context) (uuid.UUID, error) {
	return one(ctx, v.work, epoch, value[uuid.UUID])
}

// Journal implements clinic.RecordView. In a transaction that may write, others that ask wait until it has ended: so servers that
// start at once prepare the store one after the other.
func (v view) Journal(ctx context.Context) (uuid.UUID, error) {
	st := journal
	if v.writes {
		st = holdJournal
	}
	return one(ctx, v.work, st, func(row scanner, id *uuid.UUID) error { return row.Scan((*optional)(id)) })
}

// Head implements clinic.RecordView.
func (v view) Head(ctx context.Context, household uuid.UUID) (clinic.Head, error) {
	if !v.writes {
		h, err := one(ctx, v.work, householdHead, scanHeld, household)
		return h.Head, err
	}
	err := v.within(ctx, household)
	return v.heads[household].Head, err
}

func scanEdition(row scanner, e *clinic.Edition) error { return row.Scan(&e.Epoch, &e.Number) }

// Edition implements clinic.RecordView. In a transaction that may write, who is in the household is read along, since that is what
// whoever goes on to change something needs.
func (v view) Edition(ctx context.Context, household uuid.UUID) (clinic.Edition, error) {
	if h := v.heads[household]; h.epoch != uuid.Nil {
		return clinic.Edition{Epoch: h.epoch, Number: h.edition}, nil
	}
	var epochs []uuid.UUID
	calls := []call{into(&epochs, epoch, value[uuid.UUID])}
	var heads []held
	var who []someone
	if v.writes {
		calls = append(calls, into(&who, whoIsInHousehold, scanSomeone, household))
	} else {
		calls = append(calls, into(&heads, householdHead, scanHeld, household))
	}
	if err := v.within(ctx, household, calls...); err != nil {
		return clinic.Edition{}, err
	}
	if v.writes {
		h := v.heads[household]
		h.epoch = epochs[0]
		v.heads[household] = h
		v.noteWho(household, who)
		heads = append(heads, h)
	}
	h, err := first[held](householdHead)(heads, nil)
	if err != nil {
		return clinic.Edition{}, err
	}
	return clinic.Edition{Epoch: epochs[0], Number: h.edition}, nil
}

// Assume implements clinic.RecordTx. What the household is taken for goes along with whatever is run next, before it, and with where its
// head is by then.
func (t *tx) Assume(ctx context.Context, a clinic.Assumption) error {
	if _, is := t.heads[a.Household]; is {
		return t.isAs(ctx, a)
	}
	t.heads[a.Household] = held{Head: a.Head, edition: t.edition, clinic: a.Clinic, changed: true, epoch: a.Edition.Epoch}
	t.noteLearners(a.Household, a.Learners)
	t.noteDevices(a.Household, a.Devices)
	t.assumed = append(t.assumed, assumed{a.Household, a.Edition, a.By})
	return t.broken
}

// isAs returns ErrChanged unless a household that is held already is as it is taken for.
func (t *tx) isAs(ctx context.Context, a clinic.Assumption) error {
	edition, err := t.Edition(ctx, a.Household)
	if err == nil && edition != a.Edition {
		err = clinic.ErrChanged
	}
	if err != nil || a.By == nil {
		return err
	}
	return a.Proven(t.TokenFamily(ctx, a.By.Session))
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
	rows, err := all(ctx, v.work, standings, scanStanding, devices)
	found := make(map[uuid.UUID]clinic.Standing, len(rows))
	for _, row := range rows {
		found[row.device] = row.Standing
	}
	return found, err
}

// Entries implements clinic.RecordView.
func (v view) Entries(ctx context.Context, household uuid.UUID, after int64, limit int) ([]clinic.StoredEntry, error) {
	var most *int // NULL is all
	if limit > 0 {
		most = &limit
	}
	return listOf(ctx, v.work, entriesAfter, scanEntry, household, after, most)
}

// AppendEntries implements clinic.RecordTx. It returns an error, and has written nothing, where a revision does not
// follow the one before. Whether an id is taken an index tells.
func (t *tx) AppendEntries(ctx context.Context, household uuid.UUID, entries []clinic.StoredEntry, _ []clinic.Held) error {
	if len(entries) == 0 {
		return nil
	}
	head, err := t.Head(ctx, household)
	if err != nil {
		return err
	}
	for i := range entries {
		if want := head.Rev + int64(i) + 1; entries[i].Rev != want {
			return fmt.Errorf("add entries: revision %d where %d follows", entries[i].Rev, want)
		}
	}
	if err := t.allOfHousehold(ctx, household, entries); err != nil {
		return err
	}
	last := entries[len(entries)-1]
	t.entries += len(entries)
	t.step(household)
	h := t.heads[household]
	h.Head = clinic.Head{Rev: last.Rev, Chain: last.Chain}
	t.heads[household] = h
	if err := t.write(insertsOf(household, entries)...); err != nil || t.isAssumed(household) {
		return err
	}
	return t.write(moveHead.of(household, h.Rev, h.Chain[:], h.edition))
}

// allOfHousehold returns NotFound unless every learner and device that entries name is one of a household's.
func (t *tx) allOfHousehold(ctx context.Context, household uuid.UUID, entries []clinic.StoredEntry) error {
	learners, devices := map[uuid.UUID]bool{}, map[uuid.UUID]bool{}
	for i := range entries {
		if e := &entries[i]; e.Learner != uuid.Nil && t.learners[e.Learner].household != household {
			learners[e.Learner] = true
		}
		if e := &entries[i]; e.Device != uuid.Nil && t.devices[e.Device] != household {
			devices[e.Device] = true
		}
	}
	if len(learners)+len(devices) == 0 {
		return nil
	}
	found, err := all(ctx, t.work, peopleOfHousehold, value[uuid.UUID], household, keysOf(learners), keysOf(devices))
	if err == nil && len(found) < len(learners)+len(devices) {
		err = absent(peopleOfHousehold)
	}
	return err
}

func keysOf(ids map[uuid.UUID]bool) []uuid.UUID {
	keys := make([]uuid.UUID, 0, len(ids))
	for id := range ids {
		keys = append(keys, id)
	}
	return keys
}

// insertsOf returns what inserts entries that follow one another. Those of one upload are mostly alike in all but what they say, and so go in
// one statement; its text does for any number of them.
func insertsOf(household uuid.UUID, entries []clinic.StoredEntry) []call {
	var calls []call
	for len(entries) > 0 {
		n := 1
		for n < len(entries) && alike(&entries[0], &entries[n]) {
			n++
		}
		calls = append(calls, insertAlike(household, entries[:n]))
		entries = entries[n:]
	}
	return calls
}

// alike reports whether two entries differ at most in their ids, what they say and their places.
func alike(a, b *clinic.StoredEntry) bool {
	return a.Learner == b.Learner && a.Device == b.Device && a.Author == b.Author && a.Status == b.Status && a.Received.Equal(b.Received) &&
		a.Stored.Equal(b.Stored) && a.ClockOffset == b.ClockOffset && a.Schema == b.Schema && bytes.Equal(a.Problem, b.Problem)
}

func insertAlike(household uuid.UUID, entries []clinic.StoredEntry) call {
	n := len(entries)
	ids, contents, chains, sent := make([]uuid.UUID, n), make([][]byte, n), make([][]byte, n), make([][]byte, n)
	for i := range entries {
		e := &entries[i]
		ids[i], contents[i], chains[i], sent[i] = e.ID, e.Content[:], e.Chain[:], blob(e.Sent)
	}
	e := &entries[0]
	return insertEntries.of(household, e.Rev-1, idOrNull(e.Learner), idOrNull(e.Device), int16(e.Author.Role), e.Author.ID.UUID, text(e.Status),
		ms(e.Received), ms(e.Stored), int64(e.ClockOffset), int64(e.Schema), blob(e.Problem), ids, contents, chains, sent)
}

// RenewEpoch implements clinic.RecordTx.
func (t *tx) RenewEpoch(ctx context.Context, epoch uuid.UUID) error {
	for id, h := range t.heads {
		h.epoch = epoch
		t.heads[id] = h
	}
	return t.execOne(ctx, renewEpoch, epoch)
}

// SetJournal implements clinic.RecordTx.
func (t *tx) SetJournal(ctx context.Context, journal uuid.UUID) error {
	return t.execOne(ctx, setJournal, journal)
}

// Heard implements clinic.RecordTx.
func (t *tx) Heard(ctx context.Context, device uuid.UUID, at time.Time) error {
	household, known := t.devices[device]
	if !known {
		d, err := t.Device(ctx, device)
		if err != nil {
			return err
		}
		household = d.Household
	}
	if err := t.within(ctx, household); err != nil {
		return err
	}
	if err := t.changes(household); err != nil {
		return err
	}
	return t.write(heard.of(household, device, ms(at)))
}
