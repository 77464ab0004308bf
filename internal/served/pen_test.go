package served_test

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/served"
)

// general is how documents are encoded that do not write themselves.
func general(document any) ([]byte, error) {
	return json.Marshal(document, json.Deterministic(true), jsontext.AllowDuplicateNames(true))
}

var (
	drawnTexts  = []string{"", "left", "Ü\u2028", "say \"no\"\n", `back\slash`, "<a&b>", "\x00\x7f", "🐦"}
	drawnFloats = []float64{0, math.Copysign(0, -1), 6, -6, 5.5, 1e-7, 1 << 53, 1<<53 - 1, 1e21, math.MaxFloat64}
)

// fill puts something drawn in every place of a value, lists of up to two and now and then nothing.
func fill(random *rand.Rand, v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(drawnTexts[random.IntN(len(drawnTexts))])
	case reflect.Bool:
		v.SetBool(random.IntN(2) > 0)
	case reflect.Int, reflect.Int8, reflect.Int64:
		v.SetInt(int64(random.IntN(4) - 1))
	case reflect.Uint8:
		v.SetUint(uint64(random.IntN(256)))
	case reflect.Float64:
		v.SetFloat(drawnFloats[random.IntN(len(drawnFloats))])
	case reflect.Pointer:
		v.SetZero()
		if random.IntN(3) > 0 {
			v.Set(reflect.New(v.Type().Elem()))
			fill(random, v.Elem())
		}
	case reflect.Slice:
		v.SetZero()
		if n := random.IntN(4) - 1; n >= 0 {
			v.Set(reflect.MakeSlice(v.Type(), n, n))
		}
		fillEach(random, v)
	case reflect.Array:
		fillEach(random, v)
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		for _, key := range []string{"up", "left", "centre"}[random.IntN(4):] {
			value := reflect.New(v.Type().Elem()).Elem()
			fill(random, value)
			v.SetMapIndex(reflect.ValueOf(key).Convert(v.Type().Key()), value)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			fill(random, v.Field(i))
		}
	default:
		panic("nothing is known of " + v.Type().String())
	}
}

func fillEach(random *rand.Rand, v reflect.Value) {
	for i := range v.Len() {
		fill(random, v.Index(i))
	}
}

// TestDocumentsWriteThemselvesToTheLetter compares them with what the general encoder makes of the same.
func TestDocumentsWriteThemselvesToTheLetter(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(1, 2))
	for _, document := range []served.Writer{&served.Night{}, &served.RosterLine{}} {
		for range 500 {
			v := reflect.ValueOf(document).Elem()
			fill(random, v)
			want, err := general(v.Interface())
			require.NoError(t, err)
			got, err := served.Encode(v.Interface())
			require.NoError(t, err)
			require.Equal(t, string(want), string(got))
		}
	}
}

func TestWhatCantBeJSONIsToldOfByAPenToo(t *testing.T) {
	t.Parallel()
	for _, document := range []any{
		served.RosterLine{Status: "\xff"},
		served.Night{Sittings: []served.Sitting{{Tries: []served.Try{{SizeMM: math.NaN()}}}}},
		served.Night{Sittings: []served.Sitting{{Tries: []served.Try{{SizeMM: math.Inf(1)}}}}},
	} {
		_, want := general(document)
		require.Error(t, want)
		_, err := served.Encode(document)
		require.Error(t, err)
	}
	encoded, err := served.Encode(served.GoneNight{})
	require.NoError(t, err)
	assert.Equal(t, `{"learner_id":"`+uuid.Nil.String()+`","night":""}`, string(encoded), "and of no document after it")
}

// rawDocument holds a value that is JSON already.
type rawDocument struct {
	Value jsontext.Value `json:"value"`
}

func (d rawDocument) WriteJSON(p *served.Pen) {
	p.Open('{')
	p.Name("value").Raw(d.Value)
	p.Close('}')
}

// FuzzRaw: what is JSON already is written as the general encoder writes it.
func FuzzRaw(f *testing.F) {
	for _, seed := range []string{
		"", "null", `"a b"`, `"\u0041\n"`, `"\\" `, `{"a" : [1, 2.50, -0, 1E3]}`, `{"a":1,"a":2}`, `"é"`, "\"\xff\"", "\t[]", `"\ud800"`,
		`{"position":"left","snags":["water"],"note":"he said \"no\""}`, "\"\x7f<&>\"", `["]",1]`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		document := rawDocument{Value: raw}
		want, err := general(struct {
			Value jsontext.Value `json:"value"`
		}(document))
		got, told := served.Encode(document)
		if err != nil {
			// Of what is no JSON nothing is promised, except that bad UTF-8 is told of.
			assert.True(t, told != nil || isASCII(raw))
			return
		}
		require.NoError(t, told)
		assert.Equal(t, string(want), string(got))
	})
}

func isASCII(raw []byte) bool {
	for _, c := range raw {
		if c > 0x7f {
			return false
		}
	}
	return true
}
