package clinic

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/door"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

// Result is what became of one entry of an upload.
type Result struct {
	ID     uuid.UUID
	Status string      // a practice.Status, or duplicate or id_reuse
	Rev    int64       // 0 for id_reuse
	Flaws  []door.Flaw // pointers within the entry
}

// The statuses of a result that are no status of an entry.
const (
	Duplicate = "duplicate"
	IDReuse   = "id_reuse"
)

// upload is a batch of entries on their way into a household's record.
type upload struct {
	author    practice.Author
	device    uuid.UUID // zero for a clinician's
	household uuid.UUID
	learner   uuid.UUID // the only learner that the entries may name; zero for any of the household
	schema    int
	offset    time.Duration // the server's clock less the sender's
	setAside  bool
	offers    []door.Offered
	reached   int64           // the household's head with what is new of it; 0 where nothing is
	read      []*door.Reading // of each entry that is new, what the door read of it; nil where that is to be read again
}

// examine looks at each raw entry of an upload. It needs no store, so it is done before the transaction.
func (u *upload) examine(raws [][]byte) {
	u.offers = make([]door.Offered, len(raws))
	for i, raw := range raws {
		u.offers[i] = door.Examine(raw, u.schema, u.author.Role)
	}
}

// ingest returns what becomes of each entry of an upload to a household, and those that are new, with their places in its record.
func (s *Service) ingest(u *upload, f *family, now time.Time) (results []Result, added []StoredEntry, err error) {
	known, head := u.known(f), f.head
	results = make([]Result, len(u.offers))
	added = make([]StoredEntry, 0, len(u.offers))
	u.reached, u.read = 0, nil
	for i := range u.offers {
		o := &u.offers[i]
		if old, ok := known[o.Entry.ID.UUID]; ok {
			results[i] = old.resultOf(o.Content)
			if u.setAside && old.status == practice.SetAside && results[i].Status == Duplicate {
				results[i].Status = string(practice.SetAside) // its answer was lost: the device may still let go of it
			}
			continue
		}
		e := s.store(u, o, f.people, now)
		e.Rev = head.Rev + 1
		e.Chain = chained(head.Chain, &e)
		head = Head{Rev: e.Rev, Chain: e.Chain}
		added = append(added, e)
		u.read = append(u.read, o.Reading)
		known[e.ID] = taken{id: e.ID, rev: e.Rev, status: e.Status, content: e.Content, problem: e.Problem}
		results[i] = Result{ID: e.ID, Status: string(e.Status), Rev: e.Rev, Flaws: flawsOf(e.Problem)}
	}
	if len(added) == 0 {
		return results, nil, nil
	}
	if err := u.bounded(f, len(added)); err != nil {
		return nil, nil, err
	}
	u.reached = head.Rev
	return results, added, nil
}

var errTooManyOfOne = fault.New(fault.Conflict, "caregiver-full",
	"This caregiver has added as many entries as are taken; nothing of this call was kept. Keep them; whoever runs the service must look at it.").
	With("limits", map[string]int{"caregiver_entries": MaxCaregiver})

// bounded refuses more entries of one caregiver than are taken, unless one of them is or may be an incident.
func (u *upload) bounded(f *family, added int) error {
	if u.author.Role == practice.Clinician || len(f.stored)+added <= MaxCaregiver || u.bringsIncident() {
		return nil
	}
	count := added
	for i := range f.stored {
		if f.stored[i].Author == u.author {
			count++
		}
	}
	if count > MaxCaregiver {
		return errTooManyOfOne
	}
	return nil
}

func (u *upload) bringsIncident() bool {
	return slices.ContainsFunc(u.offers, func(o door.Offered) bool {
		_, is := o.Entry.Body.(*practice.Incident)
		return is || o.MayBeIncident
	})
}

// taken is what is to be known of an entry whose id is taken.
type taken struct {
	id      uuid.UUID
	rev     int64
	status  practice.Status
	content [32]byte
	problem []byte
}

// known returns those of the household's entries whose ids come in the upload.
func (u *upload) known(f *family) map[uuid.UUID]taken {
	offered := make(map[uuid.UUID]bool, len(u.offers))
	for i := range u.offers {
		offered[u.offers[i].Entry.ID.UUID] = true
	}
	known := map[uuid.UUID]taken{}
	for i := range f.stored {
		if e := &f.stored[i]; offered[e.ID] {
			known[e.ID] = taken{id: e.ID, rev: e.Rev, status: e.Status(), content: e.Content, problem: f.problemOf(e)}
		}
	}
	return known
}

// resultOf answers an entry with content of its own under an id that is taken.
func (t *taken) resultOf(content [32]byte) Result {
	if t.content != content {
		return Result{ID: t.id, Status: IDReuse, Flaws: []door.Flaw{{
			Pointer: "/id", Detail: "This id is taken by an entry with other content: give the new entry an id of its own.",
		}}}
	}
	return Result{ID: t.id, Status: Duplicate, Rev: t.rev, Flaws: flawsOf(t.problem)}
}

// store makes the stored form of a new entry, without its place in the record.
func (s *Service) store(u *upload, o *door.Offered, p people, now time.Time) StoredEntry {
	e := StoredEntry{
		ID: o.Entry.ID.UUID, Learner: o.Entry.Learner.UUID, Status: o.Status, Author: u.author, Device: u.device,
		Stored: now.UTC().Truncate(time.Millisecond), ClockOffset: u.offset.Truncate(time.Millisecond),
		Schema: u.schema, Sent: o.Sent, Content: o.Content,
	}
	e.Received = e.Stored
	if stamp := o.Stamp; stamp != nil && s.sealHolds(u, o) {
		e.Received, e.ClockOffset = stamp.Received, stamp.ClockOffset
	}
	flaws := append(o.Flaws[:len(o.Flaws):len(o.Flaws)], u.misplaced(o, p)...)
	if !p.learners[e.Learner] {
		e.Learner = uuid.Nil
	}
	if len(flaws) > 0 {
		e.Status, e.Problem = practice.Quarantined, encodeFlaws(flaws)
	}
	if u.setAside {
		e.Status = practice.SetAside // whatever it is: a review comes before all else
	}
	return e
}

// misplaced says what is wrong with an entry on its way in that only the household's record can tell.
func (u *upload) misplaced(o *door.Offered, p people) []door.Flaw {
	if o.Status != practice.Accepted {
		return nil
	}
	flaws := misplaced(&o.Entry, u.author.Role, p)
	if learner := o.Entry.Learner.UUID; u.learner != uuid.Nil && learner != u.learner && p.learners[learner] {
		flaws = append(flaws, door.Flaw{Pointer: "/learner_id", Detail: "Name the learner whose entries these are."})
	}
	return flaws
}

// misplaced says what is wrong with an entry that reads well: whom it names is not of the household.
func misplaced(e *practice.Entry, author practice.Role, p people) []door.Flaw {
	var flaws []door.Flaw
	if !p.learners[e.Learner.UUID] {
		flaws = append(flaws, door.Flaw{Pointer: "/learner_id", Detail: "Name a learner of this household."})
	}
	if session, ok := e.Body.(*practice.Session); ok && author == practice.Clinician && !p.caregivers[session.Witness.UUID] {
		flaws = append(flaws, door.Flaw{Pointer: "/body/witness", Detail: "Name the caregiver of this household who filled in the sheet."})
	}
	return flaws
}

func encodeFlaws(flaws []door.Flaw) []byte {
	encoded, err := json.Marshal(flaws)
	if err != nil {
		panic(fmt.Sprintf("encode flaws: %v", err)) // two texts always encode
	}
	return encoded
}

// flawsOf reads what encodeFlaws wrote.
func flawsOf(problem []byte) []door.Flaw {
	if len(problem) == 0 {
		return nil
	}
	var flaws []door.Flaw
	if err := json.Unmarshal(problem, &flaws); err != nil {
		return []door.Flaw{{Detail: "What is wrong with it can't be read any more."}}
	}
	return flaws
}

// chained returns the hash over an entry and all entries of the household before it. Everything about the entry is in
// it, its stamp and status too, so that no change of a stored entry goes unnoticed. When it was stored is in it as well: a
// restored server to which the same entries come again, with their stamps, makes another history of them, and whoever
// knows the former one is told so. What they know of the nights may be from a time that this history has not seen.
func chained(before [32]byte, e *StoredEntry) [32]byte {
	h := sha256.New()
	room := make([]byte, 0, 160) // for all that has a length of its own
	for _, fixed := range [][]byte{before[:], e.ID[:], e.Learner[:], {byte(e.Author.Role)}, e.Author.ID.UUID[:], e.Device[:]} {
		room = append(room, fixed...)
	}
	for _, n := range []int64{e.Rev, e.Received.UnixMilli(), e.Stored.UnixMilli(), e.ClockOffset.Milliseconds(), int64(e.Schema)} {
		room = binary.BigEndian.AppendUint64(room, uint64(n)) //nolint:gosec // the bits are what is hashed
	}
	h.Write(room)
	for _, b := range [][]byte{[]byte(e.Status), e.Problem, e.Content[:], e.Sent} {
		h.Write(binary.BigEndian.AppendUint64(room[:0], uint64(len(b))))
		h.Write(b)
	}
	return [32]byte(h.Sum(nil))
}

// seal returns the seal over an entry's stamp. It names the household, the author and the content, so that a stamp can't
// be carried over to another entry.
func (s *Service) seal(household uuid.UUID, author practice.Author, id uuid.UUID, content [32]byte, stamp practice.Stamp) []byte {
	var times [16]byte
	binary.BigEndian.PutUint64(times[:8], uint64(stamp.Received.UnixMilli()))
	binary.BigEndian.PutUint64(times[8:], uint64(stamp.ClockOffset.Milliseconds())) //nolint:gosec // only the bits matter
	return s.Keys.Seal(access.SealStamp, household[:], []byte{byte(author.Role)}, author.ID.UUID[:], id[:], content[:], times[:])
}

// sealHolds reports whether a stamp that came with an entry is one that this service gave it.
func (s *Service) sealHolds(u *upload, o *door.Offered) bool {
	stamp := practice.Stamp{Received: o.Stamp.Received, ClockOffset: o.Stamp.ClockOffset}
	return hmac.Equal(o.Stamp.Seal, s.seal(u.household, u.author, o.Entry.ID.UUID, o.Content, stamp))
}
