// Package audit is the trail of who read or changed what: rows that are only ever added, each sealed by a hash over itself and
// the row before it, one chain for each clinic. A row that is changed, left out or put in breaks the chain from there on. A
// whole trail that is written anew does not; what shows that is a head that was written down elsewhere before ([Head]).
package audit

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Done is the outcome of what was carried out. Any other outcome is the slug of the problem with which it was refused.
const Done = "done"

// Row is one thing that somebody did or was refused. It holds ids alone: no name, no note, nothing of anybody's health.
type Row struct {
	Clinic uuid.UUID
	Seq    int64     // gapless within the clinic, from 1
	At     time.Time // to the millisecond, in UTC

	Role  string    // as tokens spell it, or "operator"; empty where nobody was recognised
	Who   uuid.UUID // the device, clinician or service token; zero for an operator or nobody
	Token string    // the id of the access token (jti), empty where there was none
	From  string    // the address that it came from, empty where it came over no network

	Did     string // the operation by its id in the API description, or the command
	Outcome string
	Note    string // what else is to be known, such as the version of a text that was consented to

	// What it was about, as far as that was said; zero otherwise. What was refused may name what is not there.
	Household, Learner, Thing uuid.UUID

	Hash [sha256.Size]byte // over the row before and this one
}

// Link sets a row's place and hash behind a head.
func (r *Row) Link(before Head) {
	r.Clinic, r.Seq = before.Clinic, before.Seq+1
	r.At = r.At.UTC().Truncate(time.Millisecond)
	r.Hash = r.hash(before.Hash)
}

// Sealed returns the octets that a row's hash is over, but for the hash of the row before it and its own number, both of which a store may
// know only as it writes the row: the first comes between before and between, the second, as eight octets with the highest first, between
// between and after. Every field has its length before it, so that no two rows look alike.
func (r *Row) Sealed() (before, between, after []byte) {
	before = long(nil, sha256.Size)
	between = long(put(nil, r.Clinic[:]), 8)
	after = put(nil, long(nil, r.At.UnixMilli()))
	for _, text := range []string{r.Role, r.Token, r.From, r.Did, r.Outcome, r.Note} {
		after = put(after, []byte(text))
	}
	for _, id := range []uuid.UUID{r.Who, r.Household, r.Learner, r.Thing} {
		after = put(after, id[:])
	}
	return before, between, after
}

func put(to, field []byte) []byte { return append(long(to, int64(len(field))), field...) }

func long(to []byte, n int64) []byte {
	return binary.BigEndian.AppendUint64(to, uint64(n)) //nolint:gosec // the bits are what is hashed
}

func (r *Row) hash(of [sha256.Size]byte) [sha256.Size]byte {
	before, between, after := r.Sealed()
	h := sha256.New()
	for _, part := range [][]byte{before, of[:], between, long(nil, r.Seq), after} {
		h.Write(part)
	}
	return [sha256.Size]byte(h.Sum(nil))
}

// Head is how far a clinic's trail goes, and the hash over all of it. Written down where nobody who can write to the database
// can write, it proves later that the trail up to it is still the same.
type Head struct {
	Clinic uuid.UUID
	Seq    int64
	Hash   [sha256.Size]byte // zero where there is no row yet
}

// Head returns the head that a row makes.
func (r *Row) Head() Head { return Head{Clinic: r.Clinic, Seq: r.Seq, Hash: r.Hash} }

// ErrBroken is what Follow returns of a row that does not follow.
var ErrBroken = errors.New("the audit trail is broken")

// Follow returns the head behind a row that stands behind another head, after looking that it follows it: with the next
// number and a hash that is right.
func (h Head) Follow(r *Row) (Head, error) {
	switch {
	case r.Clinic != h.Clinic:
		return h, fmt.Errorf("%w: row %d is another clinic's", ErrBroken, r.Seq)
	case r.Seq != h.Seq+1:
		return h, fmt.Errorf("%w: row %d follows row %d", ErrBroken, r.Seq, h.Seq)
	case r.Hash != r.hash(h.Hash):
		return h, fmt.Errorf("%w: row %d, or the one before it, is not as it was written", ErrBroken, r.Seq)
	}
	return r.Head(), nil
}
