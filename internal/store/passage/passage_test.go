package passage_test

import (
	"errors"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/store/passage"
)

// listed are rows from a list, then an error.
type listed struct {
	rows [][]any
	end  error
}

func (l *listed) Next() ([]any, error) {
	if len(l.rows) == 0 {
		return nil, l.end
	}
	next := l.rows[0]
	l.rows = l.rows[1:]
	return next, nil
}

func TestASumTellsWhatTablesHold(t *testing.T) {
	t.Parallel()
	sum := func(rows ...[]any) passage.Sum {
		s, err := passage.Summed(&listed{rows, io.EOF})
		require.NoError(t, err)
		assert.EqualValues(t, len(rows), s.Rows)
		return s
	}
	one, two := []any{[]byte("one"), int64(1), nil}, []any{[]byte("two"), int64(2), []byte{}}
	assert.Equal(t, sum(one, two), sum(two, one), "in any order")
	all := map[passage.Sum]string{}
	for what, s := range map[string]passage.Sum{
		"none":               sum(),
		"both":               sum(one, two),
		"one":                sum(one),
		"the other":          sum(two),
		"another number":     sum([]any{[]byte("one"), int64(-1), nil}),
		"empty for NULL":     sum([]any{[]byte("one"), int64(1), []byte{}}),
		"moved to its right": sum([]any{[]byte("on"), []byte("e"), int64(1)}),
		"moved to its left":  sum([]any{[]byte("one"), []byte{}, int64(1)}),
		"a number in bytes":  sum([]any{[]byte("one"), []byte{0, 0, 0, 0, 0, 0, 0, 1}, nil}),
	} {
		assert.NotContains(t, all, s, what)
		all[s] = what
	}
}

func TestWhatCanNotBeSummed(t *testing.T) {
	t.Parallel()
	_, err := passage.Summed(&listed{[][]any{{"text"}}, io.EOF})
	require.ErrorContains(t, err, "a string can't go")
	failure := errors.New("the disk is gone")
	_, err = passage.Summed(&listed{[][]any{{int64(1)}}, failure})
	require.ErrorIs(t, err, failure)
}
