package door

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"swallowtail/internal/practice"
)

// checkAlways holds what is true of every examination, whatever is examined.
func checkAlways(t require.TestingT, raw []byte, schema int, role practice.Role) {
	o := Examine(raw, schema, role)
	require.Contains(t, []practice.Status{practice.Accepted, practice.Quarantined, practice.Parked}, o.Status)
	require.NotZero(t, o.Entry.ID)
	require.Equal(t, o.Status == practice.Quarantined, len(o.Flaws) > 0)
	require.LessOrEqual(t, len(o.Flaws), maxFlaws+1)
	require.Equal(t, o.Status == practice.Accepted, o.Entry.Body != nil)
	require.NotContains(t, o.Entry.Replaces, practice.EntryID{})
	if o.Status == practice.Accepted {
		checkAccepted(t, o)
	}
	checkPointers(t, raw, o.Flaws)
	checkPlain(t, raw)
	checkIncident(t, raw, o)
	checkRespelt(t, raw, schema, role, o)

	again := Examine(o.Sent, schema, role)
	if jsontext.Value(raw).IsValid(lenient...) {
		require.Nil(t, again.Stamp)
	}
	again.Stamp, again.Reading = o.Stamp, o.Reading
	require.Equal(t, o, again, "what was sent is examined alike")

	reread := Reread(o.Sent, schema, role)
	require.Equal(t, Reading{
		Entry: o.Entry, MayBeIncident: o.MayBeIncident, Flawed: o.Status == practice.Quarantined, Members: membersOf(t, o),
	}, reread)
	require.Equal(t, bytes.Equal(raw, o.Sent), o.Reading != nil)
	if o.Reading != nil {
		require.Equal(t, reread, *o.Reading, "what was examined is not read otherwise")
	}
}

// membersOf returns what the JSON package finds in an accepted entry.
func membersOf(t require.TestingT, o Offered) (m Members) {
	if o.Status != practice.Accepted {
		return m
	}
	var all map[string]jsontext.Value
	require.NoError(t, json.Unmarshal(o.Sent, &all))
	return Members{all["kind"], all["subject"], all["replaces"], all["learner_id"], all["recorded_at"], all["body"]}
}

// checkAccepted holds an accepted entry to the strictness of the JSON package, which finds its faults in another way.
func checkAccepted(t require.TestingT, o Offered) {
	require.False(t, o.MayBeIncident)
	require.True(t, jsontext.Value(o.Sent).IsValid())
	require.NotContains(t, string(o.Sent), `\u0000`)
	require.Equal(t, o.Kind, string(o.Entry.Body.Kind()))
	require.NotZero(t, o.Entry.Subject)
	require.NotZero(t, o.Entry.Learner)
	checkMeaning(t, o.Sent, o.Entry)
}

// checkPointers looks for what the flaws point at, or for what that should be in.
func checkPointers(t require.TestingT, raw []byte, flaws []Flaw) {
	places := map[jsontext.Pointer]bool{"": true}
	const deepest = 4 // levels, beyond which nothing is pointed at
	for d := jsontext.NewDecoder(bytes.NewReader(raw), lenient...); ; {
		if _, err := d.ReadToken(); err != nil {
			break
		}
		if d.StackDepth() <= deepest {
			places[d.StackPointer()] = true
		}
	}
	for _, f := range flaws {
		at := jsontext.Pointer(f.Pointer)
		require.True(t, at.IsValid())
		require.True(t, places[at] || places[at.Parent()], "%q points at nothing", f.Pointer)
		require.NotEmpty(t, f.Detail)
	}
}

// seeds returns all the entries that other tests examine.
func seeds(t testing.TB) [][]byte {
	t.Helper()
	var all [][]byte
	for kind, body := range bodies {
		all = append(all, []byte(entryOf(kind, body)))
	}
	for _, c := range flawed {
		all = append(all, []byte(strings.Replace(entryOf(c.kind, bodies[c.kind]), c.old, c.new, 1)))
	}
	files, err := filepath.Glob("testdata/*.txt")
	require.NoError(t, err)
	for _, file := range files {
		content, err := os.ReadFile(file)
		require.NoError(t, err)
		for _, part := range strings.Split(string(content), "\n\n"+caseMark) {
			_, rest, _ := strings.Cut(part, "\n")
			input, _, _ := strings.Cut(rest, saysMark)
			all = append(all, []byte(input))
		}
	}
	return all
}

func TestWhatIsAlwaysTrue(t *testing.T) {
	t.Parallel()
	for _, raw := range seeds(t) {
		for _, schema := range []int{-1, 0, 1, 2} {
			for _, role := range []practice.Role{0, practice.Caregiver, practice.Clinician} {
				checkAlways(t, raw, schema, role)
			}
		}
	}
}

func TestWhatIsAlwaysTrueOfHugeEntries(t *testing.T) {
	t.Parallel()
	const many = 50_000
	in := func(old, huge string) []byte {
		return []byte(strings.Replace(entryOf(practice.KindTry, bodies[practice.KindTry]), old, huge, 1))
	}
	for name, raw := range map[string][]byte{
		"members":       in(`"number":2`, strings.Repeat(`"number":2,`, many)+`"number":2`),
		"new members":   in(`"number":2`, strings.Repeat(`"x":2,`, many)+`"number":2`),
		"snags":         in(`"gag"`, strings.Repeat(`"gag",`, many)+`"gag"`),
		"a note":        in(`"well"`, `"`+strings.Repeat(`\u00e9`, many)+`"`),
		"a number":      in(`"number":2`, `"number":`+strings.Repeat("9", many)),
		"a name":        in(`"number":2`, `"`+strings.Repeat("n", many)+`":2`),
		"an exponent":   in(`"number":2`, `"number":1e`+strings.Repeat("9", many)),
		"a deep body":   in(`"number":2`, `"number":`+strings.Repeat("[", 5000)+strings.Repeat("]", 5000)),
		"too deep":      in(`"number":2`, `"number":`+strings.Repeat("[", many)+strings.Repeat("]", many)),
		"only brackets": []byte(strings.Repeat("[", many)),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			checkAlways(t, raw, 1, practice.Caregiver)
			o := Examine(raw, 1, practice.Caregiver)
			assert.Equal(t, practice.Quarantined, o.Status)
		})
	}
}

// splices are what a careless client might write somewhere.
var splices = []string{
	`"`, `{`, `}`, `[`, `]`, `,`, `:`, `null`, `true`, `0`, `-1`, `1e999`, `6.0`, `"x"`, `{}`, `[]`,
	"\xff", `\u0000`, `\ud800`, `\"`, "\n",
	`"id":7,`, `"kind":"incident",`, `"stamp":{},`, `"ease":null,`, `"Kind":`,
	`"stamp":{"received_at":"2027-03-02T23:50:01Z","clock_offset_ms":0,"seal":"Yk3q"},`,
}

func TestWhatIsAlwaysTrueOfBrokenEntries(t *testing.T) {
	t.Parallel()
	originals := seeds(t)
	rapid.Check(t, func(t *rapid.T) {
		raw := bytes.Clone(rapid.SampledFrom(originals).Draw(t, "entry"))
		for range rapid.IntRange(1, 4).Draw(t, "changes") {
			from := rapid.IntRange(0, len(raw)).Draw(t, "from")
			to := min(len(raw), from+rapid.IntRange(0, 8).Draw(t, "length"))
			raw = slices.Replace(raw, from, to, []byte(rapid.SampledFrom(splices).Draw(t, "splice"))...)
		}
		checkAlways(t, raw, rapid.IntRange(1, 2).Draw(t, "schema"), practice.Role(rapid.IntRange(0, 2).Draw(t, "role")))
	})
}

func TestOrderAndSpaceDoNotMatter(t *testing.T) {
	t.Parallel()
	kinds := make([]practice.Kind, len(specs))
	for i := range specs {
		kinds[i] = specs[i].kind
	}
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom(kinds).Draw(t, "kind")
		entry := entryOf(kind, bodies[kind])
		other := shuffled(t, entry)
		a := Examine([]byte(entry), 1, authorOf(kind))
		b := Examine([]byte(other), 1, authorOf(kind))
		require.Equal(t, practice.Accepted, b.Status, other)
		require.Equal(t, a.Entry, b.Entry)
		require.Equal(t, a.Content, b.Content)
	})
}

// shuffled returns a JSON object with its members, and those of objects directly in it, in another order and spacing.
func shuffled(t *rapid.T, object string) string {
	var members map[string]json.RawMessage
	require.NoError(t, json.Unmarshal([]byte(object), &members))
	names := make([]string, 0, len(members))
	for name := range members {
		names = append(names, name)
	}
	slices.Sort(names)
	space := func() string { return rapid.SampledFrom([]string{"", " ", "\n\t", " \r\n "}).Draw(t, "space") }
	written := make([]string, len(names))
	for i, name := range rapid.Permutation(names).Draw(t, "order") {
		value := string(members[name])
		if value[0] == '{' {
			value = shuffled(t, value)
		}
		written[i] = space() + `"` + name + `"` + space() + ":" + space() + value + space()
	}
	return "{" + strings.Join(written, ",") + "}" + space()
}
