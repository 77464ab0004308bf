package simulate

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
)

// Bounds of the healing.
const (
	mostRounds = 3 // in each of which every phone syncs once
	mostCalls  = 400
)

// heal lets the faults end and every phone sync in peace, then checks everything.
func (w *World) heal() {
	w.say("heal")
	for _, p := range w.phones {
		w.kill(p)
		p.disk.next = saves
	}
	w.exchanges, w.late = nil, nil
	w.server.restart(w)
	w.now = w.now.Add(30 * time.Hour) // so that whatever was practised lies in the past, but by the wildest clocks
	w.syncAll()
	w.checkBack()
	w.checkQuiet()
	if len(w.violations) == 0 {
		w.check()
	}
}

// syncAll has every phone sync, then again those that are behind what the last of them has handed in, and a third time where
// one had to be let in anew before it could. Those that have something to hand in go first, since then fewer are behind.
func (w *World) syncAll() {
	for round := range mostRounds {
		behind := slices.Clone(w.phones)
		if round > 0 {
			behind = w.behind()
		}
		w.say("healed", round, len(behind))
		if len(behind) == 0 {
			return
		}
		slices.SortStableFunc(behind, func(a, b *phone) int { return -cmp.Compare(b2i(a.hasMore()), b2i(b.hasMore())) })
		for _, p := range behind {
			w.syncInPeace(p)
		}
	}
}

// hasMore reports whether the phone has something to hand in, that it knows of.
func (p *phone) hasMore() bool { return len(p.disk.state.Outbox) > 0 }

// behind returns the phones that have something to hand in, or have not seen all there is.
func (w *World) behind() []*phone {
	head := len(w.stored())
	kept := w.projection()
	nights := w.nightDocs(&kept)
	return slices.DeleteFunc(slices.Clone(w.phones), func(p *phone) bool {
		state := &p.disk.state
		reads := !w.ledger.revoked[p.principal.DeviceID]
		return p.syncs > 0 && !p.hasMore() && (!reads || (len(state.Entries) == head && p.has(nights)))
	})
}

// has reports whether the phone's nights are these.
func (p *phone) has(nights map[string][]byte) bool {
	return maps.EqualFunc(p.disk.state.Nights, nights, func(held client.NightCopy, doc []byte) bool {
		return bytes.Equal(held.Document, doc)
	})
}

// syncInPeace lets a phone sync once over a network without fault.
func (w *World) syncInPeace(p *phone) client.Report {
	r := p.sync()
	for range mostCalls {
		if r.waits == nil {
			break
		}
		w.ask(r.waits)
		r.advance()
	}
	if r.waits != nil {
		w.violate(Quiet, "a sync of phone %d does not end", p.number)
	}
	if r.err == nil {
		p.syncs++
	}
	return r.report
}

// checkBack checks that whatever phones hold is in the store, after three syncs of each.
func (w *World) checkBack() {
	held := w.stored()
	which := NothingMissing
	if w.ledger.rollbacks > 0 {
		which = BackInThree
	}
	for _, p := range w.phones {
		if p.syncs > 0 {
			w.checkHeld(p, held, which)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(w.ledger.acknowledged)) {
		if !held[id] {
			w.violate(NothingMissing, "entry %s was acknowledged and is missing", id)
		}
	}
}

func (w *World) checkHeld(p *phone, held map[string]bool, which Invariant) {
	state := &p.disk.state
	for _, item := range state.Outbox {
		w.violate(which, "after %d syncs phone %d still waits with entry %s (%s)", p.syncs, p.number, item.Entry.ID, item.Status)
	}
	for _, e := range state.HandedIn {
		if !held[e.ID] && w.ledger.rollbacks == 0 {
			w.violate(which, "entry %s, which revoked phone %d handed in, is missing", e.ID, p.number)
		}
	}
	if w.ledger.revoked[p.principal.DeviceID] {
		return // it reads nothing, so what it has seen it can't offer again for its own
	}
	for _, id := range slices.Sorted(maps.Keys(state.Entries)) {
		if !held[id] {
			w.violate(which, "phone %d holds entry %s, which is missing", p.number, id)
		}
	}
}

// checkQuiet checks that nothing is left to say, in half of the schedules by letting one of the phones say it.
func (w *World) checkQuiet() {
	if n := len(w.behind()); n > 0 {
		w.violate(Quiet, "after %d rounds %d phones are not in step", mostRounds, n)
	}
	if !w.chance(2) {
		return
	}
	p := w.anyPhone()
	report := w.syncInPeace(p)
	if report.Pushed+report.Pulled+report.StartedOver > 0 || report.Calls > 1 {
		w.violate(Quiet, "phone %d still has something to say: %+v", p.number, report)
	}
}

// checkReplicas checks that every phone that may read holds what the server does.
func (w *World) checkReplicas(stored []clinic.StoredEntry, nights map[string][]byte) {
	for _, p := range w.phones {
		if w.ledger.revoked[p.principal.DeviceID] {
			continue
		}
		state := &p.disk.state
		if len(state.Entries) != len(stored) {
			w.violate(ReplicasEqual, "phone %d holds %d entries, the server %d", p.number, len(state.Entries), len(stored))
		}
		for i := range stored {
			e := &stored[i]
			known := state.Entries[e.ID.String()]
			if known.Rev != e.Rev || known.Status != string(e.Status) || known.Author.ID != e.Author.ID.String() {
				w.violate(ReplicasEqual, "phone %d has entry %s as %s at %d, the server as %s at %d",
					p.number, e.ID, known.Status, known.Rev, e.Status, e.Rev)
			}
		}
		w.checkNights(p, nights)
	}
}

func (w *World) checkNights(p *phone, nights map[string][]byte) {
	held := map[string][]byte{}
	for key, night := range p.disk.state.Nights {
		held[key] = night.Document
	}
	w.compareNights(ReplicasEqual, fmt.Sprintf("on phone %d", p.number), held, nights, bytes.Equal)
}

// projection returns what the server keeps of the learner's fold.
func (w *World) projection() (p clinic.Projection) {
	w.view(func(ctx context.Context, view clinic.View) (err error) {
		p, err = view.Projection(ctx, w.house.learner)
		return err
	})
	return p
}

// nightDocs returns the nights as the server folds them at the instant of what it keeps, by learner and date as phones have them.
func (w *World) nightDocs(kept *clinic.Projection) map[string][]byte {
	return w.nightsOf(w.street.service(lookedAt{w.server.store}, w.server.beside), kept.Folded)
}
