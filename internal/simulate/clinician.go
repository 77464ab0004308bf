package simulate

import (
	"context"
	"fmt"
	"time"

	"github.com/go-json-experiment/json"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// clinicianWrites lets the clinician add one thing.
func (w *World) clinicianWrites() {
	body := w.clinicianBody()
	if body == nil {
		return
	}
	pen := client.Pen{Now: func() time.Time { return w.now }, NewID: func() string { return w.clinicIDs.next().String() }}
	entries, err := w.clinicianEntries(pen, body)
	if err != nil {
		w.broken("write as the clinician: %v", err)
		return
	}
	var raws [][]byte
	for _, e := range entries {
		raw, err := json.Marshal(e)
		if err != nil {
			w.broken("write as the clinician: %v", err)
			return
		}
		raws = append(raws, raw)
	}
	w.wrote(entries...)
	w.say("clinician", len(entries))
	w.clinicDoes("add a clinician's entries", func(s *clinic.Service) error {
		added, err := s.AddEntries(w.ctx, w.house.clinician, w.house.learner, raws, w.now)
		w.heard("addClinicEntries", added.Results)
		for _, r := range added.Results {
			if r.Status != string(practice.Accepted) && r.Status != clinic.Duplicate {
				return fmt.Errorf("entry %s is %s: %v", r.ID, r.Status, r.Flaws)
			}
		}
		return err
	})
}

// sheet is a session on paper, to be copied.
type sheet struct{ client.Evening }

// Kind implements client.Body.
func (sheet) Kind() string { return client.KindSession }

func (w *World) clinicianEntries(pen client.Pen, body client.Body) ([]client.Entry, error) {
	if s, ok := body.(sheet); ok {
		written, err := pen.Evening(s.Evening)
		return written.Entries, err
	}
	e, err := pen.New(w.house.learner.String(), body)
	return []client.Entry{e}, err
}

// clinicianBody draws what the clinician says; nil when there is no occasion for it.
func (w *World) clinicianBody() client.Body {
	switch w.random.IntN(7) {
	case 0:
		return client.ChooseBody{Position: positions[w.random.IntN(3)]}
	case 1:
		return client.PositionsBody{Off: []string{"up"}, From: w.now.Format(time.DateOnly)}
	case 2:
		return client.ExcuseBody{Night: w.now.Format(time.DateOnly), Reason: "clinic_advice"}
	case 3:
		witness, _ := oneOf(w, w.house.people)
		return sheet{client.Evening{
			Learner: w.house.learner.String(), Timezone: homeZone, Witness: witness.String(),
			PractisedAt: w.occasion.In(w.street.zones[0]), Tries: w.tries(2),
		}}
	case 4:
		nights := w.clinicianReads()
		if body, ok := w.settlement(nights); ok {
			return body
		}
		return nil
	}
	return w.answerEntry()
}

// answerEntry clears an incident, or reviews what was set aside or quarantined.
func (w *World) answerEntry() client.Body {
	var waiting []clinic.StoredEntry
	for _, e := range w.storedEntries() {
		if keptBack(e) || kindOf(e) == client.KindIncident {
			waiting = append(waiting, e)
		}
	}
	e, ok := oneOf(w, waiting)
	switch {
	case !ok:
		return nil
	case keptBack(e):
		return client.ReviewBody{Entry: e.ID.String(), Take: !w.chance(3)}
	}
	return client.ClearBody{Incidents: []string{e.ID.String()}, Note: "talked it over by telephone"}
}

// keptBack reports whether an entry waits for a review.
func keptBack(e clinic.StoredEntry) bool {
	return e.Status == practice.SetAside || e.Status == practice.Quarantined
}

func kindOf(e clinic.StoredEntry) string {
	var said struct {
		Kind string `json:"kind"`
	}
	_ = json.Unmarshal(e.Sent, &said) // what is no JSON is of no kind
	return said.Kind
}

// storedEntries returns all that the server holds of the household.
func (w *World) storedEntries() (entries []clinic.StoredEntry) {
	w.view(func(ctx context.Context, view clinic.View) (err error) {
		entries, err = view.Entries(ctx, w.house.household, 0, 0)
		return err
	})
	return entries
}

// clinicianReads returns the learner's nights as the clinic sees them now.
func (w *World) clinicianReads() []client.Night {
	var answer clinic.NightsAnswer
	w.clinicDoes("read nights", func(s *clinic.Service) (err error) {
		answer, err = s.Nights(w.ctx, w.house.clinician, w.house.learner, clinic.Question{}, w.now)
		return err
	})
	nights := make([]client.Night, len(answer.Nights))
	for i, doc := range answer.Nights {
		w.heard("getNights", doc)
		if err := json.Unmarshal(doc, &nights[i]); err != nil {
			w.broken("read a night: %v", err)
		}
	}
	return nights
}
