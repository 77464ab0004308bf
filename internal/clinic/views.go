package clinic

import (
	"context"
	"crypto/sha256"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// Question is which of a learner's programmes is asked about, and from which instant.
type Question struct {
	AsOf      time.Time // zero for now
	Enrolment uuid.UUID // zero for the one begun last, else the first to come
}

// farthestAhead is how far an instant that is asked about may lie after now.
const farthestAhead = 24 * time.Hour

// instant returns the instant that is asked about. Only the clinic and the scheduler may ask about another than now.
func (q Question) instant(p access.Principal, now time.Time) (time.Time, error) {
	if q.AsOf.IsZero() {
		return now, nil
	}
	if p.Role == access.RoleDevice {
		return time.Time{}, fault.New(fault.Forbidden, "forbidden", "Only the clinic and the scheduler may give an as_of.")
	}
	if q.AsOf.After(now.Add(farthestAhead)) {
		return time.Time{}, fault.New(fault.Invalid, "as-of-too-late", "Give an as_of at most 24 hours ahead of the server's clock.")
	}
	return q.AsOf, nil
}

// seen is a learner's fold as a caller asked for it.
type seen struct {
	family    *family
	learner   Learner
	view      practice.View
	programme *practice.Programme // nil for a learner without one
}

func (s *Service) see(ctx context.Context, a *ask, learner uuid.UUID, q Question, now time.Time) (*seen, error) {
	at, err := q.instant(a.Principal, now)
	if err != nil {
		return nil, err
	}
	var sn seen
	err = s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		if sn.learner, err = a.learner(ctx, view, learner); err != nil {
			return err
		}
		sn.family, err = s.loadFamily(ctx, view, sn.learner.Household)
		return err
	})
	if err != nil {
		return nil, err
	}
	sn.view = sn.family.view(learner, at)
	sn.programme = sn.view.Current()
	if q.Enrolment == uuid.Nil {
		return &sn, nil
	}
	if d, ok := sn.family.details[q.Enrolment]; !ok || d.Learner != learner {
		return nil, ErrNotThere
	}
	sn.programme = sn.view.Programme(practice.EnrolmentID{UUID: q.Enrolment})
	return &sn, nil
}

// Summed is the document that sums up a learner's programme.
type Summed struct {
	Doc []byte // JSON
	// Says is a hash over all of the document but the instant that it is of: where it is the same, there is nothing new.
	Says [32]byte
}

// Summary returns the document that sums up a learner's programme for whoever asks: the clinic's, or the family's, which
// holds nothing of readiness.
func (s *Service) Summary(ctx context.Context, p access.Principal, learner uuid.UUID, q Question, now time.Time) (Summed, error) {
	return reads(ctx, s, p, "getSummary", now, func(a *ask) (Summed, error) { return s.summary(ctx, a, learner, q, now) })
}

func (s *Service) summary(ctx context.Context, a *ask, learner uuid.UUID, q Question, now time.Time) (Summed, error) {
	if kept, is, err := s.keptSummary(ctx, a, learner, q, now); is || err != nil {
		return kept, err
	}
	sn, err := s.see(ctx, a, learner, q, now)
	if err != nil {
		return Summed{}, err
	}
	j := judgement.Judge(&sn.view, sn.programme, served.Born(sn.learner.BirthMonth))
	subject := sn.family.subject(sn.learner, &sn.view, sn.programme)
	if a.Withdrawn {
		doc, err := served.Encode(served.NarrowSummaryOf(subject))
		return Summed{Doc: doc, Says: sha256.Sum256(doc)}, err
	}
	if a.Role == access.RoleDevice {
		doc, err := served.Encode(served.FamilySummaryOf(subject, &j))
		return Summed{Doc: doc, Says: sha256.Sum256(doc)}, err
	}
	w := judgement.Weigh(sn.family.caseOf(&sn.view, sn.programme), &j)
	doc := served.ClinicSummaryOf(subject, &j, &w)
	if sn.programme != nil {
		doc.Enrolment, doc.Plan = sn.servedEnrolment()
	}
	doc.AsOf = ""
	said, err := served.Encode(doc)
	if err != nil {
		return Summed{}, err
	}
	says := sha256.Sum256(said)
	s.keepSummary(sn, q, said, says)
	return Summed{Doc: dated(said, sn.view.At), Says: says}, nil
}

func (sn *seen) servedEnrolment() (*served.Enrolment, *served.Plan) {
	d := sn.family.details[sn.programme.Enrolment.ID.UUID]
	status, _ := sn.family.statusOf(sn.programme, &sn.view)
	e := &served.Enrolment{
		ID: d.ID, FirstNight: d.FirstNight.String(), Timezone: d.Timezone, ReminderAt: d.ReminderAt.String(),
		Status: status, Positions: sn.programme.PositionsAt(sn.view.At), Target: d.Target,
	}
	plan := ServedPlan(d.Plan)
	return e, &plan
}

// ServedPlan returns a plan as served. What one that was written earlier does not name is the default, as it is for the fold.
func ServedPlan(p Plan) served.Plan {
	doc := served.Plan{ID: p.ID, Name: p.Name, Version: p.Version, Builtin: p.Clinic == uuid.Nil, Parameters: p.Parameters}
	whole := DefaultParameters()
	if json.Unmarshal(p.Parameters, &whole) == nil {
		if parameters, err := served.Encode(whole); err == nil {
			doc.Parameters = parameters
		}
	}
	return doc
}

// NightsAnswer is a programme's nights, and those outside every programme.
type NightsAnswer struct {
	Nights    [][]byte // JSON
	Earlier   [][]byte // JSON
	Enrolment uuid.UUID
	At        time.Time
}

// Nights returns every night of a learner's programme.
func (s *Service) Nights(ctx context.Context, p access.Principal, learner uuid.UUID, q Question, now time.Time) (NightsAnswer, error) {
	return reads(ctx, s, p, "getNights", now, func(a *ask) (NightsAnswer, error) {
		sn, err := s.see(ctx, a, learner, q, now)
		if err != nil {
			return NightsAnswer{}, err
		}
		return sn.nights()
	})
}

func (sn *seen) nights() (a NightsAnswer, err error) {
	a.At = sn.view.At
	if sn.programme != nil {
		a.Enrolment = sn.programme.Enrolment.ID.UUID
		if a.Nights, err = nightDocs(&sn.view, sn.programme, sn.programme.Nights); err != nil {
			return NightsAnswer{}, err
		}
	}
	a.Earlier, err = nightDocs(&sn.view, nil, sn.view.Earlier)
	return a, err
}

func nightDocs(v *practice.View, p *practice.Programme, nights []practice.NightView) ([][]byte, error) {
	docs := make([][]byte, len(nights))
	for i := range nights {
		var err error
		if docs[i], err = served.Encode(served.NightOf(v.Learner, p, &nights[i])); err != nil {
			return nil, err
		}
	}
	return docs, nil
}

// OwnEnrolment is an enrolment as its family sees it.
type OwnEnrolment struct {
	EnrolmentDetail
	Status string
	Last   *practice.Night // the last night, where it has ended or a later enrolment follows
}

// OwnLearner is a learner of the caller's household, with the enrolments by first night.
type OwnLearner struct {
	Learner
	Enrolments []OwnEnrolment
}

// OwnHousehold is the household of the device that asks.
type OwnHousehold struct {
	Household
	Learners   []OwnLearner
	Caregivers []Person
}

// OwnHousehold returns the household of the device that asks.
func (s *Service) OwnHousehold(ctx context.Context, p access.Principal, now time.Time) (OwnHousehold, error) {
	return looks(ctx, s, p, "getOwnHousehold", now, func(ctx context.Context, view View, a *ask) (own OwnHousehold, err error) {
		f, err := s.loadFamily(ctx, view, a.HouseholdID)
		if err != nil {
			return own, err
		}
		own.Household = f.household
		for _, l := range f.learners {
			own.Learners = append(own.Learners, f.ownLearner(l, now))
		}
		own.Caregivers, err = view.Caregivers(ctx, a.HouseholdID)
		return own, err
	})
}

func (f *family) ownLearner(l Learner, now time.Time) OwnLearner {
	own := OwnLearner{Learner: l}
	v := f.view(l.ID, now)
	for i := range v.Programmes {
		p := &v.Programmes[i]
		status, last := f.statusOf(p, &v)
		own.Enrolments = append(own.Enrolments, OwnEnrolment{
			EnrolmentDetail: f.details[p.Enrolment.ID.UUID], Status: status, Last: last,
		})
	}
	return own
}
