package simulate

import (
	"encoding/json"
	"errors"
	"slices"
	"time"

	"swallowtail/api/client"
)

// What the family writes. All of it goes through the device side, as its app would have it.

var positions = []string{"centre", "right", "left", "up", "down"}

// writes notes what a phone has written. A phone that dies around the save has written it or not, and its disk says which.
func (p *phone) writes(entries []client.Entry, err error) {
	w := p.world
	switch {
	case err == nil, errors.Is(err, errKilled):
		w.wrote(entries...)
		w.say("write", p.number, len(entries))
	case errors.Is(err, errDisk), errors.Is(err, client.ErrEntry):
		w.say("could not write", p.number)
	default:
		w.broken("phone %d can't write: %v", p.number, err)
	}
	p.reap()
}

// practise records an evening: often the one that somebody else has recorded too.
func (w *World) practise() {
	p := w.anyPhone()
	if w.chance(3) {
		w.occasion = w.now.Add(-time.Duration(1+w.random.IntN(180)) * time.Minute)
	}
	start := w.occasion.Add(time.Duration(w.random.IntN(80)-40) * time.Minute)
	if start.After(w.now) {
		start = w.now
	}
	evening := client.Evening{
		Learner: w.house.learner.String(), Timezone: p.zone.String(), PractisedAt: start.Add(p.wrong).In(p.zone), Tries: w.tries(1 + w.random.IntN(4)),
	}
	written, err := p.open().device.RecordEvening(evening)
	p.writes(written.Entries, err)
}

// tries draws some tries. Few positions and numbers, so that those of two caregivers meet.
func (w *World) tries(n int) []client.Try {
	tries := make([]client.Try, n)
	for i := range tries {
		tries[i] = client.Try{Position: positions[w.random.IntN(3)], Medium: "sweet", SizeMM: 6}
		tries[i].Outcome, tries[i].Ease = w.judgement()
		if w.chance(6) {
			tries[i].Medium, tries[i].SizeMM = "water", 0
		}
		if w.chance(4) {
			tries[i].Snags = []string{"water"}
		}
	}
	return tries
}

// judgement draws an outcome and an ease.
func (w *World) judgement() (outcome string, ease int) {
	outcome = []string{"swallowed", "swallowed", "swallowed", "not_swallowed", "refused"}[w.random.IntN(5)]
	if outcome != "refused" {
		ease = 1 + w.random.IntN(5)
	}
	return outcome, ease
}

// own draws an entry of a phone's own caregiver, of one of the kinds, seen or still waiting.
func (p *phone) own(kinds ...string) (client.Entry, bool) {
	var found []client.Entry
	add := func(e client.Entry) {
		for _, kind := range kinds {
			if e.Kind == kind {
				found = append(found, e)
			}
		}
	}
	device := p.open().device
	for _, known := range device.Entries() {
		if known.Author.ID == p.caregiver().String() && known.Whole {
			add(known.Entry)
		}
	}
	for _, e := range device.Outbox() {
		add(e)
	}
	if p.world.quarrel {
		found = p.world.hot(found)
	}
	return oneOf(p.world, found)
}

// hot returns the entries that somebody has judged, where there are any, else the last few.
func (w *World) hot(entries []client.Entry) []client.Entry {
	judged := slices.DeleteFunc(slices.Clone(entries), func(e client.Entry) bool { return !w.ledger.judged[e.ID] })
	if len(judged) > 0 && !w.chance(3) {
		return judged
	}
	return entries[max(0, len(entries)-3):]
}

func (w *World) addTries() {
	p := w.anyPhone()
	if session, ok := p.own(client.KindSession); ok {
		p.writes(p.open().device.AddTries(session.Subject, w.tries(1+w.random.IntN(2))...))
	}
}

// edit changes what a try or a session says.
func (w *World) edit() {
	p := w.anyPhone()
	old, ok := p.own(client.KindTry, client.KindTry, client.KindSession)
	if ok {
		w.editOn(p, old)
	}
}

func (w *World) editOn(p *phone, old client.Entry) {
	body, err := w.changed(old)
	if err != nil {
		return // written oddly
	}
	edited, err := p.open().device.Edit(old.ID, body)
	p.writes([]client.Entry{edited}, err)
}

func (w *World) changed(old client.Entry) (client.Body, error) {
	if old.Kind == client.KindSession {
		var body client.SessionBody
		err := json.Unmarshal(old.Body, &body)
		body.PractisedAt = body.PractisedAt.Add(-time.Duration(w.random.IntN(30)) * time.Minute)
		return body, err
	}
	var body client.TryBody
	err := json.Unmarshal(old.Body, &body)
	body.Outcome, body.Ease = w.judgement()
	return body, err
}

// contradict has somebody with two phones change an entry on one of them, and change or withdraw it on the other before
// either has seen what the other says.
func (w *World) contradict() {
	p := w.anyPhone()
	other, ok := oneOf(w, p.siblings())
	if !ok {
		return
	}
	old, ok := p.own(client.KindTry, client.KindSession)
	if !ok || !other.knows(old) {
		return
	}
	w.editOn(p, old)
	if w.chance(2) {
		w.editOn(other, old)
		return
	}
	e, err := other.open().device.Retract(old.Subject, "written twice")
	other.writes([]client.Entry{e}, err)
}

// siblings returns the other phones of a phone's owner.
func (p *phone) siblings() []*phone {
	return slices.DeleteFunc(slices.Clone(p.world.phones), func(other *phone) bool { return other == p || other.owner != p.owner })
}

// knows reports whether a phone has seen an entry.
func (p *phone) knows(e client.Entry) bool {
	_, known := p.disk.state.Entries[e.ID]
	return known
}

func (w *World) retract() {
	p := w.anyPhone()
	if old, ok := p.own(client.KindTry, client.KindSession, client.KindExcuse, client.KindLink, client.KindSettle, client.KindIncident); ok {
		e, err := p.open().device.Retract(old.Subject, "written twice")
		p.writes([]client.Entry{e}, err)
	}
}

func (w *World) excuse() {
	p := w.anyPhone()
	night := w.now.AddDate(0, 0, w.random.IntN(3)-1).Format(time.DateOnly)
	e, err := p.open().device.Excuse(w.house.learner.String(), night, "ill")
	p.writes([]client.Entry{e}, err)
}

func (w *World) incident() {
	p := w.anyPhone()
	e, err := p.open().device.Incident(w.house.learner.String(), "", "coughing_fit", "")
	p.writes([]client.Entry{e}, err)
}

// link says of two sessions that the phone knows whether they were one sitting.
func (w *World) link() {
	p := w.anyPhone()
	if w.chance(2) && w.unlink(p) {
		return
	}
	var sessions []string
	for _, known := range p.open().device.Entries() {
		if known.Entry.Kind == client.KindSession {
			sessions = append(sessions, known.Entry.Subject)
		}
	}
	one, ok := oneOf(w, sessions)
	other, _ := oneOf(w, sessions)
	if !ok || one == other {
		return
	}
	e, err := p.open().device.Link(w.house.learner.String(), one, other, w.chance(3))
	p.writes([]client.Entry{e}, err)
}

// unlink says of two sessions that the phone sees in one sitting that they were not, and reports whether there were any.
func (w *World) unlink(p *phone) bool {
	var joined [][]string
	for _, n := range w.nightsOn(p) {
		for _, s := range n.Sittings {
			if len(s.Sessions) > 1 {
				joined = append(joined, s.Sessions)
			}
		}
	}
	sessions, ok := oneOf(w, joined)
	if !ok {
		return false
	}
	e, err := p.open().device.Link(w.house.learner.String(), sessions[0], sessions[len(sessions)-1], false)
	p.writes([]client.Entry{e}, err)
	return true
}

// nightsOn returns the nights as a phone has them.
func (w *World) nightsOn(p *phone) []client.Night {
	nights, err := p.open().device.Nights(w.house.learner.String())
	if err != nil {
		w.broken("a phone can't read its nights: %v", err)
	}
	return nights
}

// settle says what stands of a try of which the phone sees several readings.
func (w *World) settle() {
	p := w.anyPhone()
	if body, ok := w.settlement(w.nightsOn(p)); ok {
		e, err := p.open().device.Settle(w.house.learner.String(), body)
		p.writes([]client.Entry{e}, err)
	}
}

// settlement draws a judgement on a try with several readings: one of theirs, or now and then one that is none of theirs.
func (w *World) settlement(nights []client.Night) (body client.SettleBody, ok bool) {
	var open []client.NightTry
	for _, n := range nights {
		for _, s := range n.Sittings {
			for _, t := range s.Tries {
				if len(t.Readings) > 1 {
					open = append(open, t)
				}
			}
		}
	}
	t, ok := oneOf(w, open)
	if !ok {
		return body, false
	}
	for _, r := range t.Readings {
		body.Judged = append(body.Judged, r.Entry)
	}
	stands, _ := oneOf(w, t.Readings)
	body.Outcome, body.Ease, body.Reason = stands.Outcome, stands.Ease, "we talked about it"
	switch w.random.IntN(6) {
	case 0:
		body.Outcome, body.Ease = w.judgement()
	case 1:
		if body.Outcome != "refused" {
			body.Ease = 1 + 4*w.random.IntN(2)
		}
	}
	for _, id := range body.Judged {
		w.ledger.judged[id] = true
	}
	return body, true
}

// writeOddly writes what the server can't take as it is: nonsense, or of a kind that it does not know yet.
func (w *World) writeOddly() {
	p := w.anyPhone()
	pen := client.Pen{Now: p.now, NewID: func() string { return w.phoneIDs.next().String() }}
	odd := []client.Entry{
		pen.Raw(w.house.learner.String(), client.KindTry, json.RawMessage(`{"session": 7}`)),
		pen.Raw(w.house.learner.String(), "drawing", json.RawMessage(`{"colour": "blue"}`)),
		pen.Raw(w.house.learner.String(), client.KindChoose, json.RawMessage(`{"position": "left"}`)),
	}
	e, _ := oneOf(w, odd)
	p.writes([]client.Entry{e}, p.open().device.Record(e))
}

// meddle writes what no app would: an edit or a withdrawal of what somebody else has said.
func (w *World) meddle() {
	p := w.anyPhone()
	var others []client.Entry
	for _, known := range p.open().device.Entries() {
		if known.Author.ID != p.caregiver().String() && known.Entry.Kind == client.KindTry && known.Status == client.Accepted {
			others = append(others, known.Entry)
		}
	}
	old, ok := oneOf(w, others)
	if !ok {
		return
	}
	var body client.Body = client.RetractBody{Reason: "that is not what I saw"}
	if w.chance(2) {
		changed, err := w.changed(old)
		if err != nil {
			return // written oddly
		}
		body = changed
	}
	pen := client.Pen{Now: p.now, NewID: func() string { return w.phoneIDs.next().String() }}
	e, err := pen.Later(old.LearnerID, old.Subject, []string{old.ID}, body)
	if err != nil {
		w.broken("write an entry: %v", err)
		return
	}
	p.writes([]client.Entry{e}, p.open().device.Record(e))
}
