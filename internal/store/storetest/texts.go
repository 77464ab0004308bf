package storetest

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// odd are texts that a store may take for something else, or not take at all. Some are no text in any encoding.
func odd() []string {
	return []string{
		"", "\x00", "before\x00after", "\x00\x00", "\xff\xfe", "half \xc3", "\xed\xa0\x80", "\ufeffmarked", "\u202egnp", "e\u0301 is not é",
		"\U0001F98B", "\\x41", `\`, "'; --", `"`, "{1,2}", "NULL", "%_", " spaces ", "line\r\nend\t", strings.Repeat("ß", 5000),
	}
}

// oddTexts stores odd texts wherever something that people wrote is kept, and looks for them.
func oddTexts(b *bundle) {
	w := newWorld(b, 1)
	for n, s := range odd() {
		c, m := sampleClinic(100+n), sampleMember(100+n, w.clinic)
		c.Name, m.Name, m.Email = s, s, s+"@example.org"
		h, p := sampleHousehold(100+n, w.clinic), sampleCaregiver(100+n, w.household)
		d, l := sampleDevice(100+n, w.household, p.ID), sampleLearner(100+n, w.household, w.clinic)
		h.Label, p.Name, p.ConsentVersion, d.Name, d.Platform, l.Nickname = s, s, s, s, s, s
		screening, enrolment := sampleScreening(100+n, l.ID, w.member), sampleEnrolment(100+n, l.ID, w.plan)
		screening.Note, enrolment.StatusNote, enrolment.Target = s, s, []byte(s)
		address, followUp := w.address(100+n), w.followUp(100+n)
		address.To, followUp.Note, followUp.Learner = s, s, l.ID
		row := audit.Row{Clinic: w.clinic, At: evening, Token: s, From: s, Did: s, Outcome: s, Note: s}
		projection := w.projectionFor(l.ID)
		flag := strings.ToValidUTF8(s, "?") // flags are the program's own
		projection.Nickname, projection.Status, projection.Verdict, projection.Flags = s, s, s, []string{flag, "other"}
		for _, add := range []func(ctx context.Context, tx clinic.Tx) error{
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, c) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddMember(ctx, m) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddHousehold(ctx, h) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddCaregiver(ctx, p) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddDevice(ctx, d) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddLearner(ctx, l) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddScreening(ctx, screening) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddEnrolment(ctx, enrolment) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddAddress(ctx, address) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.AddFollowUp(ctx, followUp) },
			func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, projection, nil) },
		} {
			b.write(add)
		}
		enter(b, &row)

		assert.Equal(b, c, get(b, clinicOf, c.ID))
		assert.Equal(b, m, read(b, func(ctx context.Context, v clinic.View) (clinic.Member, error) { return v.MemberByEmail(ctx, m.Email) }))
		assert.Equal(b, h, get(b, householdOf, h.ID))
		assert.Equal(b, d, get(b, deviceOf, d.ID))
		assert.Equal(b, l, get(b, learnerOf, l.ID))
		assert.Equal(b, screening, get(b, screeningOf, l.ID))
		if s == "" {
			enrolment.Target = nil
		}
		assert.Equal(b, enrolment, get(b, enrolmentOf, enrolment.ID))
		assert.Equal(b, address, get(b, addressOf, address.ID))
		assert.Contains(b, get(b, followUpsOf, w.household), followUp)
		assert.Equal(b, projection, get(b, projectionOf, l.ID))
		assert.Contains(b, get(b, caregiversOf, w.household), p)
		assert.Equal(b, row, auditRows(b, clinic.AuditQuery{Clinic: w.clinic, Newest: true, Limit: 1})[0])
		q := clinic.RosterQuery{Clinic: w.clinic, Status: s, Flag: flag, Verdict: s, Order: "nickname", Limit: 2}
		if s != "" {
			assert.Len(b, rosterOf(b, q), 1, "%q", s)
		}
	}
	// What nobody has is not there, and no more than that.
	b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
		_, err := tx.MemberByEmail(ctx, "\x00\xff")
		return err
	})
}

// orderOfTexts goes through nicknames by their bytes, whatever the language of the machine.
func orderOfTexts(b *bundle) {
	w := newWorld(b, 1)
	names := []string{"Zoe", "anna", "Émile", "élan", "zoé", "Ada", "_", "ß", "ss", "a b", "ab", "a-b", "10", "9", "ö", "o\u0308", "🦋", "\x00"}
	called := map[uuid.UUID]string{}
	for n, learner := range w.addLearners(b, len(names)) {
		p := w.projectionFor(learner)
		p.Nickname, called[learner] = names[n], names[n]
		save(b, p)
	}
	slices.SortFunc(names, func(a, b string) int { return strings.Compare(strings.ToLower(a), strings.ToLower(b)) })
	var got []string
	for _, learner := range pagedRoster(b, clinic.RosterQuery{Clinic: w.clinic, Order: "nickname", Limit: 4}) {
		got = append(got, called[learner])
	}
	assert.Equal(b, names, got)
}

// farNumbers stores the greatest and the least numbers, and instants of the first and the last years that there are names for.
func farNumbers(b *bundle) {
	w := newWorld(b, 1)
	for n, at := range []time.Time{
		time.Date(1, time.January, 1, 0, 0, 0, 1_000_000, time.UTC), time.Date(9999, time.December, 31, 23, 59, 59, 999_000_000, time.UTC),
		time.Unix(0, 0).UTC(),
	} {
		for i, number := range []int64{math.MaxInt64, math.MinInt64, 0} {
			m := sampleMember(10+10*n+i, w.clinic)
			m.TOTPLastStep, m.TOTPSince, m.Created = number, at, at
			b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddMember(ctx, m) })
			assert.Equal(b, m, get(b, memberOf, m.ID))
		}
		d := sampleDevice(10+n, w.household, w.caregiver)
		d.Enrolled, d.Heard, d.Revoked = at, at, at
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddDevice(ctx, d) })
		assert.Equal(b, d, get(b, deviceOf, d.ID))
		p := w.projection()
		setInstants(&p, at)
		p.Heard = time.Time{} // never
		save(b, p)
		assert.Equal(b, p, get(b, projectionOf, w.learner))
	}
	entry := w.entry(1)
	entry.ClockOffset, entry.Schema = math.MinInt64, math.MaxInt64
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{entry}, nil)
	})
	assert.Equal(b, entry, entriesOf(b, w.household, 0, 1)[0])
}
