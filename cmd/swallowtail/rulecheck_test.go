package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestRuleCheck(t *testing.T) {
	t.Parallel()
	got := execute(t, "rule-check")
	require.NoError(t, got.err)
	assert.Contains(t, got.out, "9 of 10 tries swallowed")
	assert.Contains(t, got.out, "looked at after 10 and 14.")
	// One try a night, nights 5 to 14, at a true rate of 70 %: the published table has 14.9 and 59.
	assert.Regexp(t, `(?m)^ *70 % +14\.9 % .* 55\.\d %$`, strings.ReplaceAll(got.out, " \n", "\n"))
	assert.Contains(t, got.out, "None of this is clinically validated")
}

func TestRuleCheckOfAPlan(t *testing.T) {
	t.Parallel()
	plan := func(text string) string {
		path := filepath.Join(t.TempDir(), "plan.json")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	strict := execute(t, "rule-check", "--plan", plan(`{"nights":20,"success_tries":14,"success_look_every":6,"success_probability":0.9}`))
	require.NoError(t, strict.err)
	assert.Contains(t, strict.out, "13 of 14 tries swallowed")
	assert.Contains(t, strict.out, "for 20 nights, looked at after 14 and 20.")
	short := execute(t, "rule-check", "--plan", plan(`{"nights":3}`))
	require.NoError(t, short.err)
	assert.Contains(t, short.out, "too few nights for any look")
	assert.Regexp(t, `50 % +0\.0 % +100\.0 %`, short.out)
	for text, want := range map[string]string{
		`{"success_tries":17}`: "/parameters/success_tries", `{"Success_tries":7}`: "Success_tries", `[]`: "plan", `{`: "plan",
		`{"nights":1}{}`: "plan", `{"success_rate":"high"}`: "plan", strings.Repeat(" ", mostPlan+1): "no plan",
	} {
		refused := execute(t, "rule-check", "--plan", plan(text))
		require.ErrorContains(t, refused.err, want, text[:min(len(text), 40)])
		assert.Empty(t, refused.out)
	}
	require.Error(t, execute(t, "rule-check", "--plan", filepath.Join(t.TempDir(), "none.json")).err)
}
