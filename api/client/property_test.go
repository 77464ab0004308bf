package client_test

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"swallowtail/api/client"
)

// household is the phones of its caregivers with their server, played at random. The phones' disks watch every step.
type household struct {
	server *server
	phones []*phone
	clinic client.Pen
	nights int
	stamps map[string]client.Stamp // as the phone that wrote the entry first saw it
}

func newHousehold(t *rapid.T, writers ...client.Writer) *household {
	s := newServer()
	h := &household{server: s, stamps: map[string]client.Stamp{}}
	for _, w := range writers {
		h.phones = append(h.phones, newPhone(t, s, w))
	}
	desk := newPhone(t, s, client.Writer{Device: "00000000-0000-4000-8000-0000000000d9", Caregiver: learner})
	h.clinic = client.Pen{Now: desk.now, NewID: desk.newID}
	return h
}

func (h *household) draw(t *rapid.T) *phone {
	return rapid.SampledFrom(h.phones).Draw(t, "phone")
}

func (h *household) record(t *rapid.T) {
	h.nights++
	p := h.draw(t)
	evening := eveningOf(h.nights%28 + 1)
	evening.Tries = evening.Tries[:1]
	written, err := p.RecordEvening(evening)
	h.recorded(t, p, err, written.Entries...)
}

func (h *household) recorded(t *rapid.T, p *phone, err error, entries ...client.Entry) {
	if err == nil {
		p.keep(nil, entries...)
		return
	}
	require.ErrorIs(t, err, errPower)
	p.restart()
	// The power may have failed after the text was written: then it is recorded all the same.
	for _, e := range p.Outbox() {
		p.recorded[e.ID] = e
	}
}

func (h *household) change(t *rapid.T) {
	p := h.draw(t)
	own := slices.DeleteFunc(slices.Sorted(maps.Keys(p.recorded)), func(id string) bool { return p.recorded[id].Kind != client.KindTry })
	if len(own) == 0 {
		t.Skip("nothing to change")
	}
	target := p.recorded[rapid.SampledFrom(own).Draw(t, "entry")]
	if rapid.Bool().Draw(t, "withdraw") {
		entry, err := p.Retract(target.Subject, "")
		h.recorded(t, p, err, entry)
		return
	}
	ease := rapid.IntRange(1, 6).Draw(t, "ease") // 6 is quarantined
	entry, err := p.Edit(target.ID, client.TryBody{Session: learner, Position: "up", Number: 1, Medium: "sweet", Outcome: "swallowed", Ease: ease})
	h.recorded(t, p, err, entry)
}

func (h *household) wish(t *rapid.T) {
	p := h.draw(t)
	entry := client.Pen{Now: p.now, NewID: p.newID}.Raw(learner, "wish", json.RawMessage(`{"size":6.0}`))
	h.recorded(t, p, p.Record(entry), entry)
}

func (h *household) sync(t *rapid.T) {
	p := h.draw(t)
	p.faults = rapid.SliceOfN(rapid.Map(rapid.IntRange(0, int(faults)-1), func(i int) fault { return fault(i) }), 0, 6).Draw(t, "faults")
	_, err := p.Device.Sync(context.Background())
	p.faults = nil
	if err != nil {
		require.True(t, expected(err), "%v", err)
	}
	h.noteStamps(p)
	if rapid.Bool().Draw(t, "restart") {
		p.restart()
	}
}

func (h *household) powerFailure(t *rapid.T) {
	p := h.draw(t)
	p.disk.failAt = p.disk.saves + rapid.IntRange(0, 3).Draw(t, "save")
	p.disk.written = rapid.Bool().Draw(t, "written")
}

func (h *household) clinician(*rapid.T) {
	h.server.write(h.clinic.Raw(learner, client.KindChoose, json.RawMessage(`{"position":"left"}`)))
}

func (h *household) rollBack(t *rapid.T) {
	h.server.rollBack(rapid.IntRange(0, h.server.head()).Draw(t, "revision"), rapid.Bool().Draw(t, "announced"))
}

// noteStamps remembers the stamps of a phone's own entries that are in step with the server.
func (h *household) noteStamps(p *phone) {
	for _, known := range p.Entries() {
		if _, noted := h.stamps[known.Entry.ID]; !noted && known.Device == p.writer.Device && !known.Former {
			h.stamps[known.Entry.ID] = *known.Entry.Stamp
		}
	}
}

// settle brings everybody in step without further faults, and checks what came of it.
func (h *household) settle(t *rapid.T) {
	for range 2 {
		for _, p := range h.phones {
			p.disk.failAt = -1
			p.restart()
			p.inStep()
		}
	}
	held := map[string]client.Change{}
	for _, change := range h.server.changes() {
		held[change.ID] = change
	}
	for _, p := range h.phones {
		requireInStep(t, p)
		for id, entry := range p.recorded {
			require.Contains(t, held, id)
			require.JSONEq(t, string(entry.Body), string(held[id].Body))
		}
	}
}

// No sequence of recording, faulty calls, power failures, restarts and restores loses an entry or leaves phones apart.
func TestNothingRecordedIsLost(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := newHousehold(t, mother, motherTwice, father)
		t.Repeat(map[string]func(*rapid.T){
			"record": h.record, "change": h.change, "wish": h.wish, "sync": h.sync, "sync more": h.sync, "clinician": h.clinician,
			"power failure": h.powerFailure, "roll back": h.rollBack,
		})
		h.settle(t)
	})
}

// Once the only phone that offers an entry has seen its stamp, the entry keeps it.
func TestStampsOutliveRestores(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := newHousehold(t, mother, father)
		t.Repeat(map[string]func(*rapid.T){"record": h.record, "sync": h.sync, "roll back": h.rollBack})
		h.settle(t)
		for _, change := range h.server.changes() {
			if stamp, noted := h.stamps[change.ID]; noted {
				require.Equal(t, stamp, *change.Stamp)
			}
		}
	})
}
