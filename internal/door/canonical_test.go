package door

import (
	"bytes"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestCanonicalExamplesOfTheStandard(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ in, want string }{
		"RFC 8785, section 3.2.2 and 3.2.3, primitive types and sorting": {
			`{
				"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
				"string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
				"literals": [null, true, false]
			}`,
			`{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],` +
				`"string":"€$\u000f\nA'B\"\\\\\"/"}`,
		},
		"RFC 8785, section 3.2.3, sorting by UTF-16 code units": {
			`{
				"\u20ac": "Euro Sign",
				"\r": "Carriage Return",
				"\ufb33": "Hebrew Letter Dalet With Dagesh",
				"1": "One",
				"\ud83d\ude00": "Emoji: Grinning Face",
				"\u0080": "Control",
				"\u00f6": "Latin Small Letter O With Diaeresis"
			}`,
			`{"\r":"Carriage Return","1":"One","` + "\u0080" + `":"Control","ö":"Latin Small Letter O With Diaeresis",` +
				`"€":"Euro Sign","😀":"Emoji: Grinning Face","` + "\ufb33" + `":"Hebrew Letter Dalet With Dagesh"}`,
		},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := Canonical([]byte(c.in))
			require.NoError(t, err)
			assert.Equal(t, c.want, string(got))
		})
	}
}

// The number samples of RFC 8785, appendix B: a double's bits and its canonical form.
func TestCanonicalNumbersOfTheStandard(t *testing.T) {
	t.Parallel()
	samples := map[uint64]string{
		0x0000000000000000: "0",
		0x8000000000000000: "0",
		0x0000000000000001: "5e-324",
		0x8000000000000001: "-5e-324",
		0x7fefffffffffffff: "1.7976931348623157e+308",
		0xffefffffffffffff: "-1.7976931348623157e+308",
		0x4340000000000000: "9007199254740992",
		0xc340000000000000: "-9007199254740992",
		0x4430000000000000: "295147905179352830000",
		0x44b52d02c7e14af5: "9.999999999999997e+22",
		0x44b52d02c7e14af6: "1e+23",
		0x44b52d02c7e14af7: "1.0000000000000001e+23",
		0x444b1ae4d6e2ef4e: "999999999999999700000",
		0x444b1ae4d6e2ef4f: "999999999999999900000",
		0x444b1ae4d6e2ef50: "1e+21",
		0x3eb0c6f7a0b5ed8c: "9.999999999999997e-7",
		0x3eb0c6f7a0b5ed8d: "0.000001",
		0x41b3de4355555553: "333333333.3333332",
		0x41b3de4355555554: "333333333.33333325",
		0x41b3de4355555555: "333333333.3333333",
		0x41b3de4355555556: "333333333.3333334",
		0x41b3de4355555557: "333333333.33333343",
		0xbecbf647612f3696: "-0.0000033333333333333333",
		0x43143ff3c1cb0959: "1424953923781206.2",
	}
	for bits, want := range samples {
		// Written out with all the digits there are, so that nothing is canonical before.
		in := strconv.FormatFloat(math.Float64frombits(bits), 'e', 40, 64)
		got, err := Canonical([]byte(in))
		require.NoError(t, err)
		assert.Equal(t, want, string(got), "%016x", bits)
	}
}

func TestCanonicalNumbersAreNumbers(t *testing.T) {
	t.Parallel()
	for want, written := range map[string][]string{
		"6":   {"6", "6.0", "6.00", "60e-1", "0.6e1", "6E+0", " 6 "},
		"0":   {"0", "-0", "0.0", "-0e7"},
		"6.5": {"6.5", "6.50", "65e-1"},
	} {
		for _, in := range written {
			got, err := Canonical([]byte(in))
			require.NoError(t, err)
			assert.Equal(t, want, string(got), in)
		}
	}
}

func TestWhatHasNoCanonicalForm(t *testing.T) {
	t.Parallel()
	for name, in := range map[string]string{
		"nothing":               "",
		"not JSON":              "{]",
		"two values":            "1 2",
		"a name twice":          `{"a":1,"a":1}`,
		"a name twice, escaped": `{"a":1,"\u0061":1}`,
		"a name twice, inside":  `[{"b":{"a":1,"a":2}}]`,
		"bad UTF-8":             "\"\xff\"",
		"half a pair":           `"\ud800"`,
		"too large":             `[1e309]`,
		"too small":             `{"a":[-1e400]}`,
		"too deep":              strings.Repeat("[", 20000) + strings.Repeat("]", 20000),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := Canonical([]byte(in))
			require.Error(t, err)
		})
	}
	got, err := Canonical([]byte("[1.7976931348623157e308]"))
	require.NoError(t, err, "the largest double has one")
	assert.Equal(t, "[1.7976931348623157e+308]", string(got))
}

func TestCanonicalLeavesItsInputAlone(t *testing.T) {
	t.Parallel()
	in := []byte(`{"b":6.0,"a":1}`)
	_, err := Canonical(in)
	require.NoError(t, err)
	assert.Equal(t, `{"b":6.0,"a":1}`, string(in))
}

// checkPlain compares the quick way to the canonical form of anything with the general one.
func checkPlain(t require.TestingT, raw []byte) {
	value := bytes.TrimSpace(raw)
	if _, beyond := Beyond(raw); beyond || !jsontext.Value(value).IsValid(lenient...) {
		return
	}
	if quick, plain := appendPlain(nil, value); plain {
		want, err := Canonical(value)
		require.NoError(t, err)
		require.Equal(t, string(want), string(quick))
	}
}

func TestWhatPhonesWriteIsPlain(t *testing.T) {
	t.Parallel()
	for kind, body := range bodies {
		sent := entryOf(kind, body)
		_, plain := appendPlain(nil, []byte(sent))
		assert.True(t, plain, sent)
		checkPlain(t, []byte(sent))
	}
}

func TestPlainIsCanonical(t *testing.T) {
	t.Parallel()
	for raw, wantPlain := range map[string]bool{
		`{"b": [1, {"b_": "é", "b": null}, []], "a": {}}`: true,
		"999999999999999":  true,
		"1000000000000000": false,
		"0":                true,
		"-0":               false,
		"-1":               false,
		"5.5":              true,
		"0.000001":         true,
		"0.0000001":        false,
		"5.0":              false,
		"1e3":              false,
		"1.5E3":            false,
		"1E3":              false,
		`{"a":1,"a":2}`:    false,
		`{"A":1,"a":2}`:    true,
		`{"é":1}`:          false,
		`"\u0041"`:         false,
		"\"\xff\"":         false,
	} {
		_, plain := appendPlain(nil, []byte(raw))
		assert.Equal(t, wantPlain, plain, raw)
		checkPlain(t, []byte(raw))
	}
}
