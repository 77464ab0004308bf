package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/door"
	"swallowtail/internal/practice"
)

// AddedEntries is what became of a clinician's entries, and the learner's nights that they changed.
type AddedEntries struct {
	Results []Result
	Nights  [][]byte // JSON
}

// AddEntries takes a clinician's own entries about a learner, and sheets copied off paper.
func (s *Service) AddEntries(ctx context.Context, p access.Principal, learner uuid.UUID, raws [][]byte, now time.Time) (AddedEntries, error) {
	if len(raws) > MaxEntries {
		return AddedEntries{}, errTooManyEntries
	}
	u := upload{
		author:  practice.Author{Role: practice.Clinician, ID: practice.PersonID{UUID: p.ClinicianID}},
		learner: learner,
		schema:  door.KnownSchema,
	}
	u.examine(raws)
	var a AddedEntries
	err := s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		l, err := learnerFor(ctx, tx, p, learner)
		if err != nil {
			return err
		}
		u.household = l.Household
		before, err := tx.LockHead(ctx, l.Household)
		if err != nil {
			return err
		}
		if a.Results, err = s.ingest(ctx, tx, &u, now); err != nil {
			return err
		}
		if err := s.refold(ctx, tx, l.Household, now); err != nil {
			return err
		}
		a.Nights, err = changedNights(ctx, tx, learner, before.Rev)
		return err
	})
	s.tellOf(&u, err)
	return a, err
}

func changedNights(ctx context.Context, view View, learner uuid.UUID, after int64) ([][]byte, error) {
	p, err := view.Projection(ctx, learner)
	if err != nil {
		return nil, err
	}
	var docs [][]byte
	for _, n := range p.Nights {
		if n.ChangedRev > after && !n.Gone {
			docs = append(docs, n.Doc)
		}
	}
	return docs, nil
}

// ListedEntry is one of a learner's entries, with its effect.
type ListedEntry struct {
	FeedEntry
	Why practice.Why // why it is without effect, empty where it has one
}

// EntryPage asks for at most Limit entries after a revision.
type EntryPage struct {
	After int64
	Limit int
}

// Entries returns a page of a learner's entries as they were sent, replaced ones too. Entries whose learner could not be
// read are among those of every learner of the household.
func (s *Service) Entries(ctx context.Context, p access.Principal, learner uuid.UUID, page EntryPage, now time.Time) (entries []ListedEntry, more bool, err error) {
	err = s.Store.Read(ctx, func(ctx context.Context, view View) error {
		l, err := learnerFor(ctx, view, p, learner)
		if err != nil {
			return err
		}
		f, err := s.loadFamily(ctx, view, l.Household)
		if err != nil {
			return err
		}
		v := f.view(learner, now)
		for _, o := range v.Hold {
			delete(v.Idle, o.Entry) // it holds the learner, whatever else is said of it
		}
		for i := range f.stored {
			e := &f.stored[i]
			if e.Rev <= page.After || (e.Learner != learner && e.Learner != uuid.Nil) {
				continue
			}
			if more = len(entries) == page.Limit; more {
				return nil
			}
			entries = append(entries, ListedEntry{
				FeedEntry: s.feedEntry(l.Household, e, &f.read[i].Reading, nil), Why: v.Idle[practice.EntryID{UUID: e.ID}],
			})
		}
		return nil
	})
	return entries, more, err
}
