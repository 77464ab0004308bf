package clinic

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/audit"
	"swallowtail/internal/fault"
)

// ask is a call of an operation under way: what its caller may reach, and what it turns out to be about, for its row on the
// audit trail.
type ask struct {
	permit
	op  Operation
	row audit.Row
}

// ask lets a caller ask for an operation. A refusal goes on the trail.
func (s *Service) ask(ctx context.Context, p access.Principal, op Operation, now time.Time) (*ask, error) {
	a := &ask{op: op, row: rowOf(ctx, p, string(op), now)}
	var err error
	if a.permit, err = s.rights.permit(p, op); err != nil {
		return nil, s.witnessed(ctx, a, err)
	}
	return a, nil
}

// Admit returns a fault unless a caller may ask for an operation at all, before anything of the request is looked at.
func (s *Service) Admit(ctx context.Context, p access.Principal, op Operation, now time.Time) error {
	_, err := s.ask(ctx, p, op, now)
	return err
}

// rowOf returns a row that says who did something, from where and by which token.
func rowOf(ctx context.Context, p access.Principal, did string, now time.Time) audit.Row {
	row := audit.Row{Clinic: p.ClinicID, At: now, Role: string(p.Role), Token: p.TokenID, Did: did, Household: p.HouseholdID}
	if from := access.OriginFrom(ctx); from.IsValid() {
		row.From = from.String()
	}
	switch {
	case p.Role == access.RoleDevice:
		row.Who = p.DeviceID
	case p.Role.Staff():
		row.Who = p.ClinicianID
	case p.Role == access.RoleScheduler:
		row.Who, _ = uuid.Parse(p.TokenID) // issued by us, so it is an id
	}
	return row
}

// operator is the role, on a trail, of whoever runs a command at the machine itself.
const operator = "operator"

// operatorRow returns a row that says what an operator's command did to a clinic.
func operatorRow(ctx context.Context, clinic uuid.UUID, command string, now time.Time) audit.Row {
	row := rowOf(ctx, access.Principal{ClinicID: clinic}, command, now)
	row.Role, row.Outcome = operator, audit.Done
	return row
}

// reads carries out an operation that changes nothing. Its row on the trail is durable before there is an answer.
func reads[T any](ctx context.Context, s *Service, p access.Principal, op Operation, now time.Time, fn func(a *ask) (T, error)) (T, error) {
	var none T
	a, err := s.ask(ctx, p, op, now)
	if err != nil {
		return none, err
	}
	answer, err := fn(a)
	if err := s.witnessed(ctx, a, err); err != nil {
		return none, err
	}
	return answer, nil
}

// looks carries out an operation that reads one state of the store.
func looks[T any](
	ctx context.Context, s *Service, p access.Principal, op Operation, now time.Time,
	fn func(ctx context.Context, view View, a *ask) (T, error),
) (T, error) {
	return reads(ctx, s, p, op, now, func(a *ask) (answer T, err error) {
		err = s.Store.Read(ctx, func(ctx context.Context, view View) error {
			answer, err = fn(ctx, view, a)
			return err
		})
		return answer, err
	})
}

// changes carries out an operation that changes something, in one transaction with its row on the trail.
func (s *Service) changes(
	ctx context.Context, p access.Principal, op Operation, now time.Time, fn func(ctx context.Context, tx Tx, a *ask, note note) error,
) error {
	a, err := s.ask(ctx, p, op, now)
	if err != nil {
		return err
	}
	err = s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
		if err := fn(ctx, tx, a, note); err != nil {
			return err
		}
		a.row.Outcome = audit.Done
		return enter(ctx, tx, &a.row)
	})
	if err == nil {
		return nil
	}
	return s.witnessed(ctx, a, err)
}

// witnessed puts what was carried out, or was refused since it is not the caller's, on the trail, and returns the error that the
// operation ended with. What was merely asked for in a wrong way leaves no trail.
func (s *Service) witnessed(ctx context.Context, a *ask, err error) error {
	rule := s.rights.rules[a.op]
	switch kind := fault.KindOf(err); {
	case err == nil && rule.Trail == Silent:
		return nil
	case err == nil:
		a.row.Outcome = audit.Done
	case kind == fault.Forbidden || kind == fault.NotFound:
		a.row.Outcome = fault.ProblemOf(err)
	default:
		return err
	}
	if failed := s.witness(ctx, a.row); failed != nil {
		return failed
	}
	return err
}

// learner returns a learner whom the caller may reach.
func (a *ask) learner(ctx context.Context, view View, id uuid.UUID) (Learner, error) {
	a.row.Learner = id
	l, err := a.permit.learner(ctx, view, id)
	if err == nil {
		a.row.Household = l.Household
	}
	return l, err
}

// known returns ErrNotThere unless the caller may reach a learner who is known.
func (a *ask) known(l *Learner) error {
	a.row.Learner = l.ID
	err := a.reaches(l)
	if err == nil {
		a.row.Household = l.Household
	}
	return err
}

// household returns a household that the caller may reach.
func (a *ask) household(ctx context.Context, view View, id uuid.UUID) (Household, error) {
	a.row.Household = id
	return a.permit.household(ctx, view, id)
}

// device returns a device that the caller may reach.
func (a *ask) device(ctx context.Context, view View, id uuid.UUID) (Device, error) {
	a.row.Thing = id
	d, err := a.permit.device(ctx, view, id)
	if err == nil {
		a.row.Household = d.Household
	}
	return d, err
}

// caregiver returns a caregiver whom the caller may reach.
func (a *ask) caregiver(ctx context.Context, view View, id uuid.UUID) (Person, error) {
	a.row.Thing = id
	p, err := a.permit.caregiver(ctx, view, id)
	if err == nil {
		a.row.Household = p.Household
	}
	return p, err
}

// plan returns a plan that the caller may reach.
func (a *ask) plan(ctx context.Context, view View, id uuid.UUID) (Plan, error) {
	a.row.Thing = id
	return a.permit.plan(ctx, view, id)
}

// enter puts rows on the trails of their clinics, as a part of a transaction.
func enter(ctx context.Context, tx Tx, rows ...*audit.Row) error {
	for _, row := range rows {
		if err := tx.AppendAudit(ctx, *row); err != nil {
			return err
		}
	}
	return nil
}

// enterDone puts a row on the trail of its clinic that says that something was carried out.
func enterDone(ctx context.Context, tx Tx, row audit.Row) error {
	row.Outcome = audit.Done
	return enter(ctx, tx, &row)
}

// rowOfToken returns a row that says what was done by means of a refresh token.
func rowOfToken(ctx context.Context, view View, t RefreshToken, did string, now time.Time) (audit.Row, error) {
	if t.Device == uuid.Nil {
		m, err := view.Member(ctx, t.Member)
		return rowOf(ctx, principalOf(m), did, now), err
	}
	d, err := view.Device(ctx, t.Device)
	if err != nil {
		return audit.Row{}, err
	}
	p, err := devicePrincipal(ctx, view, d)
	return rowOf(ctx, p, did, now), err
}

// trail gathers rows that are written at the same time, so that readings share a commit: whoever finds nobody writing writes
// all that have come, and lets the next of those who came meanwhile go on.
type trail struct {
	mu      sync.Mutex
	writing bool
	waiting []*entrant
}

// entrant is a row that waits to be durable.
type entrant struct {
	row  audit.Row
	done chan error    // has one result, once the row has been written or could not be
	lead chan struct{} // is closed when it is this one's turn to write
}

// trailTime is how long a row may take to become durable.
const trailTime = 15 * time.Second

// witness makes a row durable. It does so in a transaction of its own, which rows that come at the same time share.
func (s *Service) witness(ctx context.Context, row audit.Row) error {
	e := &entrant{row: row, done: make(chan error, 1), lead: make(chan struct{})}
	t := &s.trail
	t.mu.Lock()
	t.waiting = append(t.waiting, e)
	first := !t.writing
	t.writing = true
	t.mu.Unlock()
	if !first {
		select {
		case err := <-e.done:
			return err
		case <-e.lead:
		}
	}
	// Others wait for this write too, so whoever asked first may leave without ending it.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), trailTime)
	defer cancel()
	s.writeWaiting(ctx)
	return <-e.done
}

// writeWaiting writes the rows that wait, and hands on to the first that came meanwhile.
func (s *Service) writeWaiting(ctx context.Context) {
	t := &s.trail
	t.mu.Lock()
	batch := t.waiting
	t.waiting = nil
	t.mu.Unlock()
	err := errNotWritten
	defer func() { t.handOn(batch, err) }() // in a panic too, or those who wait would wait for ever
	// Each trail keeps other writers off once it is come to. In any other order two servers could each wait for what the other has.
	slices.SortStableFunc(batch, func(a, b *entrant) int { return bytes.Compare(a.row.Clinic[:], b.row.Clinic[:]) })
	err = s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		for _, e := range batch {
			if err := enter(ctx, tx, &e.row); err != nil {
				return err
			}
		}
		return nil
	})
}

var errNotWritten = errors.New("rows of the audit trail were not written")

// handOn tells those whose rows were written, or could not be, and lets the next write.
func (t *trail) handOn(batch []*entrant, err error) {
	for _, e := range batch {
		e.done <- err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.waiting) > 0 {
		close(t.waiting[0].lead)
		return
	}
	t.writing = false
}

// AuditPage asks for rows of the trail of the caller's clinic, from the newest back.
type AuditPage struct {
	Learner uuid.UUID // zero for all
	From    int64     // the number of the newest row wanted; zero for the newest there is
	Limit   int
}

// Audit returns a page of the trail of the caller's clinic. That it was read goes on the trail too.
func (s *Service) Audit(ctx context.Context, p access.Principal, q AuditPage, now time.Time) ([]audit.Row, error) {
	return looks(ctx, s, p, "listAudit", now, func(ctx context.Context, view View, a *ask) ([]audit.Row, error) {
		a.row.Learner = q.Learner
		return view.AuditRows(ctx, AuditQuery{Clinic: a.ClinicID, Learner: q.Learner, From: q.From, Newest: true, Limit: q.Limit})
	})
}
