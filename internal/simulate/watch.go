package simulate

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"slices"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/api/client"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// ledger is what the world knows, beside the server and the phones.
type ledger struct {
	written      map[string]client.Entry // whatever anybody wrote, by id
	acknowledged map[string]bool         // what a phone was told the server keeps, and no rollback has undone
	stamps       map[string]client.Stamp // as the author's phone saw them
	revoked      map[uuid.UUID]bool      // phones, by device
	everRevoked  map[uuid.UUID]bool      // phones that were so at some time, whatever a rollback has undone since
	judged       map[string]bool         // what somebody has settled
	lost         map[string]bool         // what a rollback has undone
	unstamped    map[string]bool         // of that, what has come again from somebody who could not know its stamp
	rollbacks    int
	// undone marks that the answer which a phone is reading was given before a rollback: what it acknowledges may be gone.
	undone bool
}

func newLedger() ledger {
	return ledger{
		written: map[string]client.Entry{}, acknowledged: map[string]bool{}, stamps: map[string]client.Stamp{},
		revoked: map[uuid.UUID]bool{}, everRevoked: map[uuid.UUID]bool{}, judged: map[string]bool{}, lost: map[string]bool{}, unstamped: map[string]bool{},
	}
}

// wrote notes what a phone or the clinician has written.
func (w *World) wrote(entries ...client.Entry) {
	for _, e := range entries {
		w.operations++
		w.ledger.written[e.ID] = e
	}
}

// watchSave looks at what a phone is about to save.
func (w *World) watchSave(p *phone, old, next *client.State) {
	if next.Doubted {
		w.violate(ReplicasEqual, "phone %d finds that what it knows does not give the server's digest", p.number)
	}
	w.watchOutbox(p, old, next)
	own := client.Author{Role: client.RoleCaregiver, ID: p.caregiver().String()}
	for id, known := range next.Entries {
		if known.Author == own {
			w.watchStamp(p, id, known)
		}
	}
	for id, known := range old.Entries {
		offered := known.Author == own && known.Whole && known.Device != "" && known.Status != client.SetAside
		if _, still := next.Entries[id]; !still && offered && !waits(next, id) {
			w.violate(NothingMissing, "phone %d forgets entry %s of its own", p.number, id)
		}
	}
}

// waits reports whether an entry is in the outbox, or among what the phone handed in when it was revoked.
func waits(s *client.State, id string) bool {
	return slices.ContainsFunc(s.Outbox, func(item client.Pending) bool { return item.Entry.ID == id }) ||
		slices.ContainsFunc(s.HandedIn, func(e client.Entry) bool { return e.ID == id })
}

func (w *World) watchOutbox(p *phone, old, next *client.State) {
	before := map[int64]string{} // statuses
	for _, item := range old.Outbox {
		before[item.Seq] = item.Status
	}
	for _, item := range next.Outbox {
		if before[item.Seq] != item.Status && kept(item.Status) {
			w.acknowledge(item.Entry.ID)
		}
		delete(before, item.Seq)
	}
	for _, item := range old.Outbox {
		if _, gone := before[item.Seq]; gone {
			w.watchDeparture(p, item, old, next)
			w.acknowledge(item.Entry.ID)
		}
	}
}

// kept reports whether a result says that the server keeps the entry.
func kept(status string) bool {
	switch status {
	case client.Accepted, client.Duplicate, client.Parked, client.Quarantined, client.SetAside:
		return true
	}
	return false
}

// watchDeparture looks at why an entry leaves an outbox.
func (w *World) watchDeparture(p *phone, item client.Pending, old, next *client.State) {
	known, seen := next.Entries[item.Entry.ID]
	seen = seen && !known.Former && bytes.Equal(known.Entry.Body, item.Entry.Body)
	handedIn := len(next.HandedIn) > len(old.HandedIn) && w.ledger.everRevoked[p.principal.DeviceID]
	if !seen && !handedIn {
		w.violate(OutboxBySight, "phone %d lets go of entry %s, which it has not seen", p.number, item.Entry.ID)
	}
}

func (w *World) acknowledge(id string) {
	if !w.ledger.undone {
		w.ledger.acknowledged[id] = true
	}
}

func (w *World) watchStamp(p *phone, id string, known client.Known) {
	if known.Former || known.Entry.Stamp == nil {
		return
	}
	before, seen := w.ledger.stamps[id]
	if seen && before != *known.Entry.Stamp && !w.ledger.unstamped[id] {
		w.violate(StampStays, "phone %d sees entry %s stamped %v, after %v", p.number, id, *known.Entry.Stamp, before)
	}
	w.ledger.stamps[id] = *known.Entry.Stamp
}

// watchOffer looks at what a phone is about to offer: whatever it has seen in the feed goes with the stamp it was seen with.
func (w *World) watchOffer(p *phone, entries []client.Entry) {
	for _, e := range entries {
		known, seen := p.disk.state.Entries[e.ID]
		if seen && known.Whole && known.Entry.Stamp != nil && (e.Stamp == nil || *e.Stamp != *known.Entry.Stamp) {
			w.violate(StampStays, "phone %d offers entry %s without the stamp it was seen with", p.number, e.ID)
		}
	}
}

// watchArrival notes what comes without a stamp, after a rollback has undone it, from a phone that has not seen it.
func (w *World) watchArrival(x *exchange) {
	for _, e := range x.entries {
		if e.Stamp == nil && w.ledger.lost[e.ID] {
			w.ledger.unstamped[e.ID] = true
		}
	}
}

// watchAnswer looks at what the server tells a phone.
func (w *World) watchAnswer(to access.Principal, body []byte) {
	if !w.ledger.revoked[to.DeviceID] {
		return
	}
	var answer map[string]jsontext.Value
	if err := json.Unmarshal(body, &answer); err != nil || len(answer) != 1 || answer["results"] == nil {
		w.violate(RevokedReadsNothing, "a revoked phone is told %s", body)
	}
}

// finished looks at how a Sync of a phone ended.
func (w *World) finished(r *run) {
	p := r.process.phone
	if r.err == nil {
		w.say("in step", p.number, r.report.Pushed, r.report.Pulled, r.report.Calls)
		return
	}
	problem := client.AsProblem(r.err)
	switch {
	case errors.Is(r.err, errKilled), errors.Is(r.err, errLost), errors.Is(r.err, errDisk):
		w.say("broken off", p.number)
	case problem != nil && problem.Status == http.StatusUnauthorized:
		w.say("not known any more", p.number)
		p.reenrol()
	case errors.Is(r.err, client.ErrRounds) && len(w.exchanges) > 0:
		w.say("overtaken too often", p.number)
	default:
		w.broken("a sync of phone %d: %v", p.number, r.err)
	}
}

// reenrol has a phone that the server does not know let in again, under a new device id. What it holds it keeps.
func (p *phone) reenrol() {
	w := p.world
	if p.process != nil {
		p.process.killed = true // the program starts anew with its new tokens
	}
	p.principal = w.enrol(p.caregiver())
}

// stored returns the ids that the server holds.
func (w *World) stored() map[string]bool {
	held := map[string]bool{}
	for _, e := range w.storedEntries() {
		held[e.ID.String()] = true
	}
	return held
}

// afterRollback forgets what an older state of the server undoes. What phones hold must come back all the same.
func (w *World) afterRollback(announced bool) {
	w.ledger.rollbacks++
	w.afterRevocations(announced)
	held := w.stored()
	for id := range w.ledger.acknowledged {
		if !held[id] {
			delete(w.ledger.acknowledged, id)
		}
	}
	for id := range w.ledger.written {
		if !held[id] {
			w.ledger.lost[id] = true
		}
	}
}

// afterRevocations checks that an announced restore has let nobody back in. Where nothing was announced, some may be.
func (w *World) afterRevocations(announced bool) {
	w.view(func(ctx context.Context, view clinic.View) error {
		devices, err := view.Devices(ctx, w.house.household)
		revoked := map[uuid.UUID]bool{}
		for _, d := range devices {
			if !d.Revoked.IsZero() {
				revoked[d.ID] = true
			}
		}
		for id := range w.ledger.revoked {
			if announced && !revoked[id] {
				w.violate(RevokedReadsNothing, "an announced restore lets device %s back in", id)
			}
		}
		w.ledger.revoked = revoked // a journal may bring back a revocation that an earlier rollback had undone
		return err
	})
}
