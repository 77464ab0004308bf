package practice

import "slices"

// voice is an entry as one person's testimony.
type voice struct {
	*Stamped
	speaker Author
}

// voices returns the testimony of all entries that may count.
func (r *Record) voices() []voice {
	reviewed := r.reviewed()
	witnesses := r.witnesses()
	voices := make([]voice, 0, len(r.entries))
	for _, e := range r.entries {
		if why := idleStatus(e, reviewed[e.ID]); why != "" {
			r.idle[e.ID] = why
			r.keptBack = r.keptBack || why == WhySetAside || why.toMend()
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

// verdict is what the reviews of an entry come to.
type verdict uint8

const (
	notReviewed verdict = iota
	taken
	left
)

// idleStatus says why an entry's status keeps it from counting, or nothing.
func idleStatus(e *Stamped, review verdict) Why {
	switch e.Status {
	case SetAside:
		if e.Sealed {
			return WhySealed
		}
		return idleSetAside(e, review)
	case Quarantined:
		return idleQuarantined(e, review)
	}
	switch {
	case e.Flawed:
		return WhyFlawed
	case e.Body == nil:
		return WhyParked
	}
	return ""
}

func idleSetAside(e *Stamped, review verdict) Why {
	switch {
	case review == left:
		return WhyLeft
	case review == notReviewed:
		return WhySetAside
	case e.Flawed:
		return WhyTakenInVain
	case e.Body == nil:
		return WhyParked
	}
	return ""
}

// idleQuarantined lets no clinician's entry be taken: its author was there to write it anew, and a review that others could
// take would make what counts depend on itself.
func idleQuarantined(e *Stamped, review verdict) Why {
	sound := e.Body != nil && !e.Flawed && e.Author.Role != Clinician
	switch {
	case review == left:
		return WhyLeft
	case review == taken && !sound:
		return WhyTakenInVain
	case review == taken:
		return ""
	case sound:
		return WhySoundByNow
	}
	return WhyQuarantined
}

// reviewed returns the verdicts on entries that were kept back. Where reviews differ, one that leaves an entry prevails.
func (r *Record) reviewed() map[EntryID]verdict {
	replaced := map[EntryID]bool{}
	var reviews []*Stamped
	for _, e := range r.entries {
		if e.Author.Role != Clinician || idleStatus(e, notReviewed) != "" {
			continue
		}
		for _, id := range e.Replaces {
			if other := r.entry(id); other != nil && other != e && e.undoesReview(other) {
				replaced[id] = true
			}
		}
		if _, ok := e.Body.(*Review); ok {
			reviews = append(reviews, e)
		}
	}
	verdicts := map[EntryID]verdict{}
	for _, e := range reviews {
		review := e.Body.(*Review) //nolint:forcetypeassert // only reviews were collected
		switch {
		case replaced[e.ID]:
		case !review.Take:
			verdicts[review.Entry] = left
		case verdicts[review.Entry] == notReviewed:
			verdicts[review.Entry] = taken
		}
	}
	return verdicts
}

// undoesReview reports whether an entry that names a review as replaced does replace it.
func (s *Stamped) undoesReview(review *Stamped) bool {
	switch s.Body.(type) {
	case *Review, *Retract:
		return review.Subject == s.Subject && review.Author == s.Author
	}
	return false
}

// witnesses returns, for each session that a clinician copied off paper, the caregivers named as having filled it in.
func (r *Record) witnesses() map[SubjectID][]PersonID {
	witnesses := map[SubjectID][]PersonID{}
	for _, e := range r.entries {
		session, ok := e.Body.(*Session)
		if !ok || e.Author.Role != Clinician || idleStatus(e, notReviewed) != "" {
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
