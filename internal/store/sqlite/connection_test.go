package sqlite

import (
	"context"
	"database/sql"
	"math"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

func TestWhatAColumnIsReadInto(t *testing.T) {
	t.Parallel()
	id := uuid.New()
	var (
		number int64
		small  int8
		role   practice.Role
		night  practice.Night
		yes    bool
		text   string
		status practice.Status
		bytes  []byte
		raw    sql.RawBytes
		read   uuid.UUID
		maybe  sql.NullInt64
		at     instant
	)
	require.NoError(t, row{int64(math.MinInt64), int64(-128), int64(1), int64(-7), int64(1), "“a”", "accepted", []byte{0}, nil, id[:], nil, int64(5)}.
		Scan(&number, &small, &role, &night, &yes, &text, &status, &bytes, &raw, &read, &maybe, &at))
	assert.Equal(t, []any{
		int64(math.MinInt64), int8(-128), practice.Role(1), practice.Night(-7), true, "“a”", practice.Accepted,
		[]byte{0},
		sql.RawBytes(nil),
		id,
		sql.NullInt64{},
		instant(time.UnixMilli(5).UTC()),
	}, []any{number, small, role, night, yes, text, status, bytes, raw, read, maybe, at})
}

func TestAColumnThatIsNotWhatItIsReadAs(t *testing.T) {
	t.Parallel()
	for what, c := range map[string]struct {
		place any
		value any
		says  string
	}{
		"a number that is too large": {new(int8), int64(128), "read column 1: read *int8 from int64"},
		"a negative one":             {new(uint8), int64(-1), "read *uint8 from int64"},
		"one too large without sign": {new(uint8), int64(256), "read *uint8 from int64"},
		"neither yes nor no":         {new(bool), int64(2), "read *bool from int64"},
		"a number as a text":         {new(string), int64(1), "read *string from int64"},
		"a text as a number":         {new(int64), "1", "read *int64 from string"},
		"a text as bytes":            {new([]byte), "1", "read *[]uint8 from string"},
		"bytes as a text":            {new(string), []byte("1"), "read *string from []uint8"},
		"nothing as a number":        {new(int64), nil, "read *int64 from <nil>"},
		"nothing as a text":          {new(string), nil, "read *string from <nil>"},
		"a fraction":                 {new(int64), 1.5, "read *int64 from float64"},
		"an id that is cut short":    {new(uuid.UUID), []byte{1}, "read column 1: "},
	} {
		require.ErrorContains(t, row{c.value}.Scan(c.place), c.says, what)
	}
	require.ErrorContains(t, row{int64(1)}.Scan(), "read 0 columns from 1")
}

func TestWhatCannotBeBound(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	w, err := s.writer.begin(t.Context(), false)
	require.NoError(t, err)
	defer s.rollBack(t.Context(), w)
	_, err = w.exec(t.Context(), statement{"try", `SELECT ?, ?`}, 1, struct{}{})
	require.ErrorContains(t, err, "try: bind value 2: ")
}

// TestAPanicWhileRowsAreRead leaves the statement as it was, for whoever uses it next on the same connection.
func TestAPanicWhileRowsAreRead(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	numbers := statement{"count", `SELECT value FROM json_each('[1,2,3]')`}
	w, err := s.writer.begin(t.Context(), false)
	require.NoError(t, err)
	defer s.rollBack(t.Context(), w)
	assert.PanicsWithValue(t, "the reader's own", func() {
		_ = w.each(t.Context(), numbers, func(scanner) error { panic("the reader's own") })
	})
	found, err := all(t.Context(), w, numbers, value[int])
	require.NoError(t, err)
	assert.Equal(t, []int{1, 2, 3}, found)
}

// TestWhoWaitsLongestIsFirst has many wait for the one connection there is.
func TestWhoWaitsLongestIsFirst(t *testing.T) {
	t.Parallel()
	address := "file:" + filepath.Join(t.TempDir(), "practice.db")
	synctest.Test(t, func(t *testing.T) {
		p, err := openPool(address, 1)
		require.NoError(t, err)
		defer func() { require.NoError(t, p.close()) }()
		first, err := p.begin(t.Context(), true)
		require.NoError(t, err)
		const many = 9
		var turns []int
		for i := range many {
			ctx, leave := context.WithCancel(t.Context())
			defer leave()
			go func() {
				w, err := p.begin(ctx, true)
				if i == many/2 {
					assert.ErrorIs(t, err, context.Canceled)
					return
				}
				if assert.NoError(t, err) {
					turns = append(turns, i)
					assert.NoError(t, w.tx.rollBack())
				}
			}()
			synctest.Wait()
			if i == many/2 {
				leave()
			}
		}
		require.NoError(t, first.tx.rollBack())
		synctest.Wait()
		assert.Equal(t, []int{0, 1, 2, 3, 5, 6, 7, 8}, turns, "and who doesn't wait any more takes nobody's turn")
	})
}
