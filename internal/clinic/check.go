package clinic

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/door"
)

// Report is what a check of the store found.
type Report struct {
	Households  int          `json:"households"`
	Entries     int          `json:"entries"`
	Learners    int          `json:"learners"`
	Differences []Difference `json:"differences"`
}

// Aspect is what of the store a difference is in.
type Aspect string

// The aspects. InProjection alone can be made anew from the rest.
const (
	InStore      Aspect = "store"      // its file and tables
	InJournal    Aspect = "journal"    // the file beside it
	InChain      Aspect = "chain"      // the revisions and hashes of a household's entries
	InHead       Aspect = "head"       // the household's newest revision
	InEntry      Aspect = "entry"      // what is kept of an entry beside what was sent
	InAudit      Aspect = "audit"      // the trail of who read or changed what
	InProjection Aspect = "projection" // what is kept of a learner's fold
)

// Difference is something in the store that is not as it must be.
type Difference struct {
	Household uuid.UUID `json:"household,omitzero"` // zero where it is the store's
	Learner   uuid.UUID `json:"learner,omitzero"`
	In        Aspect    `json:"in"`
	What      string    `json:"what"`
}

// Rebuildable reports whether folding anew, as Rebuild does, mends all that was found.
func (r *Report) Rebuildable() bool {
	return !slices.ContainsFunc(r.Differences, func(d Difference) bool { return d.In != InProjection })
}

func (r *Report) differs(household uuid.UUID, in Aspect, format string, args ...any) {
	r.Differences = append(r.Differences, Difference{Household: household, In: in, What: fmt.Sprintf(format, args...)})
}

// Check verifies, for every household, that its revisions are gapless, that its chain of hashes holds, that its head is
// the last entry's, that what is kept of each entry is what was sent, and that each learner's projection equals a fresh fold,
// and what was weighed a fresh weighing, at the projection's instant.
func (s *Service) Check(ctx context.Context) (Report, error) {
	report := Report{Differences: []Difference{}}
	err := s.eachHousehold(ctx, func(id uuid.UUID) error {
		return s.Store.Read(ctx, func(ctx context.Context, view View) error { return report.checkHousehold(ctx, view, id) })
	})
	return report, err
}

// Rebuild folds and weighs every learner anew and keeps the results.
func (s *Service) Rebuild(ctx context.Context, now time.Time) error {
	return s.eachHousehold(ctx, func(id uuid.UUID) error {
		return s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
			f, err := s.fold(ctx, tx, id, nil, now)
			if err != nil {
				return err
			}
			fresh := weighedNow{}
			for i, learner := range f.learners {
				if fresh[learner.ID], err = f.weigh(learner, f.renewed[i].Folded); err != nil {
					return err
				}
			}
			_, err = s.fold(ctx, tx, id, fresh, now)
			return err
		})
	})
}

func (s *Service) eachHousehold(ctx context.Context, do func(id uuid.UUID) error) error {
	return eachHouseholdOf(ctx, s.Store, do)
}

func eachHouseholdOf(ctx context.Context, store Reader, do func(id uuid.UUID) error) error {
	page := Page{Limit: MaxPage}
	for {
		var ids []uuid.UUID
		err := store.Read(ctx, func(ctx context.Context, view View) error {
			var err error
			ids, err = view.HouseholdIDs(ctx, page)
			return err
		})
		if err != nil {
			return err
		}
		for _, id := range ids {
			if err := do(id); err != nil {
				return err
			}
			page.After = id
		}
		if len(ids) < page.Limit {
			return nil
		}
	}
}

func (r *Report) checkHousehold(ctx context.Context, view View, id uuid.UUID) error {
	folder, err := view.Folder(ctx, id)
	if err != nil {
		return err
	}
	f, err := familyOf(&folder, nil) // a check takes nothing from memory
	if err != nil {
		return err
	}
	f = f.whole()
	r.Households++
	r.Entries += len(folder.Entries)
	r.checkChain(&folder)
	r.checkEntries(&folder)
	for _, learner := range f.learners {
		r.Learners++
		kept := f.kept[learner.ID]
		if kept == nil {
			r.misfolded(f, learner, []string{"nothing is kept of the learner's fold"})
			continue
		}
		fresh, err := f.afresh(learner, kept)
		if err != nil {
			return err
		}
		r.misfolded(f, learner, differences(&fresh, kept, f.head.Rev))
	}
	return nil
}

// afresh returns what is to be kept of a learner's fold at the instant of what is, and weighed if that has been.
func (f *family) afresh(learner Learner, kept *Projection) (Projection, error) {
	v := f.view(learner.ID, kept.Folded)
	if len(kept.Weighed.Doc) == 0 {
		return f.project(learner, &v)
	}
	weighed, err := f.weigh(learner, kept.Folded)
	if err != nil {
		return Projection{}, err
	}
	return f.project(learner, &v, weighed)
}

// misfolded takes what is not right in what is kept of a learner's fold.
func (r *Report) misfolded(f *family, learner Learner, found []string) {
	for _, what := range found {
		r.Differences = append(r.Differences, Difference{
			Household: f.household.ID, Learner: learner.ID, In: InProjection, What: what,
		})
	}
}

func (r *Report) checkChain(f *Folder) {
	id, head := f.Household.ID, f.Head
	var at Head
	for i := range f.Entries {
		e := &f.Entries[i]
		if e.Rev != at.Rev+1 {
			r.differs(id, InChain, "revision %d follows revision %d", e.Rev, at.Rev)
		}
		if chained(at.Chain, e) != e.Chain {
			r.differs(id, InChain, "the chain breaks at revision %d: it, or its entry, has been altered", e.Rev)
		}
		at = Head{Rev: e.Rev, Chain: e.Chain}
	}
	if at != head {
		r.differs(id, InHead, "the head is at revision %d, the last entry at %d, or their hashes differ", head.Rev, at.Rev)
	}
}

// checkEntries compares what is kept beside each entry with what the door makes of what was sent. An entry may be kept
// under no learner where it named one who came later.
func (r *Report) checkEntries(f *Folder) {
	id, revs := f.Household.ID, make(map[uuid.UUID]int64, len(f.Entries))
	for i := range f.Entries {
		e := &f.Entries[i]
		if rev, twice := revs[e.ID]; twice {
			r.differs(id, InEntry, "the entry at revision %d has the id of that at revision %d", e.Rev, rev)
		}
		revs[e.ID] = e.Rev
		sent := door.Examine(e.Sent, e.Schema, e.Author.Role)
		if sent.Content != e.Content {
			r.differs(id, InEntry, "the hash of the content at revision %d is not that of what was sent", e.Rev)
		}
		if named := sent.Entry.ID.UUID; named != e.ID {
			r.differs(id, InEntry, "the entry at revision %d is kept as %s, but what was sent is %s", e.Rev, e.ID, named)
		}
		if e.Learner != uuid.Nil && e.Learner != sent.Entry.Learner.UUID {
			r.differs(id, InEntry, "the entry at revision %d is kept under another learner than what was sent names", e.Rev)
		}
	}
}
