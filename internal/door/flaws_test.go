package door

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

var long = strings.Repeat("é", 2001)

// flawed lists changes to an entry of each kind, each of which leaves exactly one thing to mend, and where.
var flawed = []struct {
	kind              practice.Kind
	old, new, pointer string
}{
	{"session", `"practised_at":"2027-03-02T19:38:00-04:00",`, ``, "/body/practised_at"},
	{"session", `"2027-03-02T19:38:00-04:00"`, `"2027-03-02T19:38:00"`, "/body/practised_at"},
	{"session", `"2027-03-02T19:38:00-04:00"`, `"2027-02-29T19:38:00-04:00"`, "/body/practised_at"},
	{"session", `"2027-03-02T19:38:00-04:00"`, `1803944280`, "/body/practised_at"},
	{"session", `"timezone":"America/Halifax",`, ``, "/body/timezone"},
	{"session", `"America/Halifax"`, `"America/Nowhere"`, "/body/timezone"},
	{"session", `"America/Halifax"`, `"Local"`, "/body/timezone"},
	{"session", `"America/Halifax"`, `""`, "/body/timezone"},
	{"session", `"America/Halifax"`, `"../../America/Halifax"`, "/body/timezone"},
	{"session", `"America/Halifax"`, `"` + strings.Repeat("a/", 40) + `"`, "/body/timezone"},
	{"session", `"America/Halifax"`, `null`, "/body/timezone"},
	{"session", `"clinic"`, `"school"`, "/body/setting"},
	{"session", `"clinic"`, `"Clinic"`, "/body/setting"},
	{"session", `"clinic"`, `null`, "/body/setting"},
	{"session", `"tired"`, `null`, "/body/note"},
	{"session", `"tired"`, `["tired"]`, "/body/note"},
	{"session", `"tired"`, `"` + long + `"`, "/body/note"},
	{"session", `true`, `"true"`, "/body/note_shared"},
	{"session", `true`, `null`, "/body/note_shared"},
	{"session", `true`, `true,"witness":"` + idOf(9) + `"`, "/body/witness"},
	{"session", `true`, `true,"witness":null`, "/body/witness"},

	{"try", `"session":"` + idOf(5) + `",`, ``, "/body/session"},
	{"try", `"` + idOf(5) + `"`, `null`, "/body/session"},
	{"try", idOf(5), uuid.Nil.String(), "/body/session"},
	{"try", `"left"`, `"middle"`, "/body/position"},
	{"try", `"left"`, `"LEFT"`, "/body/position"},
	{"try", `"left"`, `["left"]`, "/body/position"},
	{"try", `"position":"left",`, ``, "/body/position"},
	{"try", `"number":2,`, ``, "/body/number"},
	{"try", `"number":2`, `"number":0`, "/body/number"},
	{"try", `"number":2`, `"number":100`, "/body/number"},
	{"try", `"number":2`, `"number":-1`, "/body/number"},
	{"try", `"number":2`, `"number":1.5`, "/body/number"},
	{"try", `"number":2`, `"number":1e400`, "/body/number"},
	{"try", `"number":2`, `"number":"2"`, "/body/number"},
	{"try", `"sweet"`, `"candy"`, "/body/medium"},
	{"try", `"medium":"sweet",`, ``, "/body/medium"},
	{"try", `6.5`, `0`, "/body/size_mm"},
	{"try", `6.5`, `-0.0`, "/body/size_mm"},
	{"try", `6.5`, `-6.5`, "/body/size_mm"},
	{"try", `6.5`, `60.001`, "/body/size_mm"},
	{"try", `6.5`, `"6.5"`, "/body/size_mm"},
	{"try", `"outcome":"swallowed",`, ``, "/body/outcome"},
	{"try", `"swallowed"`, `"spat"`, "/body/outcome"},
	{"try", `"swallowed"`, `"refused"`, "/body/ease"},
	{"try", `"ease":4,`, ``, "/body/ease"},
	{"try", `"ease":4`, `"ease":null`, "/body/ease"},
	{"try", `"ease":4`, `"ease":0`, "/body/ease"},
	{"try", `"ease":4`, `"ease":6`, "/body/ease"},
	{"try", `"ease":4`, `"ease":3.5`, "/body/ease"},
	{"try", `"ease":4`, `"ease":true`, "/body/ease"},
	{"try", `"outcome":"swallowed","ease":4`, `"outcome":"refused","ease":0`, "/body/ease"},
	{"try", `["water","gag"]`, `null`, "/body/snags"},
	{"try", `["water","gag"]`, `"water"`, "/body/snags"},
	{"try", `["water","gag"]`, `["water","gag","water"]`, "/body/snags/2"},
	{"try", `["water","gag"]`, `["water","hiccup"]`, "/body/snags/1"},
	{"try", `["water","gag"]`, `[["water"]]`, "/body/snags/0"},
	{
		"try", `["water","gag"]`,
		`["posture","placement","water","gag","chewed","spat_out","fear","taste","other","water"]`, "/body/snags",
	},
	{"try", `"well"`, `"` + long + `"`, "/body/note"},
	{"try", `"well"`, `"we\u0000ll"`, "/body/note"},
	{"try", `"well"`, "\"we\xffll\"", "/body/note"},
	{"try", `"well"`, `"we\ud800ll"`, "/body/note"},
	{"try", `"well"`, `false`, "/body/note"},
	{"try", `"number":2`, `"number":2,"number":2`, "/body/number"},
	{"try", `"number":2`, `"number":2,"n\u0075mber":3`, "/body/number"},
	{"try", `"number":2`, `"number":2,"Number":3`, "/body/Number"},
	{"try", `"number":2`, `"number":2," number":3`, "/body/ number"},
	{"try", `"number":2`, `"number":2,"author":"somebody"`, "/body/author"},
	{"try", `"number":2`, `"number":2,"a/b~c":{"d":[1,{}]}`, "/body/a~1b~0c"},
	{"try", `"number":2`, `"number":2,"":0`, "/body/"},
	{"try", `"number":2`, `"number":2,"` + strings.Repeat("n", 65) + `":0`, "/body"},
	{"try", `"number":2`, `"number":2,"a\u0000b":0`, "/body"},
	{"try", `"number":2`, "\"number\":2,\"a\xffb\":0", "/body"},
	{"try", `"number":2`, `"number":2,"a\udc00b":0`, "/body"},

	{"excuse", `"night":"2027-03-03",`, ``, "/body/night"},
	{"excuse", `"2027-03-03"`, `"2027-02-30"`, "/body/night"},
	{"excuse", `"2027-03-03"`, `"2027-3-3"`, "/body/night"},
	{"excuse", `"2027-03-03"`, `"2027-03-03T00:00:00Z"`, "/body/night"},
	{"excuse", `"2027-03-03"`, `20270303`, "/body/night"},
	{"excuse", `,"reason":"travel"`, ``, "/body/reason"},
	{"excuse", `"travel"`, `"holiday"`, "/body/reason"},

	{"incident", `"` + idOf(5) + `"`, `"the evening one"`, "/body/session"},
	{"incident", `"` + idOf(5) + `"`, `5`, "/body/session"},
	{"incident", `"what":"coughing_fit",`, ``, "/body/what"},
	{"incident", `"coughing_fit"`, `"cough"`, "/body/what"},
	{"incident", `"at the end"`, `"` + long + `"`, "/body/note"},

	{"retract", `"wrong child"`, `null`, "/body/reason"},
	{"retract", `"wrong child"`, `"` + long + `"`, "/body/reason"},
	{"retract", `["` + idOf(4) + `"]`, `[]`, "/replaces"},
	{"retract", `"replaces":["` + idOf(4) + `"],`, ``, "/replaces"},

	{"link", `"` + idOf(5) + `","` + idOf(6) + `"`, `"` + idOf(5) + `"`, "/body/sessions"},
	{"link", `"` + idOf(5) + `","` + idOf(6) + `"`, ids(21), "/body/sessions"},
	{"link", idOf(6), idOf(5), "/body/sessions/1"},
	{"link", `"` + idOf(6) + `"`, `6`, "/body/sessions/1"},
	{"link", `true`, `1`, "/body/same"},
	{"link", `,"same":true`, ``, "/body/same"},

	{"settle", `"` + idOf(5) + `","` + idOf(6) + `"`, ``, "/body/judged"},
	{"settle", `"` + idOf(5) + `","` + idOf(6) + `"`, ids(51), "/body/judged"},
	{"settle", idOf(6), idOf(5), "/body/judged/1"},
	{"settle", `"not_swallowed"`, `"refused"`, "/body/ease"},
	{"settle", `"ease":2,`, ``, "/body/ease"},
	{"settle", `"outcome":"not_swallowed",`, ``, "/body/outcome"},
	{"settle", `"saw it"`, `7`, "/body/reason"},

	{"clear", `"` + idOf(5) + `","` + idOf(6) + `"`, ``, "/body/incidents"},
	{"clear", `"` + idOf(5) + `","` + idOf(6) + `"`, ids(101), "/body/incidents"},
	{"clear", idOf(6), idOf(5), "/body/incidents/1"},
	{"clear", `"seen today"`, `"` + long + `"`, "/body/note"},

	{"choose", `"down"`, `"backwards"`, "/body/position"},
	{"choose", `"position":"down"`, ``, "/body/position"},

	{"positions", `["up","down"]`, `["up","up"]`, "/body/off/1"},
	{"positions", `["up","down"]`, `["up","north"]`, "/body/off/1"},
	{"positions", `["up","down"]`, `"up"`, "/body/off"},
	{"positions", `"off":["up","down"],`, ``, "/body/off"},
	{"positions", `,"from":"2027-03-05"`, ``, "/body/from"},
	{"positions", `"2027-03-05"`, `null`, "/body/from"},

	{"review", `"` + idOf(5) + `"`, `"` + idOf(5)[1:] + `"`, "/body/entry"},
	{"review", `,"take":true`, ``, "/body/take"},
	{"review", `true`, `"yes"`, "/body/take"},

	{"excuse", `"id":"` + idOf(1) + `",`, ``, "/id"},
	{"excuse", `"` + idOf(1) + `"`, `"{` + idOf(1) + `}"`, "/id"},
	{"excuse", `"` + idOf(1) + `"`, `"urn:uuid:` + idOf(1) + `"`, "/id"},
	{"excuse", `"` + idOf(1) + `"`, `"` + strings.ReplaceAll(idOf(1), "-", "") + `"`, "/id"},
	{"excuse", `"` + idOf(1) + `"`, `"` + strings.Replace(idOf(1), "7", "g", 1) + `"`, "/id"},
	{"excuse", idOf(1), uuid.Nil.String(), "/id"},
	{"excuse", idOf(1), idOf(1) + `","id":"` + idOf(1), "/id"},
	{"excuse", `"subject":"` + idOf(2) + `",`, ``, "/subject"},
	{"excuse", `"` + idOf(2) + `"`, `{}`, "/subject"},
	{"excuse", `"learner_id":"` + idOf(3) + `",`, ``, "/learner_id"},
	{"excuse", `"` + idOf(3) + `"`, `"Ada"`, "/learner_id"},
	{"excuse", `"replaces":[],`, ``, "/replaces"},
	{"excuse", `[]`, `null`, "/replaces"},
	{"excuse", `[]`, `[` + ids(101) + `]`, "/replaces"},
	{"excuse", `[]`, `["` + idOf(5) + `","` + idOf(5) + `"]`, "/replaces/1"},
	{"excuse", `[]`, `["` + idOf(5) + `",null]`, "/replaces/1"},
	{"excuse", `[]`, `["` + idOf(5) + `","` + idOf(1) + `"]`, "/replaces/1"},
	{"excuse", `"recorded_at":"2027-03-02T19:42:10-04:00",`, ``, "/recorded_at"},
	{"excuse", `"2027-03-02T19:42:10-04:00"`, `"2027-03-02 19:42:10-04:00"`, "/recorded_at"},
	{"excuse", `,"body":{"night":"2027-03-03","reason":"travel"}`, ``, "/body"},
	{"excuse", `{"night":"2027-03-03","reason":"travel"}`, `[]`, "/body"},
	{"excuse", `{"night":"2027-03-03","reason":"travel"}`, `null`, "/body"},
	{"excuse", `"excuse"`, `"Excuse"`, "/kind"},
	{"excuse", `"excuse"`, `" excuse\n"`, "/kind"},
	{"excuse", `"replaces":[]`, `"replaces":[],"Stamp":{}`, "/Stamp"},
	{"excuse", `"replaces":[]`, `"replaces":[],"author":"` + idOf(9) + `"`, "/author"},
}

// ids returns a number of ids as they stand in an array.
func ids(count int) string {
	list := make([]string, count)
	for i := range list {
		list[i] = `"` + idOf(5+i) + `"`
	}
	return strings.Join(list, ",")
}

func TestEachFlawIsTold(t *testing.T) {
	t.Parallel()
	for _, c := range flawed {
		entry := entryOf(c.kind, bodies[c.kind])
		t.Run(string(c.kind)+" "+c.pointer, func(t *testing.T) {
			t.Parallel()
			require.Contains(t, entry, c.old)
			raw := strings.Replace(entry, c.old, c.new, 1)
			o := Examine([]byte(raw), 1, authorOf(c.kind))
			require.Len(t, o.Flaws, 1, raw)
			assert.Equal(t, c.pointer, o.Flaws[0].Pointer)
			assert.Equal(t, practice.Quarantined, o.Status)
			assert.Nil(t, o.Entry.Body)
			assert.Equal(t, c.kind == practice.KindIncident, o.MayBeIncident)
			assert.Less(t, len(o.Flaws[0].Detail), 200)
		})
	}
}

func TestFlawsAreCountedBeyondTheFiftieth(t *testing.T) {
	t.Parallel()
	members := strings.Repeat(`"x":0,`, 51)
	entry := entryOf(practice.KindChoose, strings.Replace(bodies[practice.KindChoose], "{", "{"+members, 1))
	o := Examine([]byte(entry), 1, practice.Clinician)
	require.Len(t, o.Flaws, 51)
	assert.Equal(t, "/body/x", o.Flaws[49].Pointer)
	assert.Equal(t, Flaw{Pointer: "", Detail: "Mend 1 more that are not listed."}, o.Flaws[50])
}

func TestNothingSentIsRepeated(t *testing.T) {
	t.Parallel()
	const secret = "Zebedee choked"
	for kind, body := range bodies {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			for _, instead := range []any{secret, []any{secret}, map[string]any{"x": secret}} {
				var head, inner map[string]any
				require.NoError(t, json.Unmarshal([]byte(entryOf(kind, body)), &head))
				require.NoError(t, json.Unmarshal([]byte(body), &inner))
				for name := range inner {
					inner[name] = instead
				}
				for name := range head {
					if name != "kind" {
						head[name] = instead
					}
				}
				head["body"] = inner
				raw, err := json.Marshal(head)
				require.NoError(t, err)

				flaws := Examine(raw, 1, practice.Caregiver).Flaws
				assert.GreaterOrEqual(t, len(flaws), 5)
				for _, f := range flaws {
					assert.NotContains(t, f.Pointer+f.Detail, "Zebedee")
				}
			}
		})
	}
}
