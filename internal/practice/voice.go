package practice

import "slices"

// voice is an entry as one person's testimony.
type voice struct {
	*Stamped
	speaker Author
}

// voices returns the testimony of all entries that may count.
func (r *Record) voices() []voice {
	taken := r.taken()
	witnesses := r.witnesses()
	voices := make([]voice, 0, len(r.entries))
	for _, e := range r.entries {
		if why := idleStatus(e, taken); why != "" {
			r.idle[e.ID] = why
			continue
		}
		if e.Author.Role != Clinician {
			voices = append(voices, voice{Stamped: e, speaker: e.Author})
			continue
		}
		speakers := r.speakers(e, witnesses)
		if len(speakers) == 0 {
			r.idle[e.ID] = WhyNotCopied
		}
		for _, speaker := range speakers {
			voices = append(voices, voice{Stamped: e, speaker: speaker})
		}
	}
	return voices
}

// idleStatus says why an entry's status keeps it from counting, or nothing.
func idleStatus(e *Stamped, taken map[EntryID]bool) Why {
	switch {
	case e.Status == Quarantined:
		return WhyQuarantined
	case e.Status == SetAside && !taken[e.ID]:
		return WhySetAside
	case e.Body == nil:
		return WhyParked
	}
	return ""
}

// taken returns the set-aside entries that reviews take. Where reviews differ, one that leaves an entry prevails.
func (r *Record) taken() map[EntryID]bool {
	replaced := map[EntryID]bool{}
	var reviews []*Stamped
	for _, e := range r.entries {
		if e.Status != Accepted || e.Author.Role != Clinician {
			continue
		}
		for _, id := range e.Replaces {
			other := r.entry(id)
			if other != nil && other != e && other.Subject == e.Subject && other.Author == e.Author {
				replaced[id] = true
			}
		}
		if _, ok := e.Body.(*Review); ok {
			reviews = append(reviews, e)
		}
	}
	taken := map[EntryID]bool{}
	for _, e := range reviews {
		review := e.Body.(*Review) //nolint:forcetypeassert // only reviews were collected
		if replaced[e.ID] {
			continue
		}
		before, seen := taken[review.Entry]
		taken[review.Entry] = review.Take && (before || !seen)
	}
	return taken
}

// witnesses returns, for each session that a clinician copied off paper, the caregivers named as having filled it in.
func (r *Record) witnesses() map[SubjectID][]PersonID {
	witnesses := map[SubjectID][]PersonID{}
	for _, e := range r.entries {
		session, ok := e.Body.(*Session)
		if !ok || e.Author.Role != Clinician || e.Status == Quarantined {
			continue
		}
		if !slices.Contains(witnesses[e.Subject], session.Witness) {
			witnesses[e.Subject] = append(witnesses[e.Subject], session.Witness)
		}
	}
	return witnesses
}

// speakers returns whose testimony a clinician's entry is: the clinician's, except that what is copied off paper is the
// witness's.
func (r *Record) speakers(e *Stamped, witnesses map[SubjectID][]PersonID) []Author {
	switch body := e.Body.(type) {
	case *Session:
		return []Author{{Role: Caregiver, ID: body.Witness}}
	case *Try:
		return caregivers(witnesses[body.Session])
	case *Retract:
		return r.retractors(e, witnesses)
	}
	return []Author{e.Author}
}

func caregivers(ids []PersonID) []Author {
	authors := make([]Author, len(ids))
	for i, id := range ids {
		authors[i] = Author{Role: Caregiver, ID: id}
	}
	return authors
}

// copied reports whether a clinician's entry with this body is copied off paper, and so a witness's account.
func copied(body Body) bool {
	return body != nil && (body.Kind() == KindSession || body.Kind() == KindTry)
}

// retractors returns for whom a clinician's retraction speaks: the witness of each copied entry of its subject that it
// replaces, else the clinician.
func (r *Record) retractors(e *Stamped, witnesses map[SubjectID][]PersonID) []Author {
	var authors []Author
	for _, id := range e.Replaces {
		other := r.entry(id)
		if other == nil || other.Subject != e.Subject || other.Author.Role != Clinician || !copied(other.Body) {
			continue
		}
		for _, author := range r.speakers(other, witnesses) {
			if !slices.Contains(authors, author) {
				authors = append(authors, author)
			}
		}
	}
	if len(authors) == 0 {
		return []Author{e.Author}
	}
	return authors
}
