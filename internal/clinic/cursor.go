package clinic

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"

	"github.com/google/uuid"

	"swallowtail/internal/fault"
)

// bookmark is where a device has come to in a household's history: the revision that it reached, and what it was told of the nights that
// last changed with that one.
type bookmark struct {
	rev  int64
	told nightsPrint
}

// fromStart is the bookmark before the first revision, for nights that changed before there was any entry.
var fromStart = bookmark{rev: -1}

// nightsPrint is the first half of a SHA-256 over nights as they are served; zero for no nights.
type nightsPrint [16]byte

// nightsAt returns the print of the nights that last changed with a revision, those among them that are no more.
func (f *folded) nightsAt(rev int64) (p nightsPrint) {
	var b []byte
	for i := range f.renewed {
		for _, n := range f.renewed[i].Nights {
			if n.ChangedRev == rev {
				b = append(b, f.renewed[i].Learner[:]...)
				b = binary.BigEndian.AppendUint64(b, uint64(n.Night)) //nolint:gosec // only the bits matter
				b = append(b, n.Print[:]...)
			}
		}
	}
	if len(b) > 0 {
		sum := sha256.Sum256(b)
		copy(p[:], sum[:])
	}
	return p
}

// shortCursor is the octets of a cursor without a print: an epoch, the revision that it reaches, and the head of the history it was read
// from, revision and chain. One with a print has that before the chain, which is hashed along with it then.
const (
	shortCursor = 16 + 8 + 8 + sha256.Size
	longCursor  = shortCursor + len(nightsPrint{})
)

// cursorAt returns the cursor of a bookmark in a history. It names the head too, even where it does not reach
// that far: a page leaves out the nights that change again further on, and so says something of all that there is.
func cursorAt(epoch uuid.UUID, at bookmark, head Head) string {
	raw := make([]byte, 0, longCursor)
	raw = append(raw, epoch[:]...)
	raw = binary.BigEndian.AppendUint64(raw, uint64(at.rev))   //nolint:gosec // revisions are not negative
	raw = binary.BigEndian.AppendUint64(raw, uint64(head.Rev)) //nolint:gosec // as above
	chain := head.Chain
	if at.told != (nightsPrint{}) {
		raw = append(raw, at.told[:]...)
		chain = sha256.Sum256(append(at.told[:], chain[:]...))
	}
	return base64.RawURLEncoding.EncodeToString(append(raw, chain[:]...))
}

// bookmarkOf returns the bookmark of a cursor, once this household's history bears the cursor out.
// A restored, altered or foreign history does not.
func (f *family) bookmarkOf(cursor string) (at bookmark, err error) {
	if cursor == "" {
		return fromStart, nil
	}
	epoch := f.edition.Epoch
	diverged := fault.New(fault.Conflict, "history-diverged",
		"The server's history is not the one this cursor is from: pull from null, then offer all your own entries again.").
		With("epoch", epoch.String())
	raw, err := base64.RawURLEncoding.Strict().DecodeString(cursor)
	if err != nil || (len(raw) != shortCursor && len(raw) != longCursor) || !bytes.Equal(raw[:16], epoch[:]) {
		return bookmark{}, diverged.Because(err)
	}
	at.rev = int64(binary.BigEndian.Uint64(raw[16:24]))           //nolint:gosec // a negative one is refused below
	head := Head{Rev: int64(binary.BigEndian.Uint64(raw[24:32]))} //nolint:gosec // as above
	copy(at.told[:], raw[32:len(raw)-sha256.Size])
	if at.rev < 0 || head.Rev < at.rev || head.Rev > int64(len(f.stored)) {
		return bookmark{}, diverged
	}
	if head.Rev > 0 {
		head.Chain = f.stored[head.Rev-1].Chain
	}
	// Compared as text, since decoding passes over line breaks.
	if cursor != cursorAt(epoch, at, head) {
		return bookmark{}, diverged
	}
	return at, nil
}
