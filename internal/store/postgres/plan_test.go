package postgres

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// plan returns how the planner would run a statement whose arguments it does not know, if reading whole tables and sorting cost far
// more than they do in a database that is empty.
func plan(t *testing.T, conn *pgxpool.Conn, text string) string {
	t.Helper()
	ctx := t.Context()
	prepared, err := conn.Conn().Prepare(ctx, "looked_at", text)
	require.NoError(t, err, text)
	arguments := strings.TrimSuffix(strings.Repeat("NULL,", len(prepared.ParamOIDs)), ",")
	if arguments != "" {
		arguments = "(" + arguments + ")"
	}
	var lines []string
	rows, err := conn.Conn().Query(ctx, "EXPLAIN (COSTS off) EXECUTE looked_at"+arguments)
	require.NoError(t, readAll(rows, err, func(row scanner) error {
		var line string
		err := row.Scan(&line)
		lines = append(lines, line)
		return err
	}), text)
	require.NoError(t, conn.Conn().Deallocate(ctx, "looked_at"))
	return strings.Join(lines, "\n")
}

// TestStatementsFindTheirWay holds the statements over which a large clinic could stumble to the indexes made for them, without
// sorting.
func TestStatementsFindTheirWay(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	conn, err := s.pool.Acquire(t.Context())
	require.NoError(t, err)
	defer conn.Release()
	for _, text := range []string{
		`SET plan_cache_mode = force_generic_plan`, `SET enable_seqscan = off`, `SET enable_sort = off`, `SET enable_bitmapscan = off`,
		// A table that was vacuumed while it was empty is taken for one that stays so, in which any index is as good as another.
		`UPDATE pg_class SET reltuples = -1 WHERE relkind = 'r'`,
	} {
		_, err := conn.Exec(t.Context(), text)
		require.NoError(t, err)
	}
	// Few learners, or the few who are not weighed.
	sorted := []statement{learnersInZone, staleReminders, rosterByUrgency, rosterByWrong, rosterByHeard, rosterByNearness}
	for name, c := range map[string]struct {
		st    statement
		index string
	}{
		"due reminders":         {dueReminders, "reminder_by_due"},
		"ready reminders":       {readyReminders, "reminder_by_ready"},
		"reminders of learner":  {readyAsDelivered, "reminder_pkey"},
		"lapsed reminders":      {lapsedReminders, "projection_by_stale"},
		"stale projections":     {staleProjections, "projection_by_stale"},
		"stale reminders":       {staleReminders, "projection_by_renew"},
		"unweighed projections": {unweighed, "unweighed_of_clinic"},
		"needs a call":          {rosterByUrgency, "projection_by_urgency"},
		"missed":                {rosterByWrong, "projection_by_wrong"},
		"last heard":            {rosterByHeard, "projection_by_heard"},
		"verdict":               {rosterByNearness, "projection_by_nearness"},
		"heard, unweighed":      {rosterByHeard, "unweighed_of_clinic"},
		"nickname":              {rosterByNickname, "projection_by_nickname"},
		"entries":               {entriesAfter, "entry_pkey"},
		"standings":             {standings, "device_id_key"},
		"concern":               {concernByID, "concern_id_key"},
		"concerns":              {concernsOfClinic, "concern_by_since"},
		"ready codes":           {readyCodes, "delivery_ready_code"},
		"deliveries":            {deliveriesOfHousehold, "delivery_of_household"},
		"learners in zone":      {learnersInZone, "enrolment_in_zone"},
		"token family":          {tokenFamily, "refresh_token_of_family"},
		"service token":         {serviceTokenByID, "service_token_pkey"},
		"audit head":            {auditHead, "audit_pkey"},
		"row of audit":          {appendAudit, "audit_pkey"},
		"audit rows of learner": {auditRowsOfNewest, "audit_of_learner"},
		"households":            {holdSome, "household_pkey"},
		"household as it was":   {assume, "household_pkey"},
		"session goes on":       {assume, "refresh_token_of_(device|family)"},
		"session has not ended": {assume, "refresh_token_ended"},
	} {
		steps := plan(t, conn, c.st.text)
		assert.Regexp(t, `using `+c.index+`\b`, steps, name)
		assert.NotContains(t, steps, "Seq Scan", name)
		if !slices.Contains(sorted, c.st) {
			assert.NotContains(t, steps, "Sort", name)
		}
	}
}

// TestForeignKeysHaveIndexes requires an index that begins with the columns of every foreign key, so that looking for the rows that
// refer to one reads no whole table.
func TestForeignKeysHaveIndexes(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	conn, err := s.pool.Acquire(t.Context())
	require.NoError(t, err)
	defer conn.Release()
	var keys, without []string
	rows, err := conn.Query(context.WithoutCancel(t.Context()), `
		SELECT c.conrelid::regclass || ': ' || c.conname, EXISTS (
			SELECT 1 FROM pg_index i WHERE i.indrelid = c.conrelid AND (i.indkey::smallint[])[0:cardinality(c.conkey) - 1] @> c.conkey)
		FROM pg_constraint c WHERE c.contype = 'f'`)
	require.NoError(t, readAll(rows, err, func(row scanner) error {
		var key string
		var has bool
		err := row.Scan(&key, &has)
		keys = append(keys, key)
		if !has {
			without = append(without, key)
		}
		return err
	}))
	assert.Greater(t, len(keys), 20)
	// A table of which rows are never removed, nor given another id, is never looked through so.
	assert.ElementsMatch(t, []string{
		"delivery: delivery_household_learner_fkey",
	}, without)
}
