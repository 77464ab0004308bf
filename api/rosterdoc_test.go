package api

import (
	stdjson "encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/served"
)

// TestARosterIsWrittenAsAnEncoderDoes compares the page that is put together by hand with that of an encoder, octet by octet.
func TestARosterIsWrittenAsAnEncoderDoes(t *testing.T) {
	t.Parallel()
	cursor, at := "abc_-9", time.Date(2027, 3, 1, 19, 30, 0, 250e6, time.UTC)
	line, err := served.Encode(served.RosterLine{Learner: served.LearnerCard{Nickname: `"Otter" <&> ]},`}})
	require.NoError(t, err)
	for rows, cursor := range map[int]*string{0: nil, 1: nil, 3: &cursor} {
		var page []clinic.RosterRow
		lines := []stdjson.RawMessage{}
		for range rows {
			page, lines = append(page, clinic.RosterRow{Row: line}), append(lines, line)
		}
		want, err := served.Encode(struct {
			Learners []stdjson.RawMessage `json:"learners"`
			Cursor   *string              `json:"cursor"`
			AsOf     string               `json:"as_of"`
		}{lines, cursor, served.Instant(at)})
		require.NoError(t, err)
		got, err := served.Encode(rosterDoc{page, cursor, at})
		require.NoError(t, err)
		assert.Equal(t, string(want), string(got))
	}
}
