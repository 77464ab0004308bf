package api

import (
	"github.com/go-json-experiment/json/jsontext"

	"swallowtail/internal/served"
)

// The answer to a sync call writes itself, for it goes out every evening.

// WriteJSON implements [served.Writer].
func (d syncDoc) WriteJSON(p *served.Pen) {
	p.Open('{')
	served.Each(p.Name("results"), d.Results, (*resultDoc).write)
	served.Each(p.Name("changes"), d.Changes, (*entryDoc).write)
	p.Name("cursor").Text(d.Cursor)
	p.Name("more").Truth(d.More)
	p.Name("head").Whole(d.Head)
	p.Name("epoch").ID(d.Epoch)
	p.Name("server_time").Text(d.ServerTime)
	served.Each(p.Name("nights"), d.Nights, verbatim)
	served.Each(p.Name("gone"), d.Gone, verbatim)
	p.Name("digest").Text(d.Digest)
	p.Close('}')
}

// verbatim writes a document that has been encoded already.
func verbatim(document *jsontext.Value, p *served.Pen) { p.Verbatim(*document) }

func (d *resultDoc) write(p *served.Pen) {
	p.Open('{')
	p.Name("id").ID(d.ID)
	p.Name("status").Text(d.Status)
	if p.Name("rev"); d.Rev != nil {
		p.Whole(*d.Rev)
	} else {
		p.Null()
	}
	writeProblem(p, d.Problem)
	p.Close('}')
}

// writeProblem writes what is wrong with an entry, which is hardly ever anything.
func writeProblem(p *served.Pen, problem any) {
	if p.Name("problem"); problem == nil {
		p.Null()
	} else {
		p.Any(problem)
	}
}

func (d *entryDoc) write(p *served.Pen) {
	p.Open('{')
	p.Name("id").ID(d.ID)
	p.Name("kind").Raw(d.Kind)
	p.Name("subject").Raw(d.Subject)
	p.Name("replaces").Raw(d.Replaces)
	p.Name("learner_id").Raw(d.Learner)
	p.Name("recorded_at").Raw(d.Recorded)
	if d.Body != nil {
		p.Name("body").Raw(d.Body)
	}
	if d.Sent != nil {
		p.Name("sent").Raw(d.Sent)
	}
	p.Name("rev").Whole(d.Rev)
	p.Name("status").Text(string(d.Status))
	d.Author.Write(p.Name("author"))
	p.Name("device").IDOrNull(d.Device)
	p.Name("stamp").Open('{')
	p.Name("received_at").Text(d.Stamp.Received)
	p.Name("clock_offset_ms").Whole(d.Stamp.OffsetMS)
	p.Name("seal").Text(d.Stamp.Seal)
	p.Close('}')
	writeProblem(p, d.Problem)
	if d.Effect != "" {
		p.Name("effect").Text(string(d.Effect))
	}
	if d.Why != "" {
		p.Name("why").Text(string(d.Why))
	}
	p.Close('}')
}
