package simulate

import (
	"bytes"
	"cmp"
	"maps"
	"slices"

	"github.com/go-json-experiment/json"

	"swallowtail/api/client"
	"swallowtail/internal/served"
)

// checkRow holds the learner's roster row to the model.
func (m *model) checkRow(row []byte) {
	var line client.RosterLine
	if err := json.Unmarshal(row, &line); err != nil {
		m.world.broken("read a roster row: %v", err)
		return
	}
	if want := m.onHold(); line.Hold != want {
		m.world.violate(IncidentHolds, "the learner is on hold: %t, and must be: %t", line.Hold, want)
	}
}

// checkNights holds the nights to the model.
func (m *model) checkNights(docs map[string][]byte) {
	var sittings []served.Sitting
	for _, key := range slices.Sorted(maps.Keys(docs)) {
		var night served.Night
		if err := json.Unmarshal(docs[key], &night); err != nil {
			m.world.broken("read a night: %v", err)
			return
		}
		sittings = append(sittings, night.Sittings...)
	}
	m.checkReadings(sittings)
	standing := m.settlements()
	for _, s := range sittings {
		for i := range s.Tries {
			m.checkTry(&s.Tries[i], standing)
		}
	}
	m.checkLinks(sittings)
}

// checkReadings checks that exactly what stands is read, as it was written.
func (m *model) checkReadings(sittings []served.Sitting) {
	got := map[string]reading{}
	for _, s := range sittings {
		for _, t := range s.Tries {
			for _, r := range t.Readings {
				if !r.Copied {
					got[r.Entry.String()] = readingOf(r)
				}
			}
		}
	}
	must, may := m.readings()
	m.checkWhatMustBeRead(got, must)
	for _, id := range slices.Sorted(maps.Keys(got)) {
		_, expected := must[id]
		if possible, there := may[id]; expected || (there && possible == got[id]) {
			continue
		}
		which := AccountsApart
		if at, known := m.at[id]; known && !m.counts(&m.said[at]) {
			which = RevokedReadsNothing
		}
		m.world.violate(which, "entry %s is read, and does not stand", id)
	}
}

func (m *model) checkWhatMustBeRead(got, must map[string]reading) {
	unseen := m.unseenEdits()
	for _, id := range slices.Sorted(maps.Keys(must)) {
		read, there := got[id]
		switch {
		case there && read == must[id]:
		case !there && slices.Contains(unseen, id):
			m.world.violate(UnseenEditStands, "entry %s, an edit that a withdrawal had not seen, is not read", id)
		default:
			m.world.violate(AccountsApart, "entry %s is read as %v (there: %t), and says %v", id, read, there, must[id])
		}
	}
}

func readingOf(r served.Reading) reading { return reading{string(r.Outcome), int(r.Ease)} }

// span is what the readings of a try come to.
type span struct {
	cautious        reading // the most cautious of them, whole
	differ          bool    // in outcome, or in ease by 2 or more
	lowest, highest int     // ease, 0 where none has one
}

func spanOf(readings []served.Reading) span {
	s := span{cautious: readingOf(readings[0])}
	for _, r := range readings {
		read := readingOf(r)
		s.differ = s.differ || r.Outcome != readings[0].Outcome
		if c := cmp.Compare(caution(read.outcome), caution(s.cautious.outcome)); c < 0 || (c == 0 && read.ease < s.cautious.ease) {
			s.cautious = read
		}
		if read.ease > 0 && (s.lowest == 0 || read.ease < s.lowest) {
			s.lowest = read.ease
		}
		s.highest = max(s.highest, read.ease)
	}
	s.differ = s.differ || s.highest-s.lowest >= 2
	return s
}

// checkTry checks what counts of a try.
func (m *model) checkTry(t *served.Try, standing []settlement) {
	of := spanOf(t.Readings)
	counts := reading{string(t.Outcome), int(t.Ease)}
	holds := holding(t, standing, of)
	switch {
	case holds != nil:
		if t.Agreement != "settled" || counts != (reading{holds.body.Outcome, holds.body.Ease}) {
			m.world.violate(SettlementHolds, "settlement %s holds, and %+v counts", holds.id, t)
		}
	case t.Agreement == "settled":
		m.world.violate(SettlementHolds, "no settlement holds of %+v", t)
	case counts != of.cautious:
		m.world.violate(MostCautious, "the most cautious reading is %v, and %+v counts", of.cautious, t)
	case (t.Agreement == "disagreed") != of.differ:
		m.world.violate(DisagreementOpen, "the readings differ: %t, of %+v", of.differ, t)
	}
}

// holding returns the settlement that must hold of a try, nil where none must.
func holding(t *served.Try, standing []settlement, of span) *settlement {
	if len(t.Readings) < 2 {
		return nil
	}
	var read, outcomes []string
	for _, r := range t.Readings {
		read, outcomes = append(read, r.Entry.String()), append(outcomes, string(r.Outcome))
	}
	slices.Sort(read)
	read = slices.Compact(read) // a copy may be the reading of two witnesses
	for i := range standing {
		body := &standing[i].body
		judged := slices.Compact(slices.Sorted(slices.Values(body.Judged)))
		within := of.lowest <= body.Ease && body.Ease <= of.highest
		if body.Outcome == "refused" {
			within = body.Ease == 0
		}
		if slices.Equal(judged, read) && slices.Contains(outcomes, body.Outcome) && within {
			return &standing[i]
		}
	}
	return nil
}

// checkLinks checks what links say of the sittings.
func (m *model) checkLinks(sittings []served.Sitting) {
	at := map[string]int{}
	for i, s := range sittings {
		for _, subject := range s.Sessions {
			at[subject.String()] = i
		}
	}
	distinct, same := m.links()
	for _, pair := range distinct {
		one, ok := at[pair[0]]
		other, too := at[pair[1]]
		if ok && too && one == other {
			m.world.violate(DistinctRespected, "sessions %v are in one sitting", pair)
		}
	}
	if len(distinct) > 0 {
		return // what keeps a pair apart may be any of them
	}
	for _, pair := range same {
		one, ok := at[pair[0]]
		other, too := at[pair[1]]
		if ok && too && one != other {
			m.world.violate(DistinctRespected, "sessions %v are the same by a link, and in two sittings", pair)
		}
	}
}

// sameEntry reports whether what is stored is what was written, as JSON has it.
func sameEntry(written client.Entry, sent []byte) bool {
	written.Stamp = nil
	want, err := json.Marshal(written)
	if err != nil || bytes.Equal(want, sent) {
		return err == nil
	}
	var stored client.Entry
	if json.Unmarshal(sent, &stored) != nil {
		return false
	}
	got, err := json.Marshal(stored)
	return err == nil && bytes.Equal(want, got)
}
