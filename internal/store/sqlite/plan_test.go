package sqlite

import (
	"context"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// plan returns the steps that the planner takes for a statement.
func plan(t *testing.T, s *Store, text string) []string {
	t.Helper()
	// The test's own context ends before its cleanup does.
	ctx := context.WithoutCancel(t.Context())
	rows, err := s.readers.db.QueryContext(ctx, "EXPLAIN QUERY PLAN "+text, make([]any, 300)...)
	require.NoError(t, err)
	defer rows.Close()
	var steps []string
	for rows.Next() {
		var id, parent, unused int
		var step string
		require.NoError(t, rows.Scan(&id, &parent, &unused, &step))
		steps = append(steps, step)
	}
	require.NoError(t, rows.Err())
	return steps
}

// statementsRun returns the texts that were run on a store so far.
func statementsRun(t *testing.T, s *Store) []string {
	t.Helper()
	ctx := context.WithoutCancel(t.Context())
	texts := map[string]bool{}
	for _, p := range []*pool{s.writer, s.readers} {
		for range p.connections { // each another one, as none is given back before the end
			conn, err := p.db.Conn(ctx)
			require.NoError(t, err)
			defer func() { assert.NoError(t, conn.Close()) }()
			require.NoError(t, conn.Raw(func(raw any) error {
				for text := range raw.(*connection).statements {
					texts[text] = true
				}
				return nil
			}))
		}
	}
	return slices.Collect(maps.Keys(texts))
}

// assertNoScans requires that no statement that was run goes through a whole table. The exceptions are the table of one
// row, that of the few zones and what a statement brings with it.
func assertNoScans(t *testing.T, s *Store) {
	t.Helper()
	for _, text := range statementsRun(t, s) {
		for _, step := range plan(t, s, text) {
			if strings.HasPrefix(step, "SCAN meta") || strings.HasPrefix(step, "SCAN zone_rules") || step == "SCAN CONSTANT ROW" ||
				strings.HasPrefix(step, "SCAN json_each") || strings.HasPrefix(step, "SCAN named") ||
				strings.HasSuffix(step, "VALUES CLAUSE") {
				continue
			}
			assert.False(t, strings.HasPrefix(step, "SCAN"), "%s in %s", step, text)
		}
	}
}

// TestStatementsFindTheirWay holds the statements over which a large clinic could stumble to the indexes made for them:
// they begin with a range of the right one and go through it in order, without sorting.
func TestStatementsFindTheirWay(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	for name, c := range map[string]struct {
		st    statement
		first string
	}{
		"unweighed":         {unweighed, "SEARCH projection USING INDEX projection_unweighed (clinic_key=? AND learner_id>?)"},
		"lapsed reminders":  {lapsedReminders, "SEARCH projection USING INDEX projection_by_stale (clinic_key=? AND stale<?)"},
		"recipients":        {recipients, "SEARCH a USING PRIMARY KEY (household_key=?)"},
		"concern":           {concernByID, "SEARCH o USING INDEX concern_by_id (id=?)"},
		"learners in zone":  {learnersInZone, "SEARCH l USING COVERING INDEX sqlite_autoindex_learner_1 (id>?)"},
		"stale projections": {staleProjections, "SEARCH projection USING INDEX projection_by_stale (clinic_key=? AND stale<?)"},
		"needs a call": {rosterByUrgency, "SEARCH projection USING INDEX projection_by_urgency " +
			"(clinic_key=? AND (urgency_down,learner_id)>(?,?))"},
		"missed": {rosterByWrong, "SEARCH projection USING INDEX projection_by_wrong " +
			"(clinic_key=? AND (wrong_down,learner_id)>(?,?))"},
		"nickname": {rosterByNickname, "SEARCH projection USING INDEX projection_by_nickname " +
			"(clinic_key=? AND (nickname_order,learner_id)>(?,?))"},
		"entries":        {entriesAfter, "SEARCH entry USING INDEX entry_of_household (household_key=? AND rev>?)"},
		"ids of entries": {idsOfHousehold, "SEARCH entry USING INDEX entry_of_household (household_key=?)"},
		"token family":   {tokenFamily, "SEARCH t USING INDEX refresh_token_of_family (family=?)"},
		"service token":  {serviceTokenByID, "SEARCH t USING INDEX sqlite_autoindex_service_token_1 (id=?)"},
		"standings":      {standings, "SEARCH d USING INDEX sqlite_autoindex_device_1 (id=?)"},
	} {
		steps := plan(t, s, c.st.text)
		assert.Equal(t, c.first, steps[0], name)
		assert.NotContains(t, strings.Join(steps, "\n"), "TEMP B-TREE", name)
	}
	// These come upon the range second.
	for _, c := range []struct {
		st     statement
		second string
	}{
		{concernsOfClinic, "SEARCH o USING PRIMARY KEY (clinic_key=? AND (since,id)>(?,?))"},
		{readyCodes, "SEARCH d USING INDEX delivery_ready_code (clinic_key=? AND ready<?)"},
		{keysOfDeliveries, "SEARCH h USING INDEX sqlite_autoindex_household_1 (id=?)"},
	} {
		steps := plan(t, s, c.st.text)
		assert.Equal(t, c.second, steps[1])
		assert.NotContains(t, strings.Join(steps, "\n"), "TEMP B-TREE")
	}
	for _, c := range []struct {
		st       statement
		searches []string
	}{
		{dueReminders, slices.Repeat([]string{
			"SEARCH reminder USING PRIMARY KEY (clinic_key=? AND claimed=? AND (due,id)>(?,?) AND due<?)",
		}, 2)},
		{readyReminders, []string{
			"SEARCH reminder USING PRIMARY KEY (clinic_key=? AND claimed=? AND due<?)",
			"SEARCH reminder USING INDEX reminder_by_ready (clinic_key=? AND ready<?)",
		}},
		{readyAsDelivered, []string{
			"SEARCH d USING INDEX delivery_by_id (id=?)", "SEARCH p USING INTEGER PRIMARY KEY (rowid=?)",
			"SEARCH r USING PRIMARY KEY (clinic_key=? AND claimed=? AND due=? AND id=?)",
			"SEARCH reminder USING PRIMARY KEY (clinic_key=? AND claimed=? AND due=? AND id=?)",
		}},
		{statement{text: readyWhenDue.text + " VALUES (?, ?, ?, ?, ?)" + wherePlaceIsTheSame}, []string{
			"SEARCH reminder USING PRIMARY KEY (clinic_key=? AND claimed=? AND due=? AND id=?)",
		}},
	} {
		steps := plan(t, s, c.st.text)
		assert.NotContains(t, strings.Join(steps, "\n"), "TEMP B-TREE", c.st.text)
		searches := slices.DeleteFunc(steps, func(step string) bool { return !strings.HasPrefix(step, "SEARCH") })
		assert.Equal(t, c.searches, searches, c.st.text)
	}
	assert.Contains(t, plan(t, s, keysOfReminders.text), "SEARCH r USING PRIMARY KEY (clinic_key=? AND claimed=? AND due=? AND id=?)")
	// Of those who are unweighed there are few, and only they are sorted.
	for index, st := range map[string]statement{
		"projection_by_heard (clinic_key=? AND (heard_place,learner_id)>(?,?))":       rosterByHeard,
		"projection_by_nearness (clinic_key=? AND (nearness_place,learner_id)>(?,?))": rosterByNearness,
	} {
		assert.Equal(t, []string{
			"MERGE (UNION ALL)", "LEFT", "SEARCH projection USING INDEX " + index, "CORRELATED SCALAR SUBQUERY 1",
			"SCAN json_each VIRTUAL TABLE INDEX 1:", "RIGHT", "SEARCH projection USING INDEX projection_unweighed (clinic_key=?)",
			"CORRELATED SCALAR SUBQUERY 3", "SCAN json_each VIRTUAL TABLE INDEX 1:", "USE TEMP B-TREE FOR ORDER BY",
		}, plan(t, s, st.text))
	}
	assert.Equal(t, []string{
		"SEARCH clinic USING COVERING INDEX sqlite_autoindex_clinic_1 (id=?)",
		"CORRELATED SCALAR SUBQUERY 1", "SEARCH projection USING INDEX projection_by_stale (clinic_key=? AND stale<?)",
		"CORRELATED SCALAR SUBQUERY 2", "SEARCH projection USING INDEX projection_unweighed (clinic_key=?)",
	}, plan(t, s, anyToRenew.text))
	// Only what is stale is sorted.
	stale := plan(t, s, staleReminders.text)
	assert.Contains(t, stale, "SEARCH projection USING INDEX projection_by_renew (clinic_key=? AND renew_place<?)")
	assert.Contains(t, stale, "SEARCH projection USING INDEX projection_by_heard (clinic_key=? AND heard_place>?)")
	assert.Contains(t, stale, "SEARCH projection USING INDEX projection_unweighed (clinic_key=? AND learner_id>?)")
	assert.Contains(t, stale, "SEARCH projection USING INDEX projection_by_refolded (clinic_key=? AND refolded>?)")
}

// TestForeignKeysHaveIndexes looks for the rows that refer to one as SQLite does before that is removed: it must not read
// the whole table for it.
func TestForeignKeysHaveIndexes(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	rows, err := s.readers.db.QueryContext(t.Context(), `
		SELECT t.name, group_concat(f."from" || ' = ?', ' AND ')
		FROM sqlite_schema t JOIN pragma_foreign_key_list(t.name) f WHERE t.type = 'table' GROUP BY t.name, f.id`)
	require.NoError(t, err)
	defer rows.Close()
	count := 0
	for rows.Next() {
		var table, condition string
		require.NoError(t, rows.Scan(&table, &condition))
		search := "SELECT 1 FROM " + table + " WHERE " + condition
		assert.NotContains(t, strings.Join(plan(t, s, search), "\n"), "SCAN", search)
		count++
	}
	require.NoError(t, rows.Err())
	assert.Greater(t, count, 15)
}
