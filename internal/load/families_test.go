package load

import (
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestOfAnAnswerResultsAndCursorAreRead compares what is read of an answer with what the general decoder finds in it.
func TestOfAnAnswerResultsAndCursorAreRead(t *testing.T) {
	t.Parallel()
	const results = `{"results":[{"id":"00000000-0000-0000-0000-000000000001","status":"accepted","rev":1,"problem":null},` +
		`{"id":"00000000-0000-0000-0000-000000000002","status":"duplicate","rev":2,"problem":{"title":"\",\"cursor\":\"no"}}]`
	for name, answer := range map[string]string{
		"ours":                  results + `,"changes":[{"body":{"note":",\"cursor\":\"neither"}}],"cursor":"Y3Vyc29y","more":false,"nights":[]}`,
		"of a revoked device":   results + `}`,
		"no cursor":             results + `,"cursor":null,"more":false}`,
		"in another order":      `{"cursor":"Y3Vyc29y",` + results[1:] + `}`,
		"with white space":      `{ "results" : [], "cursor" : "Y3Vyc29y" }`,
		"nothing was handed in": `{"results":[],"changes":[],"cursor":"Y3Vyc29y"}`,
	} {
		var want, got handedIn
		require.NoError(t, json.Unmarshal([]byte(answer), &want), name)
		require.NoError(t, got.read([]byte(answer)), name)
		assert.Equal(t, want, got, name)
	}
	var got handedIn
	require.NoError(t, got.read([]byte(results+`}`)))
	assert.Equal(t, uuid.UUID{15: 2}, got.Results[1].ID)
}

// TestABrokenAnswerIsNotRead takes answers that say nothing, or break off.
func TestABrokenAnswerIsNotRead(t *testing.T) {
	t.Parallel()
	for _, answer := range []string{
		"", "null?", "[]", `{"results":`, `{"results":[{"id":"00000000-0000-0000-0000-000000000001"`, `{"results":{}}`,
		`{"results":[{"id":"first"}]}`, `{"results":[],"cursor":"Y3Vyc`,
	} {
		var got handedIn
		assert.Error(t, decode([]byte(answer), &got), answer)
	}
}
