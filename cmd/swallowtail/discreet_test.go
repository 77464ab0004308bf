package main

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestWhatOthersWroteIsLeftOut(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"request":                      "request",
		"/v1/learners/:learner/nights": "/v1/learners/:learner/nights",
		"listen on 192.0.2.1:8080: no": "listen on (address): no",
		"from [2001:db8::1]:443":       "from (address)",
		"12:30 is no address":          "12:30 is no address",
		`parsing "Otter": syntax`:      `parsing "…": syntax`,
		"parsing `Otter`":              `parsing "…"`,
		`an end of one "`:              `an end of one "`,
		"http: panic serving 192.0.2.1:9: Otter\ngoroutine 7": "http: panic serving (address): (value)\ngoroutine 7",
		"http: panic serving somebody: Otter":                 "http: panic serving somebody: (value)",
	} {
		assert.Equal(t, want, withoutValues(text), text)
	}
}

// TestWhatIsNotSearchedHoldsNothing draws texts of what is looked for, and compares those passed over with what a search makes of them.
func TestWhatIsNotSearchedHoldsNothing(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(1, 2))
	pieces := []string{":", "1", "192.0.2.1", "[::1]", `"`, "`", "\\", " ", "x", "panic serving ", "\n", "goroutine ", "é"}
	passed := 0
	for range 20_000 {
		var text strings.Builder
		for range random.IntN(7) {
			text.WriteString(pieces[random.IntN(len(pieces))])
		}
		if !worthALook(text.String()) {
			passed++
			assert.Equal(t, searched(text.String()), text.String())
		}
	}
	assert.Positive(t, passed)
}
