package clinic_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

func TestCheckOfAStoreInOrder(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	assert.Empty(t, h.found())
	h.push(started, h.evening()...)
	assert.Empty(t, h.found())
	report, err := h.Check(t.Context())
	require.NoError(t, err)
	assert.Equal(t, 6, report.Entries)
	require.NoError(t, h.Rebuild(t.Context(), started.Add(72*time.Hour)))
	assert.Empty(t, h.found())
}

// TestCheckFindsAlteredEntries alters one thing of the record behind the store's back each time.
func TestCheckFindsAlteredEntries(t *testing.T) {
	t.Parallel()
	const brokenAt3 = "the chain breaks at revision 3: it, or its entry, has been altered"
	for name, test := range map[string]struct{ statement, found string }{
		"a bit of what was sent":  {`UPDATE entry SET sent = CAST(replace(CAST(sent AS TEXT), '"ease":4', '"ease":5') AS BLOB) WHERE rev = 3`, brokenAt3},
		"a stamp":                 {`UPDATE entry SET received = received + 1 WHERE rev = 3`, brokenAt3},
		"a clock offset":          {`UPDATE entry SET clock_offset = clock_offset + 1000000 WHERE rev = 3`, brokenAt3},
		"a status":                {`UPDATE entry SET status = 'set_aside' WHERE rev = 3`, brokenAt3},
		"a problem":               {`UPDATE entry SET problem = x'5b5d' WHERE rev = 3`, brokenAt3},
		"an author":               {`UPDATE entry SET author = randomblob(16) WHERE rev = 3`, brokenAt3},
		"a role":                  {`UPDATE entry SET author_role = 2 WHERE rev = 3`, brokenAt3},
		"a schema":                {`UPDATE entry SET schema = 2 WHERE rev = 3`, brokenAt3},
		"a schema far away":       {`UPDATE entry SET schema = schema + 4294967296 WHERE rev = 3`, brokenAt3},
		"a status unheard of":     {`UPDATE entry SET status = 'odd' WHERE rev = 3`, brokenAt3},
		"an id":                   {`UPDATE entry SET id = randomblob(16) WHERE rev = 3`, brokenAt3},
		"a device":                {`UPDATE entry SET device_key = NULL, author = (SELECT id FROM caregiver) WHERE rev = 3`, brokenAt3},
		"a learner":               {`UPDATE entry SET learner_key = NULL WHERE rev = 3`, brokenAt3},
		"a content":               {`UPDATE entry SET content = randomblob(32) WHERE rev = 3`, brokenAt3},
		"a hash":                  {`UPDATE entry SET chain = randomblob(32) WHERE rev = 3`, brokenAt3},
		"an entry left out":       {`DELETE FROM entry WHERE rev = 3`, "revision 4 follows revision 2"},
		"the last entry left out": {`DELETE FROM entry WHERE rev = 6`, "the head is at revision 6, the last entry at 5, or their hashes differ"},
		"a head set back":         {`UPDATE household SET head_rev = 5`, "the head is at revision 5, the last entry at 6, or their hashes differ"},
		"a head's hash":           {`UPDATE household SET head_chain = randomblob(32)`, "the head is at revision 6, the last entry at 6, or their hashes differ"},
		"two entries swapped":     {`UPDATE entry SET rev = CASE rev WHEN 3 THEN 103 WHEN 4 THEN 3 END WHERE rev IN (3, 4)`, brokenAt3},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			h.push(started, h.evening()...)
			h.alter(test.statement)
			assert.Contains(t, h.found(), test.found)
		})
	}
}

// rechain puts every hash of the household's chain right again, as one does who knows how it is made.
func (h *house) rechain() {
	h.t.Helper()
	var entries []clinic.StoredEntry
	require.NoError(h.t, h.Store.Read(h.t.Context(), func(ctx context.Context, view clinic.View) (err error) {
		entries, err = view.Entries(ctx, h.household, 0, 0)
		return err
	}))
	var chain [32]byte
	for i := range entries {
		chain = clinic.Chained(chain, &entries[i])
		h.alter(`UPDATE entry SET chain = ? WHERE rev = ?`, chain[:], entries[i].Rev)
	}
	h.alter(`UPDATE household SET head_rev = ?, head_chain = ?`, len(entries), chain[:])
}

// TestCheckFindsWhatTheChainCanNot alters what is kept of an entry beside what was sent, and the chain with it.
func TestCheckFindsWhatTheChainCanNot(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct{ statement, found string }{
		"a content": {`UPDATE entry SET content = randomblob(32) WHERE rev = 3`, "the hash of the content at revision 3 is not that of what was sent"},
		"what was sent": {
			`UPDATE entry SET sent = CAST(replace(CAST(sent AS TEXT), '"ease":4', '"ease":5') AS BLOB) WHERE rev = 3`,
			"the hash of the content at revision 3 is not that of what was sent",
		},
		"an id": {`UPDATE entry SET id = CAST(zeroblob(15) || x'01' AS BLOB) WHERE rev = 3`, "the entry at revision 3 is kept as 00000000-0000-0000-0000-000000000001, but what was sent is "},
		"an entry twice": {
			`INSERT INTO entry (household_key, rev, id, learner_key, device_key, author_role, author, status, received, stored, clock_offset, schema, content, chain, problem, sent)
				SELECT household_key, 7, id, learner_key, device_key, author_role, author, status, received, stored, clock_offset, schema, content, chain, problem, sent
				FROM entry WHERE rev = 3`, "the entry at revision 7 has the id of that at revision 3",
		},
		"another learner": {
			`UPDATE entry SET learner_key = (SELECT max(learner_key) FROM learner) WHERE rev = 3`,
			"the entry at revision 3 is kept under another learner than what was sent names",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			h.push(started, h.evening()...)
			_, err := h.CreateLearner(t.Context(), h.clinician, h.household, clinic.NewLearner{Nickname: "Badger"}, started)
			require.NoError(t, err)
			h.rechain()
			h.alter(test.statement)
			h.rechain()
			require.NoError(t, h.Rebuild(t.Context(), started.Add(time.Minute)))
			report, err := h.Check(t.Context())
			require.NoError(t, err)
			require.Len(t, report.Differences, 1)
			found := report.Differences[0]
			assert.Contains(t, found.What, test.found)
			assert.Equal(t, clinic.Difference{Household: h.household, In: clinic.InEntry, What: found.What}, found)
			assert.False(t, report.Rebuildable())
		})
	}
}

// TestCheckFindsAlteredProjections alters one thing of what is kept of a fold each time, and lets it be made anew.
func TestCheckFindsAlteredProjections(t *testing.T) {
	t.Parallel()
	const (
		row       = "the roster row is not what a fresh fold gives: "
		nights    = "the nights are not what a fresh fold gives: "
		reminders = "the reminders are not what a fresh fold gives: "
		other     = `CAST(zeroblob(15) || x'01' AS BLOB)`
		named     = `; UPDATE projection SET reminders = (SELECT json_group_object(lower(hex(id)), due) FROM reminder)`
	)
	// The nights are packed, 29 octets each, from 2027-03-01 on.
	nightsAs := func(expression string) string {
		return `UPDATE projection SET nights = CAST(` + expression + ` AS BLOB)`
	}
	// What is answered of a reminder is altered with it: the two can't differ.
	answer := func(id, due, kind, run string) string {
		return `CAST(` + id + ` || substr(answer, 17, 32) || unhex(format('%016x', ` + due + `)) || substr(answer, 57, 24) || ` +
			run + ` || ` + kind + ` AS BLOB)`
	}
	for name, test := range map[string]struct{ statement, found string }{
		"a row":                {`UPDATE projection SET roster_row = CAST(replace(CAST(roster_row AS TEXT), '"practised":1', '"practised":2') AS BLOB)`, row + "as served"},
		"a status":             {`UPDATE projection SET status = 'ended'`, row + "status"},
		"an urgency":           {`UPDATE projection SET urgency = 1`, row + "urgency"},
		"two counts":           {`UPDATE projection SET nights_wrong = 3, urgency = 1`, row + "urgency, nights wrong"},
		"a flag":               {`UPDATE projection SET flags = '["on_hold"]'`, row + "flags"},
		"a nickname":           {`UPDATE projection SET nickname = 'Badger'`, row + "nickname"},
		"when it was heard":    {`UPDATE projection SET heard = heard - 1`, row + "last heard"},
		"until when it holds":  {`UPDATE projection SET until = until + 1`, row + "until when it holds"},
		"a night":              {nightsAs(`substr(nights, 1, 28) || x'07' || substr(nights, 30)`), nights + "2027-03-01 differs"},
		"a night left out":     {nightsAs(`substr(nights, 1, 58) || substr(nights, 88)`), nights + "2027-03-03 is missing"},
		"a night too many":     {nightsAs(`nights || unhex(format('%08x', 20978)) || substr(nights, 5, 25)`), nights + "2027-06-09 is one too many"},
		"a night gone":         {nightsAs(`substr(nights, 1, 41) || x'01' || substr(nights, 43)`), nights + "2027-03-02 is missing"},
		"many nights":          {nightsAs(`substr(nights, 1, 87)`), nights + "2027-03-04 is missing, 2027-03-05 is missing, 2027-03-06 is missing, 2027-03-07 is missing, 2027-03-08 is missing, 2027-03-09 is missing, 2027-03-10 is missing, 2027-03-11 is missing, 2027-03-12 is missing, 2027-03-13 is missing, and 1 more"},
		"a change to come":     {nightsAs(`substr(nights, 1, 11) || x'07' || substr(nights, 13)`), "nights are said to have changed at revisions that are not there yet: 2027-03-01 at 7"},
		"a reminder's instant": {`UPDATE reminder SET due = due + 1, claimed = 1, answer = ` + answer(`id`, `due + 1`, `kind`, `substr(answer, 81, 8)`) + named, reminders + "tonight of 2027-03-02 differs (due 2027-03-02T23:30:00.001Z and not 2027-03-02T23:30:00.000Z)"},
		"a reminder's kind":    {`UPDATE reminder SET kind = 'missed', answer = ` + answer(`id`, `due`, `'missed'`, `substr(answer, 81, 8)`), reminders + "tonight of 2027-03-02 differs (kind)"},
		"a reminder's run":     {`UPDATE reminder SET answer = ` + answer(`id`, `due`, `kind`, `unhex('0000000000000001')`), reminders + "tonight of 2027-03-02 differs (run)"},
		"another reminder":     {`UPDATE reminder SET id = ` + other + `, answer = ` + answer(other, `due`, `kind`, `substr(answer, 81, 8)`) + named, reminders + "tonight of 2027-03-02 is missing, tonight of 2027-03-02 is one too many"},
		"an unnamed reminder":  {`UPDATE projection SET reminders = '{}'`, reminders + "tonight of 2027-03-02 is missing"},
		"no reminder":          {`DELETE FROM reminder`, reminders + "tonight of 2027-03-02 is missing"},
		"when it lapses":       {`UPDATE projection SET reminders_until = NULL`, reminders + "lapse never and not 2027-03-03T01:00:00.000Z"},
		"what is due next":     {`UPDATE projection SET next_due = NULL`, reminders + "next due never and not 2027-03-02T23:30:00.000Z"},
		"no projection":        {`DELETE FROM projection`, "nothing is kept of the learner's fold"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			h.push(started, h.evening()...)
			require.Empty(t, h.found())
			h.alter(test.statement)
			assert.Equal(t, []string{test.found}, h.found())
			report, err := h.Check(t.Context())
			require.NoError(t, err)
			assert.Equal(t, []clinic.Difference{
				{Household: h.household, Learner: h.learner, In: clinic.InProjection, What: test.found},
			}, report.Differences)
			assert.True(t, report.Rebuildable())
			require.NoError(t, h.Rebuild(t.Context(), started.Add(time.Minute)))
			assert.Empty(t, h.found())
		})
	}
}

// TestCheckLeavesAloneWhatAwaitsAFold leaves a projection as an upgrade leaves it, which is folded anew when it is next read.
func TestCheckLeavesAloneWhatAwaitsAFold(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	h.line(started)
	before := h.projection()
	h.alter(`UPDATE projection SET until = 0, nights = CAST(substr(nights, 1, 13) || zeroblob(16) || substr(nights, 30) AS BLOB)`)
	require.NotEqual(t, before.Nights, h.projection().Nights)
	assert.Empty(t, h.found())
	h.line(started)
	assert.Equal(t, before.Until, h.projection().Until)
	assert.Equal(t, before.Nights[0].Print, h.projection().Nights[0].Print)
}
