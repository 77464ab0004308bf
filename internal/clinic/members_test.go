package clinic

import (
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/assert"
)

// FuzzMembersOf holds the members that are read one by one to what the library makes of the whole.
func FuzzMembersOf(f *testing.F) {
	for _, sent := range []string{
		`{}`, ``, ` `, `null`, `[]`, `7`, `"kind"`, `{"kind":"try","body":{"ease":3,"snags":["water"]},"replaces":[]}`,
		`{"a":1,"a":2}`, `{"a":{"b":1,"b":2}}`, `{"a":1} `, `{"a":1}x`, `{"a":1}{}`, `{"a":1`, `{"a":1,}`, `{"a":}`, `{"a" 1}`, `{a:1}`,
		`{"a":1]`, "{\"\xff\":1}", "{\"a\":\"\xff\"}", `{"\u0061":1}`, `{ "a" : [ 1 , 2 ] }`, `{"a":01}`, `{"a":1e999}`, `{"":null}`,
	} {
		f.Add([]byte(sent))
	}
	f.Fuzz(func(t *testing.T, sent []byte) {
		before := string(sent)
		want := map[string]jsontext.Value{}
		if json.Unmarshal(sent, &want) != nil || want == nil {
			want = map[string]jsontext.Value{}
		}
		assert.Equal(t, want, membersOf(sent))
		assert.Equal(t, before, string(sent), "what was sent is only read")
	})
}

// TestPrivateWordsAreTakenOut however their name is written.
func TestPrivateWordsAreTakenOut(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ kind, body, want string }{
		{"try", `{"ease":3,"note":"ours"}`, `{"ease":3}`},
		{"try", `{"ease":3,"n\u006fte":"ours"}`, `{"ease":3}`},
		{"try", `{"ease":3,"note":"ours","note_shared":true}`, `{"ease":3,"note":"ours","note_shared":true}`},
		{"try", `{"ease":3,"reason":"theirs"}`, `{"ease":3,"reason":"theirs"}`},
		{"try", `{"ease": 3}`, `{"ease": 3}`},
		{"retract", `{"reason":"ours"}`, `{}`},
		{"retract", `{"\u0072eason":"ours"}`, `{}`},
	} {
		assert.Equal(t, c.want, string(withoutPrivateWords(jsontext.Value(c.body), `"`+c.kind+`"`)), c.body)
	}
}
