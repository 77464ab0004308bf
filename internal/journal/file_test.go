package journal_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/journal"
)

var at = time.Date(2027, time.March, 2, 19, 50, 0, 123e6, time.UTC)

// id returns an invented id.
func id(n byte) uuid.UUID { return uuid.UUID{0: 1, 6: 0x70, 8: 0x80, 15: n} }

// oneOfEach returns a record of each kind.
func oneOfEach() []clinic.JournalRecord {
	return []clinic.JournalRecord{
		{At: at, Event: clinic.DeviceEnrolled{
			Device: clinic.Device{
				ID: id(1), Household: id(2), Caregiver: id(3), Name: "Mum's \"phone\"\n", Platform: "android", Enrolled: at,
			},
			Caregiver: clinic.Person{ID: id(3), Household: id(2), Name: "Mum", ConsentVersion: "1", Consented: at, Created: at},
			Invite:    []byte{0, 1, 255},
		}},
		{At: at, Event: clinic.TokenIssued{Token: clinic.RefreshToken{
			Hash: []byte{7}, Family: id(4), Device: id(1), Began: at, Issued: at, Expires: at.Add(time.Hour),
		}}},
		{At: at.Add(time.Minute), Event: clinic.TokenIssued{Token: clinic.RefreshToken{
			Hash: []byte{8}, Family: id(5), Member: id(6), Began: at, Issued: at, Expires: at.Add(time.Hour),
		}, Replaces: []byte{9}}},
		{At: at.Add(time.Hour), Event: clinic.FamilyEnded{Family: id(4)}},
		{At: at.Add(2 * time.Hour), Event: clinic.ServiceTokenRevoked{Token: id(5)}},
		{At: at.Add(2 * time.Hour), Event: clinic.DeviceRevoked{Device: id(1)}},
		{At: at.Add(3 * time.Hour), Event: clinic.MemberDisabled{Member: id(6)}},
		{At: at.Add(4 * time.Hour), Event: clinic.MemberEnabled{Member: id(6)}},
		{At: at.Add(5 * time.Hour), Event: clinic.PasswordChanged{Member: id(6), Hash: "$argon2id$"}},
		{At: at.Add(6 * time.Hour), Event: clinic.SecondFactorSet{Member: id(6), Secret: "JBSW", Since: at, LastStep: 1 << 40}},
		{At: at.Add(7 * time.Hour), Event: clinic.RecoveryCodesMade{Member: id(6), Hashes: [][]byte{{0}, {255}}}},
		{At: at.Add(8 * time.Hour), Event: clinic.RecoveryCodeUsed{Member: id(6), Hash: []byte{255}}},
		{At: at.Add(9 * time.Hour), Event: clinic.SecondFactorSet{Member: id(6)}},
		{At: at.Add(9 * time.Hour), Event: clinic.RecoveryCodesMade{Member: id(6)}},
	}
}

// begun returns a journal in which there is a record of each kind.
func begun(t *testing.T) (path string, f *journal.File) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "store.db.journal")
	f, err := journal.Open(path, uuid.New)
	require.NoError(t, err)
	for _, r := range oneOfEach() {
		require.NoError(t, f.Append(t.Context(), r))
	}
	return path, f
}

// rewrite puts something else in the place of a journal.
func rewrite(t *testing.T, path, text string) {
	t.Helper()
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600)) //nolint:gosec // G703: the path is the test's own
}

func TestWhatIsAppendedIsRead(t *testing.T) {
	t.Parallel()
	path, f := begun(t)
	content, err := journal.Read(path)
	require.NoError(t, err)
	assert.Equal(t, journal.Content{ID: f.ID(), Records: oneOfEach()}, content)
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, fs.FileMode(0o600), info.Mode())

	again, err := journal.Open(path, uuid.New)
	require.NoError(t, err)
	assert.Equal(t, f.ID(), again.ID())
}

// TestInstantsAreKeptToTheMillisecond appends a record as a server makes it, with a clock that is finer and elsewhere.
func TestInstantsAreKeptToTheMillisecond(t *testing.T) {
	t.Parallel()
	path, f := begun(t)
	elsewhere := at.Add(456 * time.Microsecond).In(time.FixedZone("", 5*3600))
	require.NoError(t, f.Append(t.Context(), clinic.JournalRecord{At: elsewhere, Event: clinic.TokenIssued{Token: clinic.RefreshToken{
		Hash: []byte{7}, Family: id(4), Device: id(1), Began: elsewhere, Issued: elsewhere, Expires: elsewhere,
	}}}))
	content, err := journal.Read(path)
	require.NoError(t, err)
	assert.Equal(t, clinic.JournalRecord{At: at, Event: clinic.TokenIssued{Token: clinic.RefreshToken{
		Hash: []byte{7}, Family: id(4), Device: id(1), Began: at, Issued: at, Expires: at,
	}}}, content.Records[len(content.Records)-1])
}

func TestThereIsNoJournal(t *testing.T) {
	t.Parallel()
	_, err := journal.Read(filepath.Join(t.TempDir(), "none"))
	require.ErrorIs(t, err, fs.ErrNotExist)
}

// TestManyAtOnce lets several open the journal at once, as processes do, and append beside each other.
func TestManyAtOnce(t *testing.T) {
	t.Parallel()
	const writers, each = 6, 20
	path := filepath.Join(t.TempDir(), "store.db.journal")
	ids, errs := make([]uuid.UUID, writers), make([]error, writers)
	var group sync.WaitGroup
	for i := range writers {
		group.Go(func() {
			f, err := journal.Open(path, uuid.New)
			for n := 0; n < each && err == nil; n++ {
				event := clinic.DeviceRevoked{Device: uuid.UUID{0: byte(i), 1: byte(n)}}
				err = f.Append(t.Context(), clinic.JournalRecord{At: at, Event: event})
			}
			if errs[i] = err; err == nil {
				ids[i] = f.ID()
			}
		})
	}
	group.Wait()
	require.NoError(t, errors.Join(errs...))
	content, err := journal.Read(path)
	require.NoError(t, err)
	next := map[byte]byte{}
	for _, r := range content.Records {
		revoked := r.Event.(clinic.DeviceRevoked).Device
		assert.Equal(t, next[revoked[0]], revoked[1], "each writer's records are in the order in which it appended them")
		next[revoked[0]]++
	}
	assert.Len(t, content.Records, writers*each)
	for _, id := range ids {
		assert.Equal(t, content.ID, id)
	}
}

// TestEveryPlaceToBeCutOff cuts the last record off after each of its bytes, then appends another.
func TestEveryPlaceToBeCutOff(t *testing.T) {
	t.Parallel()
	path, f := begun(t)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	last := bytes.LastIndexByte(whole, '\n')
	all := oneOfEach()
	for length := last; length < len(whole); length++ {
		for _, filled := range []string{"", "\x00\x00\x00"} {
			rewrite(t, path, string(whole[:length])+filled)
			want := journal.Content{ID: f.ID(), Records: all[:len(all)-1], CutOff: 1}
			if length == last {
				want.CutOff = 0
			}
			content, err := journal.Read(path)
			require.NoError(t, err, "%d of %d bytes", length-last, len(whole)-last)
			require.Equal(t, want, content)

			require.NoError(t, f.Append(t.Context(), all[0]))
			want.Records = append(want.Records[:len(want.Records):len(want.Records)], all[0])
			content, err = journal.Read(path)
			require.NoError(t, err)
			require.Equal(t, want, content, "what was cut off swallows nothing")
		}
	}
}

// TestEveryBitOfARecordCounts flips each bit of a record in the middle: nothing of it may go unnoticed.
func TestEveryBitOfARecordCounts(t *testing.T) {
	t.Parallel()
	path, _ := begun(t)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	lines := bytes.SplitAfter(whole, []byte("\n"))
	begins := len(lines[0]) + len(lines[1]) + len(lines[2])
	for i := begins; i < begins+len(lines[3])-1; i++ {
		for bit := range 8 {
			altered := bytes.Clone(whole)
			altered[i] ^= 1 << bit
			rewrite(t, path, string(altered))
			_, err := journal.Read(path)
			require.ErrorIs(t, err, journal.ErrDamaged, "byte %d, bit %d", i-begins, bit)
			require.Regexp(t, `: line [45] is not what was written$`, err.Error())
		}
	}
}

// framed returns the file's first line and a line that is as it was written, whatever it tells.
func framed(t *testing.T, path, record string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	first, _, _ := strings.Cut(string(text), "\n")
	return fmt.Sprintf("%s\n%s", first, journal.Frame([]byte(record)))
}

func TestWhatIsNotKnownIsRefused(t *testing.T) {
	t.Parallel()
	const device = `"device":"01000000-0000-7000-8000-000000000001"`
	for name, test := range map[string]struct {
		content func(t *testing.T, path string) string
		want    error
		says    string
	}{
		"a kind to come": {func(t *testing.T, path string) string {
			return framed(t, path, `{"at":"2027-03-02T19:50:00Z","kind":"household_erased","event":{}}`)
		}, journal.ErrNewer, `line 2: the journal was written by a newer version of this program: it tells of "household_erased"`},
		"a member to come": {func(t *testing.T, path string) string {
			return framed(t, path, `{"at":"2027-03-02T19:50:00Z","kind":"device_revoked","event":{`+device+`,"why":"lost"}}`)
		}, journal.ErrNewer, `line 2: `},
		"a form to come": {func(*testing.T, string) string {
			return `{"journal":"01000000-0000-7000-8000-000000000001","format":2,"secret":true}`
		}, journal.ErrNewer, "its form is 2, and only 1 is known"},
		"no name": {func(*testing.T, string) string { return `{"format":1}` }, journal.ErrDamaged, "line 1 does not name it"},
		"nothing": {func(*testing.T, string) string { return "" }, journal.ErrDamaged, "line 1 does not name it"},
		"a database": {
			func(*testing.T, string) string { return "SQLite format 3\x00" + strings.Repeat("\n\x00", 4000) },
			journal.ErrDamaged, "line 1 does not name it",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path, f := begun(t)
			text := test.content(t, path)
			rewrite(t, path, text)
			_, err := journal.Read(path)
			require.ErrorIs(t, err, test.want)
			require.ErrorContains(t, err, test.says)
			if strings.Contains(text, "\n{") {
				return // records are looked at when the journal is read
			}
			_, err = journal.Open(path, uuid.New)
			require.ErrorIs(t, err, test.want)
			err = f.Append(t.Context(), oneOfEach()[0])
			require.ErrorIs(t, err, test.want, "nothing is added to what is not understood")
			assert.Equal(t, fault.Unavailable, fault.KindOf(err))
			after, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, text, string(after))
		})
	}
}

func TestAppendWhereItCanNotBe(t *testing.T) {
	t.Parallel()
	path, f := begun(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, f.Append(ctx, oneOfEach()[0]), context.Canceled)
	require.ErrorContains(t, f.Append(t.Context(), clinic.JournalRecord{At: at}), "a journal can't hold <nil>")
	require.NoError(t, os.Remove(path))
	err := f.Append(t.Context(), oneOfEach()[0])
	require.ErrorIs(t, err, fs.ErrNotExist, "a journal that was taken away is not begun again unnoticed")
	assert.Equal(t, fault.Unavailable, fault.KindOf(err))
	refusal, ok := errors.AsType[*fault.Error](err)
	require.True(t, ok)
	assert.NotContains(t, refusal.Detail, path, "what a client is told names no path")

	_, err = journal.Open(filepath.Join(t.TempDir(), "none", "journal"), uuid.New)
	require.ErrorIs(t, err, fs.ErrNotExist)
}

func TestMemory(t *testing.T) {
	t.Parallel()
	m := journal.NewMemory(id(1))
	assert.Equal(t, id(1), m.ID())
	for _, r := range oneOfEach() {
		require.NoError(t, m.Append(t.Context(), r))
	}
	assert.Equal(t, oneOfEach(), m.Records())
}

// BenchmarkAppend appends a record durably: what an exchange of tokens costs beside its commit.
func BenchmarkAppend(b *testing.B) {
	f, err := journal.Open(filepath.Join(b.TempDir(), "store.db.journal"), uuid.New)
	require.NoError(b, err)
	record := oneOfEach()[1]
	for b.Loop() {
		require.NoError(b, f.Append(b.Context(), record))
	}
}

func TestManyRecordsAreAppendedAtOnce(t *testing.T) {
	t.Parallel()
	path, f := begun(t)
	one, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, f.AppendAll(t.Context(), nil))
	require.NoError(t, f.AppendAll(t.Context(), oneOfEach()))
	both, err := os.ReadFile(path)
	require.NoError(t, err)
	header := bytes.IndexByte(one, '\n')
	assert.Equal(t, string(one)+string(one[header:]), string(both), "the same as one after the other")
}
