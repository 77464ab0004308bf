package served_test

import (
	"cmp"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// unordered are the members whose order means nothing.
var unordered = []string{
	"marks", "positions", "sessions", "caregivers", "snags", "past_settlements", "excuses", "incidents", "hold", "without_effect",
}

// tell folds a household and returns what came of it as a case expects it: the documents as they are served, with labels in
// place of ids.
func (h *household) tell(t require.TestingT) document {
	view := practice.NewRecord(h.entries).Fold(h.learner, h.enrolments, h.contacts, h.at)
	told := document{"hold": []any{}, "without_effect": []any{}, "enrolments": document{}, "nights": []any{}}
	for i := range view.Programmes {
		p := &view.Programmes[i]
		nights := h.served(t, p, p.Nights)
		told["enrolments"].(document)[h.names.label(p.Enrolment.ID.UUID)] = nights
		if p == view.Current() {
			told["nights"] = nights
			told["streak"] = document{"current": p.Streak.Current, "longest": p.Streak.Longest}
		}
	}
	told["earlier"] = h.served(t, nil, view.Earlier)
	for _, incident := range view.Hold {
		told["hold"] = append(told["hold"].([]any), h.names.label(incident.Entry.UUID))
		delete(view.Idle, incident.Entry)
	}
	for id := range view.Idle {
		told["without_effect"] = append(told["without_effect"].([]any), h.names.label(id.UUID))
	}
	return told
}

// served returns nights as they are served, with labels in place of ids.
func (h *household) served(t require.TestingT, p *practice.Programme, nights []practice.NightView) []any {
	docs := make([]any, len(nights))
	for i := range nights {
		encoded, err := served.Encode(served.NightOf(h.learner, p, &nights[i]))
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(encoded, &docs[i]))
		docs[i] = h.names.labelled(docs[i])
	}
	return docs
}

// labelled returns a value with labels in place of ids.
func (n naming) labelled(value any) any {
	switch value := value.(type) {
	case string:
		if id, err := uuid.Parse(value); err == nil {
			return n.label(id)
		}
	case []any:
		for i := range value {
			value[i] = n.labelled(value[i])
		}
	case document:
		for name := range value {
			value[name] = n.labelled(value[name])
		}
	}
	return value
}

// asCompared returns what was told as a text that is the wanted one when the case holds. What a case doesn't say of the
// streak, of entries without effect and of other enrolments is not compared.
func (c *mergeCase) asCompared(t require.TestingT, told document) string {
	for _, name := range []string{"streak", "without_effect", "enrolments"} {
		if _, expected := c.Expect[name]; !expected {
			delete(told, name)
		}
	}
	if expected, ok := c.Expect["enrolments"].(document); ok {
		maps.DeleteFunc(told["enrolments"].(document), func(id string, _ any) bool {
			_, named := expected[id]
			return !named
		})
	}
	return written(t, told)
}

// written writes a value as JSON, a member to a line and what is unordered in order.
func written(t require.TestingT, value any) string {
	text, err := json.Marshal(inOrder(value), json.Deterministic(true), jsontext.Multiline(true))
	require.NoError(t, err)
	return string(text)
}

// inOrder returns a value with its unordered lists in an order of their own.
func inOrder(value any) any {
	switch value := value.(type) {
	case []any:
		ordered := make([]any, len(value))
		for i := range value {
			ordered[i] = inOrder(value[i])
		}
		return ordered
	case document:
		ordered := make(document, len(value))
		for name := range value {
			ordered[name] = inOrder(value[name])
			if list, ok := ordered[name].([]any); ok && slices.Contains(unordered, name) {
				slices.SortFunc(list, func(a, b any) int { return cmp.Compare(fmt.Sprint(a), fmt.Sprint(b)) })
			}
		}
		return ordered
	}
	return value
}

func TestMergeVectors(t *testing.T) {
	t.Parallel()
	for _, c := range mergeCases(t) {
		t.Run(c.File+": "+c.Name, func(t *testing.T) {
			t.Parallel()
			h := c.household(t, 0)
			require.Equal(t, c.want, c.asCompared(t, h.tell(t)), c.Why)
			for name, entries := range arrivals(h.entries) {
				h.entries = entries
				require.Equal(t, c.want, c.asCompared(t, h.tell(t)), name)
			}
		})
	}
}

// shuffles is in how many random orders each case is told.
const shuffles = 24

// arrivals returns the orders and repetitions in which the same entries may arrive.
func arrivals(entries []practice.Stamped) map[string][]practice.Stamped {
	reversed := slices.Clone(entries)
	slices.Reverse(reversed)
	all := map[string][]practice.Stamped{
		"reversed":   reversed,
		"each twice": slices.Concat(entries, entries),
	}
	for seed := range uint64(shuffles) {
		order := slices.Concat(entries, entries[:seed%uint64(len(entries)+1)])
		rand.New(rand.NewPCG(seed, 0)).Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		all[fmt.Sprintf("shuffled with seed %d", seed)] = order
	}
	return all
}

// fewestCases is how many cases the vectors have at least.
const fewestCases = 60

func TestMergeVectorsAreWellMade(t *testing.T) {
	t.Parallel()
	cases := mergeCases(t)
	assert.GreaterOrEqual(t, len(cases), fewestCases)
	readme, err := os.ReadFile(filepath.Join(mergeFolder, "README.md"))
	require.NoError(t, err)
	names, files := map[string]bool{}, map[string]int{}
	for _, c := range cases {
		assert.False(t, names[c.Name], "two cases are called %q", c.Name)
		names[c.Name] = true
		files[c.File]++
		assert.NotEmpty(t, c.Why, c.Name)
		assert.LessOrEqual(t, len(c.Entries), 8, c.Name)
		assert.Contains(t, c.Expect, "nights", c.Name)
		ids := map[string]bool{}
		for _, e := range c.Entries {
			id, _ := e["id"].(string)
			assert.True(t, isLabel(id) && !ids[id], "%s: %v is no label, or stands twice", c.Name, e["id"])
			ids[id] = true
		}
	}
	for file, count := range files {
		assert.Contains(t, string(readme), fmt.Sprintf("\n| `%s.json` | %d |", file, count))
	}
}

func TestIDsAreInTheOrderOfTheirLabels(t *testing.T) {
	t.Parallel()
	labels := []string{"a", "a1", "a10", "a2", "ab", "abcdef", "abcdefg", "abcdefgh", "b", "left1", "zzzzzzzzzzzzzz"}
	for i, label := range labels {
		id := naming(0).id(label)
		assert.True(t, isLabel(label))
		assert.Equal(t, label, naming(0).label(id))
		assert.Equal(t, uuid.Version(8), id.Version())
		assert.Equal(t, uuid.RFC4122, id.Variant())
		if i > 0 {
			assert.Less(t, naming(0).id(labels[i-1]).String(), id.String())
			assert.Greater(t, naming(0xff).id(labels[i-1]).String(), naming(0xff).id(label).String())
		}
	}
	assert.Equal(t, "6c656674-3100-8000-8000-000000000000", naming(0).id("left1").String())
}
