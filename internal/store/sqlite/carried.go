package sqlite

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/store/passage"
)

// carried is a table that goes into another store, and how its rows are read in the form in which they go: with ids for keys, and by
// the names that the other schema has for what is called otherwise here. Rows go in the order in which they were written where that
// tells anything.
type carried struct {
	table string
	rows  statement
}

// tablesCarried are all tables but those that are made anew where the rest goes, each after those that it refers to. Entries are not
// among them: they are read as everywhere else; see Tables.
func tablesCarried() (before, after []carried) {
	before = []carried{
		{"clinic", statement{"read clinics", `
			SELECT id, name, timezone, second_factor, invite_window, created FROM clinic`}},
		{"member", statement{"read members", `
			SELECT m.id, c.id AS clinic, m.email, m.name, m.role, m.password_hash, m.totp_secret, m.totp_since, m.totp_last_step, m.created,
				m.disabled
			FROM member m JOIN clinic c USING (clinic_key)`}},
		{"recovery_code", statement{"read recovery codes", `
			SELECT m.id AS member, r.hash FROM recovery_code r JOIN member m USING (member_key)`}},
		{"known_address", statement{"read known addresses", `
			SELECT m.id AS member, a.hash, a.last FROM known_address a JOIN member m USING (member_key)`}},
		{"plan", statement{"read plans", `
			SELECT p.id, c.id AS clinic, p.name, p.version, p.parameters, p.created FROM plan p LEFT JOIN clinic c USING (clinic_key)`}},
		{"service_token", statement{"read service tokens", `
			SELECT t.id, c.id AS clinic, t.role, t.issued, t.expires, t.revoked FROM service_token t JOIN clinic c USING (clinic_key)`}},
		{"household", statement{"read households", `
			SELECT h.id, c.id AS clinic, h.label, h.created, h.head_rev, h.head_chain, h.edition +
				(SELECT coalesce(sum(d.edition), 0) FROM delivery d WHERE d.household_key = h.household_key AND d.learner_key IS NOT NULL)
				AS edition
			FROM household h JOIN clinic c USING (clinic_key)`}},
		{"caregiver", statement{"read caregivers", `
			SELECT h.id AS household, p.id, p.name, p.consent_version, p.consented, p.withdrawn, p.withdrawn_rev, p.created
			FROM caregiver p JOIN household h USING (household_key)`}},
		{"device", statement{"read devices", `
			SELECT h.id AS household, d.id, p.id AS caregiver, d.name, d.platform, d.enrolled,
				json_extract(h.heard, '$."' || d.device_key || '"') AS heard, d.revoked
			FROM device d JOIN household h USING (household_key) JOIN caregiver p USING (caregiver_key)`}},
		{"learner", statement{"read learners", `
			SELECT h.id AS household, l.id, l.nickname, l.birth_month, l.created FROM learner l JOIN household h USING (household_key)`}},
		{"screening", statement{"read screenings", `
			SELECT h.id AS household, s.id, l.id AS learner, m.id AS member, s.answers, s.decision, s.note, s.at
			FROM screening s JOIN learner l USING (learner_key) JOIN household h USING (household_key) JOIN member m USING (member_key)
			ORDER BY s.screening_key`}},
		{"enrolment", statement{"read enrolments", `
			SELECT h.id AS household, e.id, l.id AS learner, p.id AS plan, e.first_night, e.timezone, e.reminder_at, e.positions, e.target,
				e.status, e.status_note, e.ended_on, e.written, e.reminder_set
			FROM enrolment e JOIN learner l USING (learner_key) JOIN household h USING (household_key) JOIN plan p USING (plan_key)
			ORDER BY e.enrolment_key`}},
		{"invite", statement{"read invites", `
			SELECT h.id AS household, i.code_hash, i.short_hash, p.id AS caregiver, i.expires, i.used
			FROM invite i JOIN household h USING (household_key) LEFT JOIN caregiver p USING (caregiver_key)`}},
		{"refresh_token", statement{"read refresh tokens", `
			SELECT t.hash, t.family, m.id AS member, h.id AS household, d.id AS device, t.began, t.issued, t.expires, t.spent, t.superseded,
				t.ended
			FROM refresh_token t LEFT JOIN member m USING (member_key) LEFT JOIN device d USING (device_key)
				LEFT JOIN household h ON h.household_key = d.household_key`}},
	}
	after = []carried{
		{"follow_up", statement{"read follow-ups", `
			SELECT h.id AS household, f.id, f.concern, l.id AS learner, m.id AS member, f.outcome, f.note, f.at
			FROM follow_up f JOIN learner l USING (learner_key) JOIN household h USING (household_key) JOIN member m USING (member_key)
			ORDER BY f.follow_up_key`}},
		{"address", statement{"read addresses", `
			SELECT h.id AS household, a.id, p.id AS caregiver, a.channel, a.sent_to, a.wanted, a.created, a.verified, a.failing, a.code,
				a.code_asked, a.code_wrong
			FROM address a JOIN household h USING (household_key) JOIN caregiver p USING (caregiver_key)`}},
		{"calendar_feed", statement{"read calendar feeds", `
			SELECT h.id AS household, f.id, p.id AS caregiver, f.hash, f.created
			FROM calendar_feed f JOIN household h USING (household_key) JOIN caregiver p USING (caregiver_key)`}},
		{"delivery", statement{"read deliveries", `
			SELECT h.id AS household, d.id, c.id AS clinic, l.id AS learner, d.address, d.kind, d.night, d.due, d.lapses, d.state, d.claim,
				d.until, d.repeatable, d.claims, d.changed, d.ready, d.tries
			FROM delivery d JOIN household h USING (household_key) JOIN clinic c ON c.clinic_key = d.clinic_key
				LEFT JOIN learner l USING (learner_key)`}},
		{"zone_rules", statement{"read rules of zones", `SELECT zone, rules FROM zone_rules`}},
		{"audit", statement{"read audit rows", `
			SELECT clinic, seq, at, role, who, token, origin, did, outcome, note, household, learner, thing, hash FROM audit`}},
	}
	return before, after
}

// Tables calls take with each table that goes into another store, those first that others refer to. Not among them are what names a
// history and a schema, and what is kept of folds, which View gives. take must read all of a table's rows, and nothing else of the
// snapshot meanwhile. A row that refers to what is not there is an error.
func (s *Snapshot) Tables(ctx context.Context, take func(passage.Table) error) error {
	w := newWork(s.tx)
	before, after := tablesCarried()
	for _, t := range before {
		if err := w.carry(ctx, t, take); err != nil {
			return err
		}
	}
	if err := s.carryEntries(ctx, w, take); err != nil {
		return err
	}
	for _, t := range after {
		if err := w.carry(ctx, t, take); err != nil {
			return err
		}
	}
	return nil
}

func (s *Snapshot) carryEntries(ctx context.Context, w *work, take func(passage.Table) error) error {
	return w.counted(ctx, "entry", take, func(take func(passage.Table) error) error {
		return take(passage.Table{Name: "entry", Columns: entryColumns(), Rows: &entryRows{all: s, ctx: ctx}})
	})
}

// carry has the rows taken that a statement finds.
func (w *work) carry(ctx context.Context, t carried, take func(passage.Table) error) error {
	return w.counted(ctx, t.table, take, func(take func(passage.Table) error) (err error) {
		stmt, _, err := w.prepare(ctx, t.rows, nil)
		if err != nil {
			return err
		}
		rows, err := stmt.QueryContext(ctx, nil)
		if err != nil {
			return w.failed(t.rows, err)
		}
		defer func() { err = errors.Join(err, rows.Close()) }()
		columns := rows.Columns()
		return take(passage.Table{Name: t.table, Columns: columns, Rows: selectedRows{t.rows, rows, len(columns)}})
	})
}

// counted has a table carried, and returns an error unless every row that there is was taken.
func (w *work) counted(ctx context.Context, table string, take func(passage.Table) error, carry func(take func(passage.Table) error) error) error {
	there, err := one(ctx, w, statement{"count rows of " + table, `SELECT count(*) FROM ` + table}, value[int64])
	if err != nil {
		return err
	}
	counting := &countedRows{}
	err = carry(func(t passage.Table) error {
		counting.Rows = t.Rows
		t.Rows = counting
		return take(t)
	})
	if err == nil && counting.read != there {
		err = fmt.Errorf("of the %d rows of %s %d can be read: the others refer to what is not there", there, table, counting.read)
	}
	return err
}

// countedRows notes how many rows have been read.
type countedRows struct {
	passage.Rows
	read int64
}

func (c *countedRows) Next() ([]any, error) {
	row, err := c.Rows.Next()
	if err == nil {
		c.read++
	}
	return row, err
}

// selectedRows are those that a statement finds.
type selectedRows struct {
	statement
	rows    driver.Rows
	columns int
}

func (s selectedRows) Next() ([]any, error) {
	found := make([]driver.Value, s.columns)
	if err := s.rows.Next(found); err != nil {
		if !errors.Is(err, io.EOF) {
			err = fmt.Errorf("%s: %w", s.task, translated(err))
		}
		return nil, err
	}
	values := make([]any, len(found))
	for i, v := range found {
		switch v := v.(type) {
		case string:
			values[i] = []byte(v)
		case []byte:
			values[i] = blob(v)
		default:
			values[i] = v
		}
	}
	return values, nil
}

func entryColumns() []string {
	return []string{
		"household", "rev", "id", "learner", "device", "author_role", "author", "status", "received", "stored", "clock_offset", "schema",
		"content", "chain", "problem", "sent",
	}
}

// How many households and entries are in memory at a time.
const (
	householdsAtATime = 500
	entriesAtATime    = 500
)

// entryRows are the entries of all households, as Entries returns them.
type entryRows struct {
	all *Snapshot
	ctx context.Context //nolint:containedctx // Next has none, and is called while Tables runs, whose it is

	households []uuid.UUID // whose entries are to come
	listed     bool        // all that there are
	of         uuid.UUID   // whose entries these are
	entries    []clinic.StoredEntry
	rev        int64 // of the last of them
	more       bool  // of the same household
}

// Next implements passage.Rows.
func (e *entryRows) Next() ([]any, error) {
	for len(e.entries) == 0 {
		if err := e.all.Read(e.ctx, e.readOn); err != nil {
			return nil, err
		}
	}
	of, next := e.of, &e.entries[0]
	e.entries = e.entries[1:]
	return []any{
		of[:], next.Rev, next.ID[:], idOrNull(next.Learner), idOrNull(next.Device), int64(next.Author.Role), next.Author.ID.UUID[:],
		[]byte(next.Status), ms(next.Received), ms(next.Stored), int64(next.ClockOffset), int64(next.Schema), next.Content[:],
		next.Chain[:], blob(next.Problem), blob(next.Sent),
	}, nil
}

// readOn reads the next entries of a household, or of the next one.
func (e *entryRows) readOn(ctx context.Context, view clinic.View) error {
	if !e.more {
		if err := e.goOn(ctx, view); err != nil {
			return err
		}
	}
	var err error
	if e.entries, err = view.Entries(ctx, e.of, e.rev, entriesAtATime); err != nil {
		return err
	}
	if e.more = len(e.entries) == entriesAtATime; e.more {
		e.rev = e.entries[len(e.entries)-1].Rev
	}
	return nil
}

// goOn goes on to the next household; io.EOF after the last.
func (e *entryRows) goOn(ctx context.Context, view clinic.View) error {
	if len(e.households) == 0 && !e.listed {
		var err error
		if e.households, err = view.HouseholdIDs(ctx, clinic.Page{After: e.of, Limit: householdsAtATime}); err != nil {
			return err
		}
		e.listed = len(e.households) < householdsAtATime
	}
	if len(e.households) == 0 {
		return io.EOF
	}
	e.of, e.rev, e.households = e.households[0], 0, e.households[1:]
	return nil
}
