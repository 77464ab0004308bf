package door

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

func nested(depth int) string { return strings.Repeat("[", depth) + strings.Repeat("]", depth) }

func listed(element string, n int) string {
	return strings.TrimSuffix(strings.Repeat(element+",", n), ",")
}

// TestBeyond goes up to each bound, and one further.
func TestBeyond(t *testing.T) {
	t.Parallel()
	quotedOf := func(octets int) string { return `"` + strings.Repeat("x", octets-2) + `"` }
	for name, test := range map[string]struct{ within, beyond, at, detail string }{
		"depth":   {`{"a":` + nested(31) + `}`, `{"a":` + nested(32) + `}`, "/a/0/0/0", tooDeep},
		"objects": {strings.Repeat(`{"a":`, 32) + "1" + strings.Repeat("}", 32), strings.Repeat(`{"a":`, 33) + "1" + strings.Repeat("}", 33), "/a/a/a/a", tooDeep},
		"array":   {`{"a":[` + listed("1", 1000) + `]}`, `{"a":[` + listed("1", 1001) + `]}`, "/a/1000", tooMany},
		"arrays": {
			`{"a":[[` + listed("[]", 1000) + `],[` + listed("{}", 1000) + `]]}`,
			`{"a":[[` + listed("[]", 1000) + `],[` + listed(`{"b":[]}`, 1001) + `]]}`, "/a/1/1000", tooMany,
		},
		"members": {`{"a":{` + listed(`"b":1`, 1000) + `}}`, `{"a":{` + listed(`"b":1`, 1001) + `}}`, "/a/b", tooMany},
		"string":  {`{"a":` + quotedOf(32<<10) + `}`, `{"a":` + quotedOf(32<<10+1) + `}`, "/a", tooLong},
		"escapes": {
			`{"a":"` + strings.Repeat(`\"`, 16<<10-1) + `"}`, `{"a":"` + strings.Repeat(`\"`, 16<<10) + `"}`, "/a", tooLong,
		},
		"name":          {`{` + quotedOf(32<<10) + `:1}`, `{` + quotedOf(32<<10+1) + `:1}`, "", tooLong},
		"number":        {`{"a":[1, ` + strings.Repeat("9", 40) + `]}`, `{"a":[1, ` + strings.Repeat("9", 41) + `]}`, "/a/1", tooExact},
		"fraction":      {`[-0.` + strings.Repeat("0", 34) + `1e1]`, `[-0.` + strings.Repeat("0", 35) + `1e1]`, "/0", tooExact},
		"alone":         {strings.Repeat("1", 40), strings.Repeat("1", 41), "", tooExact},
		"strange names": {`{"` + "\u0007" + `":` + nested(31) + `}`, `{"\u0007":` + nested(32) + `}`, "", tooDeep},
		"in a string":   {`{"a":"` + strings.Repeat("[", 2000) + strings.Repeat("9,", 2000) + `"}`, nested(33), "/0/0/0/0", tooDeep},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, beyond := Beyond([]byte(test.within))
			assert.False(t, beyond)
			flaw, beyond := Beyond([]byte(test.beyond))
			require.True(t, beyond)
			assert.Equal(t, Flaw{Pointer: test.at, Detail: test.detail}, flaw)
		})
	}
}

// TestEntriesBeyondBounds keeps such entries back, of kinds and schemas that are not known yet too: what is parked is handed on.
func TestEntriesBeyondBounds(t *testing.T) {
	t.Parallel()
	unheardOf := func(body string) []byte {
		return []byte(entryOf("hum", body))
	}
	for _, schema := range []int{1, 2} {
		o := Examine(unheardOf(`{"a":`+nested(30)+`}`), schema, practice.Caregiver)
		assert.Equal(t, practice.Parked, o.Status)
		assert.Empty(t, o.Flaws)
		o = Examine(unheardOf(`{"a":`+nested(31)+`}`), schema, practice.Caregiver)
		assert.Equal(t, practice.Quarantined, o.Status)
		assert.Contains(t, o.Flaws, Flaw{Pointer: "/body/a/0/0", Detail: tooDeep})
		assert.Equal(t, practice.Quarantined, Examine(o.Sent, schema, practice.Caregiver).Status, "read again it is the same")
	}
	long := strings.Replace(entryOf(practice.KindTry, bodies[practice.KindTry]), `"number":2`, `"number":2.`+strings.Repeat("0", 100), 1)
	o := Examine([]byte(long), 1, practice.Caregiver)
	assert.Equal(t, practice.Quarantined, o.Status)
	assert.Equal(t, []Flaw{{Pointer: "/body/number", Detail: tooExact}}, o.Flaws)
	note := strings.Replace(entryOf(practice.KindTry, bodies[practice.KindTry]), `"well"`, `"`+strings.Repeat(`\ud83d\ude42`, 2000)+`"`, 1)
	assert.Equal(t, practice.Accepted, Examine([]byte(note), 1, practice.Caregiver).Status, "the longest note, written as long as can be")
}
