package simulate

import (
	"bytes"
	"context"
	"encoding/binary"
	"maps"
	"slices"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
)

// check checks the healed world.
func (w *World) check() {
	stored := w.storedEntries()
	kept := w.projection()
	nights := w.nightDocs(&kept)
	w.say("check", len(stored), len(nights))
	w.checkReplicas(stored, nights)
	w.checkStored(stored)
	o := w.model(stored)
	o.checkRow(kept.Row)
	o.checkNights(nights)
	w.lookCloser(stored, nights)
	for _, n := range kept.Nights {
		w.say("night", int(n.Night), int(n.ChangedRev), int(binary.BigEndian.Uint64(n.Print[:]))) //nolint:gosec // only the bits matter
	}
}

// lookCloser checks what takes as long as a phone's sync, one thing in each schedule, and now and then what takes longer.
func (w *World) lookCloser(stored []clinic.StoredEntry, nights map[string][]byte) {
	retell := w.chance(retold)
	look := w.random.IntN(3)
	if look == 0 || retell { // which goes by the stamps that the reader has seen
		w.readOn()
		w.checkReader(stored)
	}
	switch look {
	case 1:
		w.checkStore()
	case 2:
		w.checkFoldOrder(nights)
	}
	if retell {
		w.checkRetold(stored, nights)
	}
	if w.chance(retold) {
		w.checkShifted(stored)
	}
}

// checkReader checks that the reader has seen what there is.
func (w *World) checkReader(stored []clinic.StoredEntry) {
	want := make([]uuid.UUID, len(stored))
	for i := range stored {
		want[i] = stored[i].ID
	}
	if !slices.Equal(want, w.reader.seen) {
		w.violate(ReaderSeesOnce, "the reader has seen %d entries of %d, or others", len(w.reader.seen), len(want))
	}
}

// checkStore lets the server check its store.
func (w *World) checkStore() {
	report, err := w.server.service.Check(w.ctx)
	if err != nil {
		w.broken("check: %v", err)
	}
	for _, d := range report.Differences {
		w.violate(StoreChecks, "%s", d.What)
	}
}

// checkStored checks that each entry is there once, as it was written, in an order without gaps.
func (w *World) checkStored(stored []clinic.StoredEntry) {
	seen := map[uuid.UUID]bool{}
	for i := range stored {
		e := &stored[i]
		if e.Rev != int64(i)+1 {
			w.violate(StoreChecks, "entry %s has revision %d at place %d", e.ID, e.Rev, i+1)
		}
		if seen[e.ID] {
			w.violate(StoredOnce, "entry %s is stored twice", e.ID)
		}
		seen[e.ID] = true
		written, known := w.ledger.written[e.ID.String()]
		if !known {
			w.violate(StoredOnce, "nobody wrote entry %s", e.ID)
			continue
		}
		if !sameEntry(written, e.Sent) {
			w.violate(StoredOnce, "entry %s is stored as %s, and was written as %+v", e.ID, e.Sent, written)
		}
	}
}

// shuffled is a store of which the entries for a fold come in another order, and some of them twice.
type shuffled struct {
	clinic.Store
	world *World
}

type shuffledView struct {
	clinic.View
	world *World
}

// Read implements clinic.Store.
func (s shuffled) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	return s.Store.Read(ctx, func(ctx context.Context, view clinic.View) error { return fn(ctx, shuffledView{view, s.world}) })
}

// Folder implements clinic.RecordView.
func (v shuffledView) Folder(ctx context.Context, household uuid.UUID) (clinic.Folder, error) {
	return clinic.FolderOf(ctx, v, household)
}

// Entries implements clinic.RecordView.
func (v shuffledView) Entries(ctx context.Context, household uuid.UUID, after int64, limit int) ([]clinic.StoredEntry, error) {
	entries, err := v.View.Entries(ctx, household, after, limit)
	entries = slices.Concat(entries, entries[:len(entries)/2])
	v.world.random.Shuffle(len(entries), func(i, j int) { entries[i], entries[j] = entries[j], entries[i] })
	return entries, err
}

// lookedAt is a store that is only looked at: what a reading puts on the audit trail is not kept, since the server knows
// nothing of this reading.
type lookedAt struct{ clinic.Store }

// InTx implements clinic.Store.
func (lookedAt) InTx(context.Context, func(ctx context.Context, tx clinic.Tx) error) error {
	return nil
}

// checkFoldOrder folds the entries in another order, with repetitions.
func (w *World) checkFoldOrder(nights map[string][]byte) {
	service := w.street.service(shuffled{lookedAt{w.server.store}, w}, w.server.beside)
	w.compareNights(OrderIsNothing, "folded in another order", w.nightsOf(service, w.now), nights, bytes.Equal)
}

// nightsOf returns a learner's nights as a server folds them at an instant, by learner and date as phones have them.
func (w *World) nightsOf(service *clinic.Service, at time.Time) map[string][]byte {
	answer, err := service.Nights(w.ctx, w.house.clinician, w.house.learner, clinic.Question{}, at)
	if err != nil {
		w.broken("read nights: %v", err)
	}
	docs := map[string][]byte{}
	for _, doc := range slices.Concat(answer.Nights, answer.Earlier) {
		var night client.GoneNight // all that is needed to name it
		if err := json.Unmarshal(doc, &night); err != nil {
			w.broken("read a night: %v", err)
		}
		docs[night.LearnerID+"/"+night.Night] = doc
	}
	return docs
}

// compareNights checks that there are the same nights, each the same.
func (w *World) compareNights(i Invariant, when string, got, want map[string][]byte, same func(a, b []byte) bool) {
	for _, key := range slices.Sorted(maps.Keys(want)) {
		if !same(got[key], want[key]) {
			w.violate(i, "%s, night %s is %s, not %s", when, key, got[key], want[key])
		}
	}
	if len(got) != len(want) {
		w.violate(i, "%s, there are %d nights, not %d", when, len(got), len(want))
	}
}
