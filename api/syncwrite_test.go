package api

import (
	"reflect"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/served"
)

// fullSync is an answer with something in every place.
func fullSync() syncDoc {
	rev, device := int64(7), uuid.UUID{15: 2}
	problem := map[string]any{"status": 422, "errors": []string{"é"}, "detail": "a <b>"}
	return syncDoc{
		Results: []resultDoc{{ID: uuid.UUID{15: 1}, Status: "accepted", Rev: &rev, Problem: problem}},
		Changes: []entryDoc{{
			ID: uuid.UUID{15: 1}, Kind: jsontext.Value(`"try"`), Subject: jsontext.Value(`"\u0061"`), Replaces: jsontext.Value(`[ "x" ]`),
			Learner: jsontext.Value("null"), Recorded: jsontext.Value(`"2027"`), Body: jsontext.Value(`{"note":"Ü","ease":5.0}`),
			Sent: jsontext.Value(`{"a" :1,"a":2}`), Rev: 8, Status: "accepted", Author: served.Author{Role: "caregiver", ID: uuid.Max},
			Device: &device, Stamp: stampDoc{Received: "2027-03-01T22:00:00Z", OffsetMS: -5, Seal: "c2VhbA"}, Problem: problem,
			Effect: "none", Why: "It is \"quarantined\".",
		}},
		Cursor: "Y3Vyc29y", More: true, Head: 9, Epoch: uuid.UUID{15: 3}, ServerTime: "2027-03-01T22:00:00Z",
		Nights: []jsontext.Value{[]byte(`{"night":"2027-03-01"}`), []byte(`{"night":"2027-03-02"}`)}, Gone: []jsontext.Value{[]byte(`{}`)},
		Digest: "00",
	}
}

// eachMember calls look for every member of a document and of what is in it.
func eachMember(v reflect.Value, path string, look func(path string, member reflect.Value)) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			look(path+"."+v.Type().Field(i).Name, v.Field(i))
			eachMember(v.Field(i), path+"."+v.Type().Field(i).Name, look)
		}
	case reflect.Slice:
		if v.Len() > 0 && v.Index(0).Kind() == reflect.Struct {
			eachMember(v.Index(0), path, look)
		}
	}
}

// TestTheAnswerOfASyncWritesItselfToTheLetter compares it with what the general encoder makes of it: full, and with each member left
// out.
func TestTheAnswerOfASyncWritesItselfToTheLetter(t *testing.T) {
	t.Parallel()
	compare := func(t *testing.T, doc syncDoc, path string) {
		t.Helper()
		want, err := json.Marshal(doc, json.Deterministic(true), jsontext.AllowDuplicateNames(true))
		require.NoError(t, err, path)
		got, err := served.Encode(doc)
		require.NoError(t, err, path)
		assert.Equal(t, string(want), string(got), path)
	}
	doc := fullSync()
	compare(t, doc, "full")
	members := 0
	eachMember(reflect.ValueOf(&doc).Elem(), "", func(path string, member reflect.Value) {
		members++
		require.False(t, member.IsZero(), "nothing is said of %s", path)
		before := reflect.ValueOf(member.Interface())
		member.SetZero()
		compare(t, doc, path)
		member.Set(before)
	})
	assert.Greater(t, members, 30)
	compare(t, doc, "all put back")
}

// TestValuesAreJoinedInOneGo looks at the array and at how often room is made for it.
func TestValuesAreJoinedInOneGo(t *testing.T) {
	for want, values := range map[string][][]byte{"[]": nil, "[1]": {[]byte("1")}, `[{"a":1},2]`: {[]byte(`{"a":1}`), []byte("2")}} {
		assert.Equal(t, want, string(join(values)))
		assert.LessOrEqual(t, testing.AllocsPerRun(10, func() { join(values) }), 1.0, want)
	}
}
