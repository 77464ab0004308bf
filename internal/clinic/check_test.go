package clinic_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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
		"an id":                   {`UPDATE entry SET id = randomblob(16) WHERE rev = 3`, brokenAt3},
		"a device":                {`UPDATE entry SET device_key = NULL WHERE rev = 3`, brokenAt3},
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

// TestCheckFindsAlteredProjections alters one thing of what is kept of a fold each time, and lets it be made anew.
func TestCheckFindsAlteredProjections(t *testing.T) {
	t.Parallel()
	const (
		row       = "the roster row is not what a fresh fold gives"
		nights    = "the nights are not what a fresh fold gives"
		reminders = "the reminders are not what a fresh fold gives"
	)
	for name, test := range map[string]struct{ statement, found string }{
		"a row":                {`UPDATE projection SET roster_row = CAST(replace(CAST(roster_row AS TEXT), '"practised":1', '"practised":2') AS BLOB)`, row},
		"a status":             {`UPDATE projection SET status = 'ended'`, row},
		"an urgency":           {`UPDATE projection SET urgency = 1`, row},
		"a count":              {`UPDATE projection SET nights_wrong = 3`, row},
		"a flag":               {`UPDATE projection SET flags = '["on_hold"]'`, row},
		"a nickname":           {`UPDATE projection SET nickname = 'Badger'`, row},
		"when it was heard":    {`UPDATE projection SET heard = heard - 1`, row},
		"until when it holds":  {`UPDATE projection SET until = until + 1`, row},
		"a night":              {`UPDATE night SET doc = CAST(replace(CAST(doc AS TEXT), 'complete', 'missed') AS BLOB) WHERE night = 20878`, nights},
		"a night left out":     {`DELETE FROM night WHERE night = 20880`, nights},
		"a night too many":     {`INSERT INTO night SELECT learner_key, night + 100, changed_rev, 0, doc FROM night WHERE night = 20878`, nights},
		"a reminder's instant": {`UPDATE reminder SET due = due + 1`, reminders},
		"a reminder's kind":    {`UPDATE reminder SET kind = 'missed'`, reminders},
		"a reminder's run":     {`UPDATE reminder SET run = run + 1`, reminders},
		"no reminder":          {`DELETE FROM reminder`, reminders},
		"when it lapses":       {`UPDATE projection SET reminders_until = NULL`, reminders},
		"what is due next":     {`UPDATE projection SET next_due = NULL`, reminders},
		"no projection":        {`DELETE FROM projection`, "nothing is kept of the learner's fold"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			h.push(started, h.evening()...)
			require.Empty(t, h.found())
			h.alter(test.statement)
			assert.Equal(t, []string{test.found}, h.found())
			require.NoError(t, h.Rebuild(t.Context(), started.Add(time.Minute)))
			assert.Empty(t, h.found())
		})
	}
}
