package api

import (
	"net/http"

	"swallowtail/internal/served"
)

// served documents go out as they are kept. answer is one, with the status that goes with it.
type answer struct {
	status int
	body   []byte
}

func ok(body []byte) answer { return answer{status: http.StatusOK, body: body} }

// encoded answers with a document.
func encoded(document any) (answer, error) {
	body, err := served.Encode(document)
	return ok(body), err
}

func (a answer) write(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(a.status)
	_, err := w.Write(a.body)
	return err
}

// The operations that answer so.

func (a answer) VisitGetSummaryResponse(w http.ResponseWriter) error       { return a.write(w) }
func (a answer) VisitGetNightsResponse(w http.ResponseWriter) error        { return a.write(w) }
func (a answer) VisitGetRosterResponse(w http.ResponseWriter) error        { return a.write(w) }
func (a answer) VisitSyncResponse(w http.ResponseWriter) error             { return a.write(w) }
func (a answer) VisitAddClinicEntriesResponse(w http.ResponseWriter) error { return a.write(w) }
func (a answer) VisitListEntriesResponse(w http.ResponseWriter) error      { return a.write(w) }
