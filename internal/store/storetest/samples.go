package storetest

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// evening is when most things in the suite happen.
var evening = time.Date(2027, time.March, 2, 19, 42, 10, 123_000_000, time.UTC)

func minutes(n int) time.Time { return evening.Add(time.Duration(n) * time.Minute) }

// id returns the nth id of a kind. They sort by kind, then number.
func id(kind byte, n int) uuid.UUID {
	u := uuid.UUID{0: kind, 6: 0x70, 8: 0x80}
	binary.BigEndian.PutUint32(u[12:], uint32(n))
	return u
}

// The kinds of ids.
const (
	aClinic byte = iota + 1
	aMember
	aPlan
	aHousehold
	aCaregiver
	aDevice
	aLearner
	aScreening
	anEnrolment
	anEntry
	aReminder
	aFamily
	aServiceToken
	anEpoch
	aJournal
	aConcern
	aDelivery
	anAddress
	aFeed
	aFollowUp
	aClaim
)

func sampleClinic(n int) clinic.Clinic {
	return clinic.Clinic{
		ID: id(aClinic, n), Name: fmt.Sprintf("Clinic %d", n), Timezone: "America/Halifax", SecondFactor: "lead",
		InviteWindow: 48 * time.Hour,
		Created:      evening,
	}
}

func sampleMember(n int, of uuid.UUID) clinic.Member {
	return clinic.Member{
		ID: id(aMember, n), Clinic: of, Email: fmt.Sprintf("member%d@example.org", n), Name: "Sam “S” Ørsted 🦋",
		Role: "clinician", PasswordHash: "$argon2id$…", TOTPSecret: "sealed", TOTPSince: minutes(1), TOTPLastStep: 58_000_000,
		Created: minutes(2),
	}
}

func samplePlan(n int, of uuid.UUID) clinic.Plan {
	return clinic.Plan{
		ID: id(aPlan, n), Clinic: of, Name: "Two weeks", Version: n, Parameters: []byte(`{"nights": 14}`), Created: evening,
	}
}

func sampleHousehold(n int, of uuid.UUID) clinic.Household {
	return clinic.Household{ID: id(aHousehold, n), Clinic: of, Label: fmt.Sprintf("Household %d", n), Created: evening}
}

func sampleCaregiver(n int, of uuid.UUID) clinic.Person {
	return clinic.Person{
		ID: id(aCaregiver, n), Household: of, Name: "Mum", ConsentVersion: "1", Consented: minutes(3), Created: minutes(4),
	}
}

func sampleDevice(n int, of, caregiver uuid.UUID) clinic.Device {
	return clinic.Device{
		ID: id(aDevice, n), Household: of, Caregiver: caregiver, Name: "Phone", Platform: "android", Enrolled: minutes(5),
	}
}

func sampleLearner(n int, household, of uuid.UUID) clinic.Learner {
	return clinic.Learner{
		ID: id(aLearner, n), Household: household, Clinic: of, Nickname: "Kit", BirthMonth: "2019-05", Created: minutes(6),
	}
}

func sampleScreening(n int, learner, by uuid.UUID) clinic.Screening {
	return clinic.Screening{
		ID: id(aScreening, n), Learner: learner, By: by, Answers: map[string]bool{"nausea": false, "sore_mouth": true},
		Decision: "go", Note: "line one\nline two", At: minutes(7),
	}
}

func sampleEnrolment(n int, learner, plan uuid.UUID) clinic.Enrolment {
	return clinic.Enrolment{
		ID: id(anEnrolment, n), Learner: learner, Plan: plan, FirstNight: practice.NightOn(2027, time.March, 1),
		Timezone: "Asia/Kathmandu", ReminderAt: 19*60 + 30, Positions: []practice.Position{practice.Left, practice.Centre},
		Target: []byte(`{"size": "00"}`), Status: "running", StatusNote: "", Written: minutes(8),
	}
}

// world is one clinic with a family in it, numbered like the clinic.
type world struct {
	number                                                      int
	clinic, member, plan, household, caregiver, device, learner uuid.UUID
}

// newWorld stores a world.
func newWorld(b *bundle, n int) world {
	b.Helper()
	w := world{
		n, id(aClinic, n), id(aMember, n), id(aPlan, n), id(aHousehold, n), id(aCaregiver, n), id(aDevice, n), id(aLearner, n),
	}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		for _, err := range []error{
			tx.AddClinic(ctx, sampleClinic(n)),
			tx.AddMember(ctx, sampleMember(n, w.clinic)),
			tx.AddPlan(ctx, samplePlan(n, w.clinic)),
			tx.AddHousehold(ctx, sampleHousehold(n, w.clinic)),
			tx.AddCaregiver(ctx, sampleCaregiver(n, w.household)),
			tx.AddDevice(ctx, sampleDevice(n, w.household, w.caregiver)),
			tx.AddLearner(ctx, sampleLearner(n, w.household, w.clinic)),
		} {
			if err != nil {
				return err
			}
		}
		return nil
	})
	return w
}

// entry returns a caregiver's entry for a revision; its chain is a digest of the revision.
func (w world) entry(rev int64) clinic.StoredEntry {
	return clinic.StoredEntry{
		Rev: rev, ID: id(anEntry, int(rev)), Learner: w.learner, Status: practice.Accepted,
		Author: practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: w.caregiver}}, Device: w.device,
		Received: minutes(int(rev)), Stored: minutes(int(rev) + 1), ClockOffset: -90*time.Second - 5*time.Millisecond, Schema: 1,
		Sent:    fmt.Appendf(nil, `{"rev": %d,  "note": "spaces  and 🦋 as sent"}`, rev),
		Content: sha256.Sum256(fmt.Appendf(nil, "content %d", rev)),
		Chain:   sha256.Sum256(fmt.Appendf(nil, "chain %d", rev)),
	}
}

// fill appends entries until the household's head is at a revision, and returns all of them.
func (w world) fill(b *bundle, upTo int64) []clinic.StoredEntry {
	b.Helper()
	var entries []clinic.StoredEntry
	for rev := int64(1); rev <= upTo; rev++ {
		entries = append(entries, w.entry(rev))
	}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		head, err := tx.Head(ctx, w.household)
		require.NoError(b, err)
		return tx.AppendEntries(ctx, w.household, entries[head.Rev:], nil)
	})
	return entries
}

// projection returns a projection with everything in it.
func (w world) projection() clinic.Projection {
	return clinic.Projection{
		Learner: w.learner, Clinic: w.clinic, Folded: evening, Until: minutes(60), Row: []byte(`{"row":  1}`),
		Nickname: "Kit", Status: "running", Flags: []string{"no_news", "disagreement"}, NightsWrong: 2, Urgency: 7,
		Heard: minutes(-5), Verdict: "nearing", Nearness: 4, Weighed: clinic.Weighed{Basis: [32]byte{7, 31: 9}, Doc: []byte(`{"a": 1}`)},
		Nights: []clinic.ProjectedNight{
			{Night: 20_000, ChangedRev: 3, Print: served.Print{0: 1}},
			{Night: 20_001, ChangedRev: 5, Print: served.Print{0: 255, 15: 1}},
		},
		Reminders: []clinic.ProjectedReminder{
			{ID: id(aReminder, 2), Kind: "tonight", Night: 20_002, Due: minutes(30), Lapses: minutes(110), Run: 1, Ready: minutes(35)},
			{ID: id(aReminder, 1), Kind: "missed", Night: 20_001, Due: minutes(90), Lapses: minutes(120), Run: 2},
		},
		Concerns: []clinic.ProjectedConcern{
			{ID: id(aConcern, 10*w.number+2), Reason: "run", Night: 20_000, Since: minutes(-9), Run: 3},
			{ID: id(aConcern, 10*w.number+1), Reason: "not_reached", Night: 20_001, Since: minutes(-8), Run: 1},
		},
		NextDue: minutes(30), RemindersUntil: minutes(120), RemindersRenew: minutes(150),
	}
}

// projectionFor returns a projection of another learner, without what has an id of its own.
func (w world) projectionFor(learner uuid.UUID) clinic.Projection {
	p := w.projection()
	p.Learner, p.Reminders, p.Concerns = learner, nil, nil
	return p
}

// save stores a projection.
func save(b *bundle, p clinic.Projection) {
	b.Helper()
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, p, nil) })
}

// addLearners adds learners to the world's household, the last id first, and returns the ids in order.
func (w world) addLearners(b *bundle, count int) []uuid.UUID {
	b.Helper()
	ids := make([]uuid.UUID, count)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		for i := range count {
			n := count - 1 - i
			learner := sampleLearner(w.number*1000+n, w.household, w.clinic)
			ids[n] = learner.ID
			if err := tx.AddLearner(ctx, learner); err != nil {
				return err
			}
		}
		return nil
	})
	return ids
}
