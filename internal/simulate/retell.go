package simulate

import (
	"bytes"
	"maps"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// retold is in how many schedules one is told again to an empty server: it takes as long as the healing.
const retold = 32

// retelling is what a server is told of an entry, once more.
type retelling struct {
	author   practice.Author
	setAside bool
	sent     []byte
}

// checkRetold tells an empty server everything once more, each entry with its stamp, in another order, in other groups and
// some of it twice: the nights must be the same.
func (w *World) checkRetold(stored []clinic.StoredEntry, nights map[string][]byte) {
	var all []retelling
	for i := range stored {
		e := &stored[i]
		all = append(all, retelling{e.Author, e.Status == practice.SetAside, w.stamped(e)})
	}
	all = append(all, all[:len(all)/3]...)
	w.compareNights(OrderIsNothing, "told in another order", w.retell(all, w.now), nights, func(a, b []byte) bool {
		return bytes.Equal(heardOrNot(a), heardOrNot(b))
	})
}

// heardOrNot makes no difference between a night of which there is no news and a missed one: that depends upon when each
// phone was heard from, which retelling does not repeat.
func heardOrNot(doc []byte) []byte {
	return bytes.Replace(doc, []byte(`"status":"unheard"`), []byte(`"status":"missed"`), 1)
}

// stamped returns an entry as a phone offers it again.
func (w *World) stamped(e *clinic.StoredEntry) []byte {
	var members map[string]jsontext.Value
	if json.Unmarshal(e.Sent, &members) != nil {
		return e.Sent
	}
	stamp, err := json.Marshal(w.reader.stamps[e.ID])
	if err != nil {
		return e.Sent
	}
	members["stamp"] = stamp
	sent, err := json.Marshal(members)
	if err != nil {
		return e.Sent
	}
	return sent
}

// checkShifted tells an empty server everything once more as if all clocks were right, and another as if all had been
// wrong by the same: what is read of the tries must be the same.
func (w *World) checkShifted(stored []clinic.StoredEntry) {
	shifts := []time.Duration{-3 * time.Minute, 4 * time.Minute, -11 * time.Hour, 200 * 24 * time.Hour}
	shift, _ := oneOf(w, shifts)
	var plain, shifted []retelling
	for i := range stored {
		e := &stored[i]
		r := retelling{e.Author, e.Status == practice.SetAside, e.Sent}
		plain = append(plain, r)
		if e.Author.Role == practice.Caregiver { // the clinic's clock is the server's
			r.sent = later(e.Sent, shift)
		}
		shifted = append(shifted, r)
	}
	want, got := readingsOf(w.retell(plain, w.now)), readingsOf(w.retell(shifted, w.now.Add(shift)))
	if !maps.Equal(want, got) {
		w.violate(ClocksDecideNothing, "with all clocks shifted by %s the readings are %v, not %v", shift, got, want)
	}
}

// later returns an entry as it would have been written with the clock ahead.
func later(sent []byte, shift time.Duration) []byte {
	var e client.Entry
	if json.Unmarshal(sent, &e) != nil {
		return sent
	}
	e.RecordedAt = laterText(e.RecordedAt, shift)
	var session client.SessionBody
	if e.Kind == client.KindSession && json.Unmarshal(e.Body, &session) == nil {
		session.PractisedAt = session.PractisedAt.Add(shift)
		e.Body, _ = json.Marshal(session) // what has been read can be written
	}
	moved, err := json.Marshal(e)
	if err != nil {
		return sent
	}
	return moved
}

func laterText(text string, shift time.Duration) string {
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return text
	}
	return at.Add(shift).Format(time.RFC3339Nano)
}

func readingsOf(nights map[string][]byte) map[string]reading {
	readings := map[string]reading{}
	for _, doc := range nights {
		var night served.Night
		if json.Unmarshal(doc, &night) != nil {
			continue
		}
		for _, s := range night.Sittings {
			for _, t := range s.Tries {
				for _, r := range t.Readings {
					readings[r.Entry.String()] = reading{string(r.Outcome), int(r.Ease)}
				}
			}
		}
	}
	return readings
}

// retell tells a new server everything, in any order, a few entries of one author at a time, and returns the nights.
func (w *World) retell(all []retelling, clock time.Time) map[string][]byte {
	storage, err := w.street.engine.From(w.ctx, w.house.before)
	if err != nil {
		w.broken("open an empty server: %v", err)
		return nil
	}
	service := w.street.service(storage, newBeside(w.house.made))
	w.random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	for len(all) > 0 {
		n := 1
		for n < len(all) && all[n].author == all[0].author && all[n].setAside == all[0].setAside {
			n++
		}
		if err := w.tellGroup(service, all[:n], clock); err != nil {
			w.broken("tell a server once more: %v", err)
		}
		all = all[n:]
	}
	nights := w.nightsOf(service, w.now)
	if err := storage.Close(); err != nil {
		w.broken("close a server: %v", err)
	}
	return nights
}

func (w *World) tellGroup(service *clinic.Service, group []retelling, clock time.Time) error {
	var raws [][]byte
	for _, r := range group {
		raws = append(raws, r.sent)
	}
	if group[0].author.Role == practice.Clinician {
		_, err := service.AddEntries(w.ctx, w.house.clinician, w.house.learner, raws, w.now)
		return err
	}
	p := w.reader.principal
	p.CaregiverID, p.UploadOnly = group[0].author.ID.UUID, group[0].setAside
	_, err := service.Sync(w.ctx, p, clinic.SyncRequest{Schema: client.Schema, Sent: clock, Limit: 1, Entries: raws}, w.now)
	return err
}
