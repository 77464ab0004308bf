package clinic

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

// family is all that a household's folds rest on, read in one state of the store.
type family struct {
	household  Household
	head       Head // as it was locked; the zero value where it is only read
	learners   []Learner
	devices    []Device
	enrolments map[uuid.UUID][]practice.Enrolment // by learner
	details    map[uuid.UUID]EnrolmentDetail      // by enrolment
	contacts   []practice.Contact
	record     *practice.Record
	read       []reading // of each stored entry
	stamped    []practice.Stamped
	stored     []StoredEntry
	past       map[uuid.UUID][]reminder.Delivery // by learner: what has become of reminders
	followUps  map[uuid.UUID][]FollowUp          // by learner
}

// loadFamily reads a household and brings its entries into a record.
func (s *Service) loadFamily(ctx context.Context, view View, id uuid.UUID) (*family, error) {
	return loadFamily(ctx, view, id, &s.readings)
}

// loadFamily reads a household and brings its entries into a record. It reads those anew that are not among the readings.
func loadFamily(ctx context.Context, view View, id uuid.UUID, known *readings) (*family, error) {
	f, err := readFamily(ctx, view, id)
	if err != nil {
		return nil, err
	}
	return f, f.bring(ctx, view, known)
}

// lockFamily keeps other writers from a household and reads it. Its entries are still to be brought into a record.
func lockFamily(ctx context.Context, tx Tx, id uuid.UUID) (*family, error) {
	f, err := readFamily(ctx, tx, id)
	if err != nil {
		return nil, err
	}
	f.head, err = tx.LockHead(ctx, id)
	return f, err
}

// readFamily reads a household. Its entries are still to be brought into a record.
func readFamily(ctx context.Context, view View, id uuid.UUID) (*family, error) {
	folder, err := view.Folder(ctx, id)
	if err != nil {
		return nil, err
	}
	f := &family{
		household: folder.Household, learners: folder.Learners, devices: folder.Devices, stored: folder.Entries,
		enrolments: map[uuid.UUID][]practice.Enrolment{}, details: map[uuid.UUID]EnrolmentDetail{},
		past: map[uuid.UUID][]reminder.Delivery{}, followUps: map[uuid.UUID][]FollowUp{},
	}
	for _, d := range folder.Deliveries {
		f.past[d.Learner] = append(f.past[d.Learner], d.Delivery)
	}
	for _, u := range folder.FollowUps {
		f.followUps[u.Learner] = append(f.followUps[u.Learner], u)
	}
	return f, f.enrol(&folder)
}

// bring brings the entries into a record. Those that are not among the readings are read anew.
func (f *family) bring(ctx context.Context, view View, known *readings) error {
	copiesKeptBack := func(e StoredEntry) bool {
		return e.Status != practice.Accepted && e.Author.Role == practice.Clinician
	}
	people, err := f.people(ctx, view, slices.ContainsFunc(f.stored, copiesKeptBack))
	if err != nil {
		return err
	}
	f.contacts = contactsOf(f.devices)
	f.read = known.of(f.household.ID, f.stored)
	f.stamped = stampedOf(f.stored, f.read, people)
	f.seal()
	f.record = practice.NewRecord(f.stamped)
	return nil
}

// people returns the people of the household. The caregivers are looked up only for copies off paper, which is all that they are
// needed for.
func (f *family) people(ctx context.Context, view View, copies bool) (people, error) {
	p := people{learners: map[uuid.UUID]bool{}, caregivers: map[uuid.UUID]bool{}}
	for _, l := range f.learners {
		p.learners[l.ID] = true
	}
	if !copies {
		return p, nil
	}
	caregivers, err := view.Caregivers(ctx, f.household.ID)
	for _, c := range caregivers {
		p.caregivers[c.ID] = true
	}
	return p, err
}

func (f *family) enrol(folder *Folder) error {
	for _, e := range folder.Enrolments {
		at := slices.IndexFunc(folder.Plans, func(p Plan) bool { return p.ID == e.Plan })
		if at < 0 {
			return fmt.Errorf("enrolment %s is by a plan that is not there", e.ID)
		}
		d := EnrolmentDetail{Enrolment: e, Plan: folder.Plans[at]}
		folded, err := d.practiceEnrolment()
		if err != nil {
			return err
		}
		f.details[e.ID] = d
		f.enrolments[e.Learner] = append(f.enrolments[e.Learner], folded)
	}
	return nil
}

// practiceEnrolment returns the enrolment as the fold takes it.
func (d EnrolmentDetail) practiceEnrolment() (practice.Enrolment, error) {
	plan, err := d.Plan.practicePlan()
	if err != nil {
		return practice.Enrolment{}, err
	}
	zone, err := practice.LoadZone(d.Timezone)
	if err != nil {
		return practice.Enrolment{}, fmt.Errorf("zone of enrolment %s: %w", d.ID, err)
	}
	return practice.Enrolment{
		ID: practice.EnrolmentID{UUID: d.ID}, Learner: practice.LearnerID{UUID: d.Learner}, Plan: plan,
		FirstNight: d.FirstNight, Zone: zone, Positions: d.Positions, ReminderAt: d.ReminderAt, Written: d.Written, ReminderSet: d.ReminderSet,
		Paused: d.Status == Paused, Ended: d.Status == Ended, EndedOn: d.EndedOn,
	}, nil
}

// device returns one of the household's devices, to be changed as the store changes it.
func (f *family) device(id uuid.UUID) (*Device, error) {
	at := slices.IndexFunc(f.devices, func(d Device) bool { return d.ID == id })
	if at < 0 {
		return nil, ErrNotThere
	}
	return &f.devices[at], nil
}

func contactsOf(devices []Device) []practice.Contact {
	contacts := make([]practice.Contact, len(devices))
	for i, d := range devices {
		contacts[i] = practice.Contact{
			Device: practice.DeviceID{UUID: d.ID}, Owner: practice.PersonID{UUID: d.Caregiver},
			Enrolled: d.Enrolled, Heard: d.Heard, Revoked: !d.Revoked.IsZero(), Withdrawn: !d.Withdrawn.IsZero(),
		}
	}
	return contacts
}

// stampedOf returns stored entries as they are read now: what was parked may be known by now, and what was wrong may be
// right.
func stampedOf(stored []StoredEntry, readings []reading, p people) []practice.Stamped {
	stamped := make([]practice.Stamped, len(stored))
	for i := range stored {
		e, read := &stored[i], readings[i].Reading
		read.Entry.ID = practice.EntryID{UUID: e.ID}
		if e.Status != practice.Accepted && read.Entry.Body != nil {
			read.Flawed = len(misplaced(&read.Entry, e.Author.Role, p)) > 0
		}
		if e.Learner != uuid.Nil || !p.learners[read.Entry.Learner.UUID] {
			read.Entry.Learner = practice.LearnerID{UUID: e.Learner} // otherwise one who has come since
		}
		stamped[i] = practice.Stamped{
			Entry: read.Entry, Author: e.Author, Status: e.Status, MayBeIncident: read.MayBeIncident, Flawed: read.Flawed,
			Stamp: practice.Stamp{Received: e.Received, ClockOffset: e.ClockOffset},
		}
	}
	return stamped
}

// seal marks what was set aside since its author had withdrawn consent, and has not given it again.
func (f *family) seal() {
	withdrawn := map[uuid.UUID]int64{} // behind which revision: no clock tells what came later
	for _, d := range f.devices {
		if !d.Withdrawn.IsZero() {
			withdrawn[d.Caregiver] = d.WithdrawnRev
		}
	}
	if len(withdrawn) == 0 {
		return
	}
	for i := range f.stored {
		e := &f.stored[i]
		since, is := withdrawn[e.Author.ID.UUID]
		f.stamped[i].Sealed = is && e.Author.Role == practice.Caregiver && e.Status == practice.SetAside && e.Rev > since
	}
}

// view folds the record for one learner.
func (f *family) view(learner uuid.UUID, at time.Time) practice.View {
	return f.record.Fold(practice.LearnerID{UUID: learner}, f.enrolments[learner], f.contacts, at)
}

// known returns a programme as it was known at an instant: from what had been received by then. Nil where the learner had
// no nights of it.
func (f *family) known(p *practice.Programme, at time.Time) *practice.Programme {
	later := func(s practice.Stamped) bool { return s.Received.After(at) }
	record := practice.NewRecord(slices.DeleteFunc(slices.Clone(f.stamped), later))
	learner := p.Enrolment.Learner
	v := record.Fold(learner, f.enrolments[learner.UUID], f.contacts, at)
	return v.Programme(p.Enrolment.ID)
}

func (f *family) lastHeard() time.Time { return judgement.LastHeard(f.contacts) }

// statusOf returns the status of an enrolment as a person would say it at an instant: one that a later enrolment has
// followed has ended.
func (f *family) statusOf(p *practice.Programme, v *practice.View) (status string, endedOn *practice.Night) {
	d := f.details[p.Enrolment.ID.UUID]
	last, followed := f.eveOfNext(p)
	if d.Status == Ended {
		if followed {
			last = min(last, d.EndedOn)
		} else {
			last = d.EndedOn
		}
		return Ended, &last
	}
	if !followed {
		return d.Status, nil
	}
	if last < p.Enrolment.Tonight(v.At) {
		return Ended, &last
	}
	return d.Status, &last
}

// eveOfNext returns the last night of an enrolment that a later written one follows.
func (f *family) eveOfNext(p *practice.Programme) (practice.Night, bool) {
	var eve practice.Night
	followed, later := false, false
	for _, e := range f.enrolments[p.Enrolment.Learner.UUID] {
		if e.ID == p.Enrolment.ID {
			later = true
			continue
		}
		if later && (!followed || e.FirstNight-1 < eve) {
			eve, followed = e.FirstNight-1, true
		}
	}
	return eve, followed
}
