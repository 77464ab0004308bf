package client

import (
	"encoding/json"
	"fmt"
)

// The calls below record at once, as Record does: when they return without an error, what they wrote is saved.

// Write records an entry about a new thing.
func (d *Device) Write(learner string, body Body) (Entry, error) {
	entry, err := d.pen.New(learner, body)
	if err != nil {
		return Entry{}, err
	}
	return entry, d.Record(entry)
}

// RecordEvening records one session and its tries in one change.
func (d *Device) RecordEvening(e Evening) (Written, error) {
	written, err := d.pen.Evening(e)
	if err != nil {
		return Written{}, err
	}
	return written, d.Record(written.Entries...)
}

// AddTries records further tries of a session of this caregiver, numbered on from those this device has seen.
func (d *Device) AddTries(session string, tries ...Try) ([]Entry, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	own := d.state.own(d.writer, session)
	if len(own) == 0 {
		return nil, fmt.Errorf("%w: no session %s of this caregiver is known", ErrEntry, session)
	}
	numbers := d.state.tryNumbers(d.writer, session)
	entries, err := d.pen.tries(own[0].entry.LearnerID, session, tries, numbers)
	if err != nil {
		return nil, err
	}
	return entries, d.recordLocked(entries...)
}

// tryNumbers returns the highest number in use for each position of the caregiver's session.
func (s State) tryNumbers(w Writer, session string) map[string]int {
	numbers := map[string]int{}
	note := func(e Entry) {
		var body TryBody
		if e.Kind == KindTry && json.Unmarshal(e.Body, &body) == nil && body.Session == session {
			numbers[body.Position] = max(numbers[body.Position], body.Number)
		}
	}
	for _, known := range s.Entries {
		if known.by(w) {
			note(known.Entry)
		}
	}
	for _, item := range s.Outbox {
		note(item.Entry)
	}
	return numbers
}

// Edit records what the entry with this id, one of this caregiver's, should say instead. The new entry keeps the
// subject and replaces all its heads that this device has seen from its own caregiver. The body is of the same kind.
func (d *Device) Edit(id string, body Body) (Entry, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	old, ok := d.state.find(d.writer, id)
	if !ok {
		return Entry{}, fmt.Errorf("%w: no entry %s of this caregiver is known", ErrEntry, id)
	}
	if body.Kind() != old.Kind {
		return Entry{}, fmt.Errorf("%w: a %s cannot become a %s", ErrEntry, old.Kind, body.Kind())
	}
	return d.replaceLocked(old, body)
}

// Retract records that this caregiver withdraws what they said about the subject, as far as this device has seen it.
func (d *Device) Retract(subject, reason string) (Entry, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	own := d.state.own(d.writer, subject)
	if len(own) == 0 {
		return Entry{}, fmt.Errorf("%w: nothing of this caregiver about %s is known", ErrEntry, subject)
	}
	return d.replaceLocked(own[0].entry, RetractBody{Reason: reason})
}

func (d *Device) replaceLocked(old Entry, body Body) (Entry, error) {
	heads := d.state.heads(d.writer, old.Subject)
	entry, err := d.pen.Later(old.LearnerID, old.Subject, heads, body)
	if err != nil {
		return Entry{}, err
	}
	return entry, d.recordLocked(entry)
}

// Settle records what stands of a try on which readings disagree.
func (d *Device) Settle(learner string, body SettleBody) (Entry, error) {
	return d.Write(learner, body)
}

// Link records whether two sessions, named by their subjects, are one sitting.
func (d *Device) Link(learner, one, other string, same bool) (Entry, error) {
	return d.Write(learner, LinkBody{Sessions: [2]string{one, other}, Same: same})
}

// Excuse records why there is no practice on a night (YYYY-MM-DD).
func (d *Device) Excuse(learner, night, reason string) (Entry, error) {
	return d.Write(learner, ExcuseBody{Night: night, Reason: reason})
}

// Incident records something that went wrong, in a session named by its subject or, when that is empty, outside of one.
func (d *Device) Incident(learner, session, what, note string) (Entry, error) {
	body := IncidentBody{What: what, Note: note}
	if session != "" {
		body.Session = &session
	}
	return d.Write(learner, body)
}
