package postgres

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// The locks, in the order in which a transaction takes them: see doc.go. They are no stronger than what a row that refers to the one
// locked asks for, so that adding such a row waits for nobody.
var (
	claimTurn = statement{"wait for other claims", `SELECT pg_advisory_xact_lock($1)`}
	holdOne   = statement{"lock household", `SELECT head_rev, head_chain, edition, clinic FROM household WHERE id = $1 FOR NO KEY UPDATE`}
	holdSome  = statement{"lock households", `
		SELECT head_rev, head_chain, edition, clinic, id FROM household WHERE id = ANY($1) ORDER BY id FOR NO KEY UPDATE`}
	holdMember = statement{"lock member", `SELECT id FROM member WHERE id = $1 FOR NO KEY UPDATE`}
	holdClinic = statement{"lock clinic", `SELECT id FROM clinic WHERE id = $1 FOR NO KEY UPDATE`}
	trailTurn  = statement{"wait for other writers of the audit trail", `
		SELECT pg_advisory_xact_lock($1), set_config('synchronous_commit', 'off', true)`}
	// Whoever has the turn has it for a statement and the commit, unless something has gone wrong with them.
	trailTurnSoon = statement{"wait for other writers of the audit trail", `
		SELECT set_config('lock_timeout', '200', true), pg_advisory_xact_lock($1), set_config('synchronous_commit', 'off', true)`}

	nextEditions = statement{"note that households change", `UPDATE household SET edition = $2 WHERE id = ANY($1)`}

	householdThere = statement{"find household", `SELECT id FROM household WHERE id = $1`}
	clinicThere    = statement{"find clinic", `SELECT id FROM clinic WHERE id = $1`}
	memberThere    = statement{"find member", `SELECT id FROM member WHERE id = $1`}
	placeOfLearner = statement{"find learner", `
		SELECT l.id, h.id, h.clinic FROM learner l JOIN household h ON h.id = l.household WHERE l.id = $1`}
	whoIsInHousehold = statement{"find learners and devices", `
		SELECT id, true FROM learner WHERE household = $1 UNION ALL SELECT id, false FROM device WHERE household = $1`}
	placesOfLearners = statement{"find learners", `
		SELECT l.id, h.id, h.clinic FROM learner l JOIN household h ON h.id = l.household WHERE l.id = ANY($1)`}
)

// The kinds of advisory locks, so that one of a clinic is not another of the same.
const (
	toMigrate uint64 = iota + 0x7377616c6c6f7700
	toClaim
	toAppend
)

// turnOf is the number of an advisory lock of a clinic. Two clinics of one number would wait for each other without need, no more.
func turnOf(kind uint64, of uuid.UUID) int64 {
	return int64(binary.BigEndian.Uint64(of[:8]) ^ binary.BigEndian.Uint64(of[8:]) ^ kind) //nolint:gosec // any number will do
}

// held is a household from which other writers are kept: how far it goes, of which edition it is once this transaction commits, and
// whether that is another than before.
type held struct {
	clinic.Head
	edition int64
	clinic  uuid.UUID
	changed bool
	epoch   uuid.UUID // zero where it has not been asked for
}

// assumed is a household that is held only if it is of an edition, and whoever changes it may, none of which has been looked at yet.
type assumed struct {
	household uuid.UUID
	edition   clinic.Edition
	by        *clinic.Bearer
}

func (w *work) isAssumed(household uuid.UUID) bool {
	return slices.ContainsFunc(w.assumed, func(a assumed) bool { return a.household == household })
}

// assumptions returns the calls that look at them, and write what has become of the households by now.
func (w *work) assumptions() []call {
	calls := make([]call, len(w.assumed))
	for i, a := range w.assumed {
		h := w.heads[a.household]
		var session, device any
		if a.by != nil {
			session, device = a.by.Session, a.by.Device
		}
		calls[i] = assume.of(a.household, h.Rev, h.Chain[:], h.edition, a.edition.Number, a.edition.Epoch, session, device)
	}
	w.assumed = nil
	return calls
}

func scanHeld(row scanner, h *held) error {
	return row.Scan(&h.Rev, (*hash)(&h.Chain), &h.edition, &h.clinic)
}

// changes notes that the transaction changes something of households, which are held.
func (t *tx) changes(households ...uuid.UUID) error {
	var others []uuid.UUID
	for _, id := range households {
		if t.step(id) {
			others = append(others, id)
		}
	}
	if len(others) == 0 {
		return nil
	}
	return t.write(nextEditions.of(others, t.edition))
}

// step gives a household another edition, unless the transaction has done so before, and reports whether it has to be written. It is
// drawn, not counted: a commit that others have seen may be lost before it is on the disk, and what is committed in its stead must not be
// taken for it.
func (t *tx) step(household uuid.UUID) bool {
	h := t.heads[household]
	if h.changed || t.filling {
		return false
	}
	h.changed, h.edition = true, t.edition
	t.heads[household] = h
	return true
}

func drawEdition() int64 {
	var drawn [8]byte
	_, _ = rand.Read(drawn[:])                      // never fails
	return int64(binary.BigEndian.Uint64(drawn[:])) //nolint:gosec // its bits
}

// within runs calls about a household. In a transaction that may write it keeps other writers from the household from then on, and
// the calls see what those before have committed; NotFound where there is no such household. Elsewhere it just runs them.
func (w *work) within(ctx context.Context, household uuid.UUID, calls ...call) error {
	if _, is := w.heads[household]; !w.writes || is {
		return w.run(ctx, calls...)
	}
	var heads []held
	err := w.run(ctx, slices.Concat([]call{into(&heads, holdOne, scanHeld, household)}, calls)...)
	if err == nil && len(heads) == 0 {
		err = absent(holdOne)
	}
	if err == nil {
		w.heads[household] = heads[0]
	}
	return err
}

// hold keeps other writers from households from now on, of those that there are. It takes them in the order of their ids, whatever
// order they come in, so that two that do so never wait for each other in a circle.
func (w *work) hold(ctx context.Context, households []uuid.UUID) error {
	var free []uuid.UUID
	for _, id := range households {
		if _, is := w.heads[id]; !is {
			free = append(free, id)
		}
	}
	if !w.writes || len(free) == 0 {
		return nil
	}
	return w.run(ctx, call{statement: holdSome, args: []any{free}, read: func(row scanner) error {
		var id uuid.UUID
		var head held
		err := row.Scan(&head.Rev, (*hash)(&head.Chain), &head.edition, &head.clinic, &id)
		w.heads[id] = head
		return err
	}})
}

// single returns the row that a query finds, which belongs to a household; NotFound where there is none. In a transaction that may
// write it is as it is once other writers are kept from the household.
func single[T any](
	ctx context.Context, w *work, st statement, scan func(scanner, *T) error, household func(*T) uuid.UUID, args ...any,
) (T, error) {
	found, err := one(ctx, w, st, scan, args...)
	if err != nil || !w.writes {
		return found, err
	}
	of := household(&found)
	if _, is := w.heads[of]; is {
		return found, nil
	}
	var again []T
	err = w.within(ctx, of, into(&again, st, scan, args...))
	return first[T](st)(again, err)
}

// listOf returns what a query finds of a household, which is its first argument; NotFound where there is no such household.
func listOf[T any](
	ctx context.Context, w *work, st statement, scan func(scanner, *T) error, household uuid.UUID, args ...any,
) ([]T, error) {
	var found []T
	err := w.within(ctx, household, into(&found, st, scan, slices.Concat([]any{household}, args)...))
	if err == nil && len(found) == 0 && !w.writes {
		err = w.there(ctx, householdThere, household)
	}
	return found, err
}

// ofClinic returns what a query finds of a clinic, which is its first argument; NotFound where there is no such clinic.
func ofClinic[T any](
	ctx context.Context, w *work, st statement, scan func(scanner, *T) error, of uuid.UUID, args ...any,
) ([]T, error) {
	found, err := all(ctx, w, st, scan, slices.Concat([]any{of}, args)...)
	if err == nil && len(found) == 0 {
		err = w.there(ctx, clinicThere, of)
	}
	return found, err
}

// there returns NotFound unless a statement finds something.
func (w *work) there(ctx context.Context, st statement, args ...any) error {
	_, err := one(ctx, w, st, value[uuid.UUID], args...)
	return err
}

// holdMember keeps other writers from a member, in a transaction that may write; NotFound where there is none.
func (w *work) holdMember(ctx context.Context, id uuid.UUID) error {
	return w.holdRow(ctx, w.members, holdMember, memberThere, id)
}

// holdClinic keeps other writers from a clinic's own settings, plans, members and tokens; NotFound where there is none.
func (w *work) holdClinic(ctx context.Context, id uuid.UUID) error {
	return w.holdRow(ctx, w.clinics, holdClinic, clinicThere, id)
}

func (w *work) holdRow(ctx context.Context, held map[uuid.UUID]bool, lock, look statement, id uuid.UUID) error {
	if !w.writes {
		return w.there(ctx, look, id)
	}
	if held[id] {
		return nil
	}
	err := w.there(ctx, lock, id)
	held[id] = err == nil
	return err
}

// turnAtTrail keeps other writers from a clinic's trail until the commit, which lets go of it before it is on the disk.
func (w *work) turnAtTrail(of uuid.UUID) call {
	w.letsGo = true
	return trailTurn.of(turnOf(toAppend, of))
}

// trail returns how far a clinic's trail goes, and keeps other writers from it from then on.
func (w *work) trail(ctx context.Context, of uuid.UUID) (audit.Head, error) {
	if head, held := w.trails[of]; held {
		return head, nil
	}
	var heads []audit.Head
	err := w.run(ctx, w.turnAtTrail(of), into(&heads, auditHead, scanAuditHead, of))
	if err != nil {
		return audit.Head{}, err
	}
	head := audit.Head{Clinic: of}
	if len(heads) > 0 {
		head = heads[0]
		head.Clinic = of
	}
	w.trails[of] = head
	return head, nil
}

// learner returns where a learner belongs.
func (w *work) learner(ctx context.Context, id uuid.UUID) (place, error) {
	if at, known := w.learners[id]; known {
		return at, nil
	}
	err := w.run(ctx, call{statement: placeOfLearner, args: []any{id}, read: w.notePlace})
	if at, known := w.learners[id]; known || err != nil {
		return at, err
	}
	return place{}, absent(placeOfLearner)
}

// someone is a learner or a device of a household.
type someone struct {
	id      uuid.UUID
	learner bool
}

func scanSomeone(row scanner, s *someone) error { return row.Scan(&s.id, &s.learner) }

// noteWho remembers who is in a household that is held.
func (w *work) noteWho(household uuid.UUID, all []someone) {
	for _, s := range all {
		if s.learner {
			w.learners[s.id] = place{household, w.heads[household].clinic}
		} else {
			w.devices[s.id] = household
		}
	}
}

func (w *work) notePlace(row scanner) error {
	var id uuid.UUID
	var at place
	err := row.Scan(&id, &at.household, &at.clinic)
	w.learners[id] = at
	return err
}

// LockHouseholds implements clinic.RecordTx.
func (t *tx) LockHouseholds(ctx context.Context, learners []uuid.UUID) error {
	if err := t.run(ctx, call{statement: placesOfLearners, args: []any{learners}, read: t.notePlace}); err != nil {
		return err
	}
	var households []uuid.UUID
	for _, id := range learners {
		if at, known := t.learners[id]; known {
			households = append(households, at.household)
		}
	}
	return t.hold(ctx, households)
}
