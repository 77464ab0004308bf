package clinic

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/door"
	"swallowtail/internal/judgement"
	"swallowtail/internal/packing"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

// family is all that a household's folds rest on, in one state of the store, and what is kept of them. Many may use it at once: nothing of
// it is changed once it has been made.
type family struct {
	edition    Edition
	household  Household
	head       Head
	learners   []Learner
	devices    []Device
	people     people
	enrolments map[uuid.UUID][]practice.Enrolment // by learner
	details    map[uuid.UUID]EnrolmentDetail      // by enrolment
	contacts   []practice.Contact
	record     *practice.Record   // nil of a family that is lean
	readings   []packing.Packed   // of the first of those stored; of all, unless the family is lean
	read       int                // of how many
	members    []door.Members     // of the last entries, those that were read just now
	stamped    []practice.Stamped // none of one that is lean
	stored     []Held
	problems   []problem                         // by revision: why those are quarantined that are
	sent       [][]byte                          // what was sent, of the last entries: those that were read from the store or came just now
	extended   *atomic.Bool                      // whether somebody has gone on behind what was stored and read, in the same arrays; nil where nobody may
	past       map[uuid.UUID][]reminder.Delivery // by learner: what has become of reminders
	followUps  map[uuid.UUID][]FollowUp          // by learner
	kept       map[uuid.UUID]*Projection         // by learner: what is kept of the fold, if anything is
}

// loadFamily returns a household as it is in a view of what is committed, and keeps it for the next time.
func (s *Service) loadFamily(ctx context.Context, view View, id uuid.UUID) (*family, error) {
	known := s.families.of(id)
	f, err := s.familyIn(ctx, view, id, known)
	if err != nil {
		return nil, err
	}
	whole := f.whole()
	if f != known {
		s.families.keep(whole)
	}
	return whole, nil
}

// familyIn returns a household as it is in a view: the one that is known, if there is one and it is of the edition that there is.
func (s *Service) familyIn(ctx context.Context, view View, id uuid.UUID, known *family) (*family, error) {
	if known == nil {
		return readFamily(ctx, view, id, nil)
	}
	edition, err := view.Edition(ctx, id)
	if err != nil {
		return nil, err
	}
	if edition == known.edition {
		return known, nil
	}
	return readFamily(ctx, view, id, known)
}

// wholeIn returns a whole household as it is in a transaction.
func (s *Service) wholeIn(ctx context.Context, tx Tx, id uuid.UUID) (*family, error) {
	f, err := s.familyIn(ctx, tx, id, s.families.of(id))
	if err != nil {
		return nil, err
	}
	return f.whole(), nil
}

// readFamily reads a household. It is lean, but for what was sent, with the readings of those entries that are the same as in the family that
// is known, if there is one.
func readFamily(ctx context.Context, view View, id uuid.UUID, known *family) (*family, error) {
	folder, err := view.Folder(ctx, id)
	if err != nil {
		return nil, err
	}
	return familyOf(&folder, known)
}

// familyOf is readFamily once the folder is read.
func familyOf(folder *Folder, known *family) (*family, error) {
	f := &family{
		edition: folder.Edition, household: folder.Household, head: folder.Head, learners: folder.Learners, devices: folder.Devices,
		people: peopleOf(folder), stored: HeldOf(folder.Entries), problems: problemsOf(folder.Entries), sent: textsOf(folder.Entries),
		enrolments: map[uuid.UUID][]practice.Enrolment{}, details: map[uuid.UUID]EnrolmentDetail{},
		past: map[uuid.UUID][]reminder.Delivery{}, followUps: map[uuid.UUID][]FollowUp{}, kept: map[uuid.UUID]*Projection{},
	}
	for _, d := range folder.Deliveries {
		f.past[d.Learner] = append(f.past[d.Learner], d.Delivery)
	}
	for _, u := range folder.FollowUps {
		f.followUps[u.Learner] = append(f.followUps[u.Learner], u)
	}
	for i := range folder.Projections {
		p := &folder.Projections[i]
		f.kept[p.Learner] = p
	}
	f.readings, f.read = known.readingsFor(f.stored)
	return f, f.enrol(folder)
}

// assumption is what a store is told that is to change the family for a device.
func (f *family) assumption(p access.Principal) Assumption {
	a := Assumption{
		Edition: f.edition, Household: f.household.ID, Clinic: f.household.Clinic, Head: f.head, Learners: f.learners, Devices: f.devices,
	}
	if p.Unproven {
		a.By = &Bearer{Session: p.Session, Device: p.DeviceID}
	}
	return a
}

// whole returns the family with its entries brought into a record. Those of which there is no reading are read.
func (f *family) whole() *family {
	if f.record != nil {
		return f
	}
	w := *f
	w.bringIn(nil, false)
	return &w
}

// bringIn brings the entries of a family that is still being made into a record. Some of the last have been read already: a reading of
// each is given, nil where it is to be read. goOn tells whether the family may go on in the arrays that it has.
func (f *family) bringIn(last []*door.Reading, goOn bool) {
	f.contacts = contactsOf(f.devices)
	f.members = make([]door.Members, 0, len(f.stored)-f.read)
	fresh := make([]packing.Reading, 0, len(f.stored)-f.read)
	for i := f.read; i < len(f.stored); i++ {
		read := f.readingOf(i, last)
		fresh = append(fresh, packing.Reading{Entry: read.Entry, MayBeIncident: read.MayBeIncident, Flawed: read.Flawed})
		fresh[len(fresh)-1].ID.UUID = f.stored[i].ID
		f.members = append(f.members, read.Members)
	}
	if len(fresh) > 0 {
		f.readings = append(withRoom(f.readings, 1, sparePieces, goOn), packing.Pack(fresh))
		f.read = len(f.stored)
	}
	f.stamp()
	f.seal()
	f.record = practice.NewRecord(f.stamped)
}

// readingOf returns what the door makes of the nth stored entry: as it is given, where it is among the last, else read again.
func (f *family) readingOf(n int, last []*door.Reading) door.Reading {
	if at := n - (len(f.stored) - len(last)); at >= 0 && last[at] != nil {
		return *last[at]
	}
	return f.reread(n)
}

// with returns the whole family with entries that have just come, of each of which the door may have made a reading, and with a device
// having been heard from, if there is one. The first that comes of a family goes on in its arrays, behind what is its own, so that not every
// upload copies all that there was before.
func (f *family) with(added []StoredEntry, read []*door.Reading, heard uuid.UUID, at time.Time) *family {
	next := *f
	first := false
	if last := len(added) - 1; last >= 0 {
		first = f.extended != nil && f.extended.CompareAndSwap(false, true)
		next.stored, next.extended = appendHeld(withRoom(f.stored, len(added), spareEntries, first), added), new(atomic.Bool)
		next.problems = slices.Concat(f.problems, problemsOf(added))
		next.sent = slices.Concat(f.sent, textsOf(added))
		next.head = Head{Rev: added[last].Rev, Chain: added[last].Chain}
	}
	next.devices = slices.Clone(f.devices)
	for i := range next.devices {
		if d := &next.devices[i]; d.ID == heard {
			d.Heard = at
		}
	}
	next.bringIn(read, first)
	return &next
}

// What there is room for behind what a family has, once that had to be copied: some evenings.
const (
	spareEntries = 24
	sparePieces  = 4
)

// withRoom returns a list with room for more behind it: the same where it may be gone on with and has as much, else a copy with some to spare.
func withRoom[T any](list []T, more, spare int, goOn bool) []T {
	if more == 0 || (goOn && cap(list)-len(list) >= more) {
		return list
	}
	return append(make([]T, 0, len(list)+more+spare), list...)
}

// people are the learners and caregivers of a household.
type people struct{ learners, caregivers map[uuid.UUID]bool }

func peopleOf(folder *Folder) people {
	p := people{learners: map[uuid.UUID]bool{}, caregivers: map[uuid.UUID]bool{}}
	for _, l := range folder.Learners {
		p.learners[l.ID] = true
	}
	for _, c := range folder.Caregivers {
		p.caregivers[c.ID] = true
	}
	return p
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

// device returns one of the household's devices.
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

// stamp takes the stored entries as they are read now: what was parked may be known by now, and what was wrong may be right.
func (f *family) stamp() {
	f.stamped = make([]practice.Stamped, len(f.stored))
	unpacker := packing.Unpack(f.readings)
	var read packing.Reading
	for i := range f.stored {
		e := &f.stored[i]
		unpacker.Next(e.ID, &read)
		if e.Status() != practice.Accepted && read.Body != nil {
			read.Flawed = len(misplaced(&read.Entry, e.Author.Role, f.people)) > 0
		}
		if e.Learner != uuid.Nil || !f.people.learners[read.Learner.UUID] {
			read.Learner = practice.LearnerID{UUID: e.Learner} // otherwise one who has come since
		}
		f.stamped[i] = practice.Stamped{
			Entry: read.Entry, Author: e.Author, Status: e.Status(), MayBeIncident: read.MayBeIncident, Flawed: read.Flawed, Stamp: e.Stamp(),
		}
	}
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
		f.stamped[i].Sealed = is && e.Author.Role == practice.Caregiver && e.Status() == practice.SetAside && e.Rev > since
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
