package clinic

import (
	"context"
	"slices"
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
	var f *folded
	err := s.changes(ctx, p, "addClinicEntries", now, func(ctx context.Context, tx Tx, k *ask, _ note) error {
		l, err := k.learner(ctx, tx, learner)
		if err != nil {
			return err
		}
		u.household = l.Household
		family, err := s.familyIn(ctx, tx, l.Household, s.families.of(l.Household))
		if err != nil {
			return err
		}
		results, added, err := s.ingest(&u, family, now)
		if err != nil {
			return err
		}
		a.Results = results
		if err := tx.AppendEntries(ctx, u.household, added, family.stored); err != nil {
			return err
		}
		before := family.head.Rev
		if f, err = family.with(added, u.read, uuid.Nil, time.Time{}).fold(nil, now); err != nil {
			return err
		}
		if err := f.save(ctx, tx); err != nil {
			return err
		}
		at := slices.IndexFunc(f.renewed, func(r renewed) bool { return r.Learner == learner })
		a.Nights, _, err = f.renewed[at].changedNights(before+1, f.head.Rev)
		return err
	})
	s.keepFolded(err, f)
	s.tellOf(&u, err)
	return a, err
}

// ListedEntry is one of a learner's entries, with its effect.
type ListedEntry struct {
	FeedEntry
	Why practice.Why // why it is without effect, empty where it has one
}

// ListedEntries is a page of a learner's entries, and whether there are more.
type ListedEntries struct {
	Entries []ListedEntry
	More    bool
}

// EntryPage asks for at most Limit entries after a revision.
type EntryPage struct {
	After int64
	Limit int
}

// Entries returns a page of a learner's entries as they were sent, replaced ones too. Entries whose learner could not be
// read are among those of every learner of the household.
func (s *Service) Entries(ctx context.Context, p access.Principal, learner uuid.UUID, page EntryPage, now time.Time) (ListedEntries, error) {
	return looks(ctx, s, p, "listEntries", now, func(ctx context.Context, view View, a *ask) (ListedEntries, error) {
		l, err := a.learner(ctx, view, learner)
		if err != nil {
			return ListedEntries{}, err
		}
		f, err := s.loadFamily(ctx, view, l.Household)
		if err != nil {
			return ListedEntries{}, err
		}
		f, same, err := f.withTexts(ctx, view, page.After)
		if err == nil && !same {
			err = ErrChanged // which the edition rules out
		}
		if err != nil {
			return ListedEntries{}, err
		}
		return s.listed(f, learner, page, now), nil
	})
}

// listed returns a page of the entries that are about a learner.
func (s *Service) listed(f *family, learner uuid.UUID, page EntryPage, now time.Time) (listed ListedEntries) {
	v := f.view(learner, now)
	for _, o := range v.Hold {
		delete(v.Idle, o.Entry) // it holds the learner, whatever else is said of it
	}
	for i := range f.stored {
		e := &f.stored[i]
		if e.Rev <= page.After || (e.Learner != learner && e.Learner != uuid.Nil) {
			continue
		}
		if len(listed.Entries) == page.Limit {
			listed.More = true
			break
		}
		listed.Entries = append(listed.Entries, ListedEntry{
			FeedEntry: s.feedEntry(f, i, nil), Why: v.Idle[practice.EntryID{UUID: e.ID}],
		})
	}
	return listed
}
