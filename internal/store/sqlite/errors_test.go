package sqlite

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// limitPages keeps the file from growing beyond a number of pages, as a full disk would.
func limitPages(t *testing.T, s *Store, pages int) {
	t.Helper()
	var limit int
	row := s.writer.db.QueryRowContext(t.Context(), fmt.Sprintf("PRAGMA max_page_count = %d", pages))
	require.NoError(t, row.Scan(&limit))
}

func pagesOf(t *testing.T, s *Store) (pages int) {
	t.Helper()
	require.NoError(t, s.writer.db.QueryRowContext(t.Context(), "PRAGMA page_count").Scan(&pages))
	return pages
}

// large is a clinic that takes several pages.
func large() clinic.Clinic {
	return clinic.Clinic{ID: uuid.New(), Name: strings.Repeat("x", 60_000), Created: started}
}

func addOne(ctx context.Context, s *Store, c clinic.Clinic) error {
	return s.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, c) })
}

func clinicsIn(t *testing.T, s *Store) (count int) {
	t.Helper()
	require.NoError(t, s.readers.db.QueryRowContext(t.Context(), `SELECT count(*) FROM clinic`).Scan(&count))
	return count
}

func TestFull(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	require.NoError(t, addOne(t.Context(), s, large()))
	limitPages(t, s, pagesOf(t, s)+2)
	assert.Equal(t, fault.OutOfSpace, fault.KindOf(addOne(t.Context(), s, large())))
	assert.Equal(t, 1, clinicsIn(t, s))

	limitPages(t, s, 1<<20)
	require.NoError(t, addOne(t.Context(), s, large()), "once there is room again")
	assert.Equal(t, 2, clinicsIn(t, s))
}

// TestNothingAfterTheEnd goes on after an error on which SQLite ends the transaction by itself. What came after it would
// be committed on its own.
func TestNothingAfterTheEnd(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	limitPages(t, s, pagesOf(t, s)+2)
	small := clinic.Clinic{ID: uuid.New(), Created: started}
	err := s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		first := tx.AddClinic(ctx, large())
		assert.Equal(t, fault.OutOfSpace, fault.KindOf(first))
		assert.Equal(t, first, tx.AddClinic(ctx, small))
		_, err := tx.Clinic(ctx, small.ID)
		assert.Equal(t, first, err)
		return nil
	})
	assert.Equal(t, fault.OutOfSpace, fault.KindOf(err))
	assert.Zero(t, clinicsIn(t, s))
}

// TestNothingAfterAnInterruption goes on after a statement whose own context ended, which may end the transaction too.
func TestNothingAfterAnInterruption(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	ended, end := context.WithCancel(t.Context())
	end()
	err := s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		first := tx.AddClinic(ended, large())
		require.ErrorIs(t, first, context.Canceled)
		assert.Equal(t, first, tx.AddClinic(ctx, large()))
		return nil
	})
	require.ErrorIs(t, err, context.Canceled)
	assert.Zero(t, clinicsIn(t, s))
}

// TestMoreAfterARefusal goes on after an error that leaves the transaction as it was.
func TestMoreAfterARefusal(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	first, second := clinic.Clinic{ID: uuid.New(), Created: started}, clinic.Clinic{ID: uuid.New(), Created: started}
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(t, tx.AddClinic(ctx, first))
		assert.Equal(t, fault.Conflict, fault.KindOf(tx.AddClinic(ctx, first)))
		_, err := tx.Clinic(ctx, second.ID)
		assert.Equal(t, fault.NotFound, fault.KindOf(err))
		return tx.AddClinic(ctx, second)
	}))
	assert.Equal(t, 2, clinicsIn(t, s))
}

// TestBusy waits for another process that keeps the write lock for longer than the store has patience.
func TestBusy(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "store.db")
	other := openAt(t, path)
	require.NoError(t, other.Migrate(t.Context()))
	options := testOptions(t)
	options.BusyTimeout = 20 * time.Millisecond
	s, err := Open(t.Context(), path, options)
	require.NoError(t, err)
	defer func() { assert.NoError(t, s.Close()) }()

	require.NoError(t, other.InTx(t.Context(), func(ctx context.Context, _ clinic.Tx) error {
		assert.Equal(t, fault.Unavailable, fault.KindOf(addOne(ctx, s, large())))
		return nil
	}))
	require.NoError(t, addOne(t.Context(), s, large()))
}

func TestReadersCannotWrite(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	_, err := s.readers.db.ExecContext(t.Context(), `DELETE FROM clinic`)
	require.Error(t, err)
	assert.Equal(t, fault.Unavailable, fault.KindOf(translated(err)))
}

// TestAConnectionThatCannotWriteIsRenewed: a connection that was opened while the disk was read-only stays read-only, so
// the store must not keep it.
func TestAConnectionThatCannotWriteIsRenewed(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	require.NoError(t, addOne(t.Context(), s, large()))
	_, err := s.writer.db.ExecContext(t.Context(), `PRAGMA query_only = on`) // as such a connection behaves
	require.NoError(t, err)
	assert.Equal(t, fault.Unavailable, fault.KindOf(addOne(t.Context(), s, large())))
	require.NoError(t, addOne(t.Context(), s, large()))
	assert.Equal(t, 2, clinicsIn(t, s))
	assert.Equal(t, 1, s.writer.db.Stats().OpenConnections)
}

// TestWhyAFileCannotBeOpened: SQLite says that it could not, the folder says why.
func TestWhyAFileCannotBeOpened(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	fine, gone := filepath.Join(folder, "store.db"), filepath.Join(folder, "gone", "store.db")
	assert.Equal(t, errUnavailable, explained(errUnavailable, fine))
	assert.Equal(t, ErrNewer, explained(ErrNewer, gone))
	err := explained(errFull, gone)
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.ErrorContains(t, err, "nothing can be written beside the file")
	assert.Equal(t, fault.OutOfSpace, fault.KindOf(err))
	left, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Empty(t, left)
}

// TestTextsOfErrors looks at what clients may see and what the log says.
func TestTextsOfErrors(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	c := clinic.Clinic{ID: uuid.New(), Name: "Fictional House", Created: started}
	require.NoError(t, addOne(t.Context(), s, c))
	err := addOne(t.Context(), s, c)
	refusal, ok := errors.AsType[*fault.Error](err)
	require.True(t, ok)
	assert.Equal(t, "It exists already.", refusal.Detail)
	require.ErrorContains(t, err, "add clinic: ")
	assert.NotContains(t, err.Error(), c.Name)
}

// TestAClosedStoreIsAway, not broken: whoever still asks may ask another server.
func TestAClosedStoreIsAway(t *testing.T) {
	t.Parallel()
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "store.db"), testOptions(t))
	require.NoError(t, err)
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.Close())
	assert.Equal(t, fault.Unavailable, fault.KindOf(s.InTx(t.Context(), func(context.Context, clinic.Tx) error { return nil })))
	assert.Equal(t, fault.Unavailable, fault.KindOf(s.Read(t.Context(), func(context.Context, clinic.View) error { return nil })))
}
