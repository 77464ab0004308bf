package api

import (
	"cmp"
	"encoding/base64"
	"net/http"
	"strconv"
	"strings"

	"swallowtail/internal/served"
)

// served documents go out as they are kept. answer is one, with the status that goes with it.
type answer struct {
	status int
	body   []byte
	kind   string // its media type; empty for JSON
}

func ok(body []byte) answer { return answer{status: http.StatusOK, body: body} }

// encoded answers with a document.
func encoded(document any) (answer, error) {
	body, err := served.Encode(document)
	return ok(body), err
}

func (a answer) write(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", cmp.Or(a.kind, "application/json"))
	w.Header().Set("Content-Length", strconv.Itoa(len(a.body))) // which whoever compresses it takes away again
	w.WriteHeader(a.status)
	_, err := w.Write(a.body)
	return err
}

// ownAnswer is a document that writes itself, as it goes out.
type ownAnswer struct{ served.Writer }

func (a ownAnswer) write(w http.ResponseWriter) error {
	return served.Lend(a.Writer, func(body []byte) error { return ok(body).write(w) })
}

// taggedAnswer is an answer with a tag of what it says (RFC 9110, 8.8.3), which is given only to those who do not know it.
type taggedAnswer struct {
	answer
	tag   string
	known string // the header If-None-Match
}

// tagOf returns a weak tag: another document with it says the same, though not byte for byte.
func tagOf(says [32]byte) string {
	return `W/"` + base64.RawURLEncoding.EncodeToString(says[:]) + `"`
}

// isKnown reports whether the tag is among those of the caller, by the weak comparison (RFC 9110, 13.1.2). No tag of ours holds
// a comma.
func (a taggedAnswer) isKnown() bool {
	for known := range strings.SplitSeq(a.known, ",") {
		known = strings.TrimSpace(known)
		if known == "*" || strings.TrimPrefix(known, "W/") == strings.TrimPrefix(a.tag, "W/") {
			return true
		}
	}
	return false
}

func (a taggedAnswer) write(w http.ResponseWriter) error {
	w.Header().Set("ETag", a.tag)
	if a.isKnown() {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	return a.answer.write(w)
}

// The operations that answer so.

func (a taggedAnswer) VisitGetSummaryResponse(w http.ResponseWriter) error { return a.write(w) }
func (a answer) VisitGetSpecJSONResponse(w http.ResponseWriter) error      { return a.write(w) }
func (a answer) VisitGetNightsResponse(w http.ResponseWriter) error        { return a.write(w) }
func (a ownAnswer) VisitGetRosterResponse(w http.ResponseWriter) error     { return a.write(w) }
func (a answer) VisitGetCohortResponse(w http.ResponseWriter) error        { return a.write(w) }
func (a answer) VisitSyncResponse(w http.ResponseWriter) error             { return a.write(w) }
func (a ownAnswer) VisitSyncResponse(w http.ResponseWriter) error          { return a.write(w) }
func (a answer) VisitAddClinicEntriesResponse(w http.ResponseWriter) error { return a.write(w) }
func (a answer) VisitListEntriesResponse(w http.ResponseWriter) error      { return a.write(w) }
