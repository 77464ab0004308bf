package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

// Delivery is what has become of a reminder to a family, or of a message that verifies an address, and whose it is.
type Delivery struct {
	reminder.Delivery
	Clinic    uuid.UUID
	Household uuid.UUID
	Learner   uuid.UUID // zero for a message that verifies an address
	Address   uuid.UUID // the address that is verified, else zero
}

// Address is where a caregiver wants to be reminded.
type Address struct {
	ID        uuid.UUID
	Household uuid.UUID
	Caregiver uuid.UUID
	Channel   string // "email"
	To        string // as the channel has it; unique for a caregiver and channel
	Wanted    Wanted
	Created   time.Time
	Verified  time.Time // zero until its owner has shown that they read what is sent there
	Failing   time.Time // since when the channel says that it will never take anything; zero while it may
	Code      AddressCode
}

// AddressCode is how an address is verified: by a code that is sent there.
type AddressCode struct {
	ID    uuid.UUID // of the delivery that carries it; zero where none has been asked for
	Asked time.Time
	Wrong int // how many wrong ones have been typed
}

// Wanted is what a caregiver wants to be reminded of at an address, and when.
type Wanted struct {
	Kinds    []string // of reminders: "tonight", "missed"
	Weekdays []int    // 1 for Monday to 7, as ISO 8601 numbers them; the day of the night reminded of
	// QuietFrom to QuietUntil in Timezone is when nothing is to come there, beside the plan's quiet hours at the learner's home.
	// They are equal where there are no such hours.
	QuietFrom, QuietUntil practice.TimeOfDay
	Timezone              string // IANA name; empty where there are no quiet hours
}

// Recipient is an address of a household and what its use depends on.
type Recipient struct {
	Address
	Withdrawn time.Time // when its caregiver withdrew consent; zero while it stands
	Devices   int       // how many of its caregiver's devices are not revoked
}

// CalendarFeed lets a calendar program read when a household's practice is, at an address that nobody can guess.
type CalendarFeed struct {
	ID        uuid.UUID
	Household uuid.UUID
	Caregiver uuid.UUID
	Hash      []byte // of the secret part of the address
	Created   time.Time
}

// FollowUp is what came of following a family up.
type FollowUp struct {
	ID      uuid.UUID
	Concern uuid.UUID
	Learner uuid.UUID
	Member  uuid.UUID // the clinician
	Outcome string
	Note    string
	At      time.Time
}

// ReminderView reads what becomes of reminders, and where they go.
type ReminderView interface {
	Delivery(ctx context.Context, id uuid.UUID) (Delivery, error)
	// DeliveriesByID returns those of the ids that there are.
	DeliveriesByID(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]Delivery, error)
	// Deliveries returns those about a household's learners, in the order in which they were due, then by id.
	Deliveries(ctx context.Context, household uuid.UUID) ([]Delivery, error)
	// ReadyCodes returns the deliveries of a clinic that verify an address and may be claimed at an instant, by when they may be, then
	// id.
	ReadyCodes(ctx context.Context, clinic uuid.UUID, at time.Time, limit int) ([]Delivery, error)
	Address(ctx context.Context, id uuid.UUID) (Address, error)
	// Addresses returns a caregiver's addresses by id.
	Addresses(ctx context.Context, caregiver uuid.UUID) ([]Address, error)
	// Recipients returns the addresses of households by id.
	Recipients(ctx context.Context, households []uuid.UUID) (map[uuid.UUID][]Recipient, error)
	// CalendarFeeds returns a caregiver's feeds by id.
	CalendarFeeds(ctx context.Context, caregiver uuid.UUID) ([]CalendarFeed, error)
	CalendarFeed(ctx context.Context, id uuid.UUID) (CalendarFeed, error)
	CalendarFeedByHash(ctx context.Context, hash []byte) (CalendarFeed, error)
	// FollowUps returns what came of following a household's learners up, in the order in which it was recorded.
	FollowUps(ctx context.Context, household uuid.UUID) ([]FollowUp, error)
	// ZonesInUse returns the names of the zones at home of any enrolment, in order.
	ZonesInUse(ctx context.Context) ([]string, error)
	// ZoneRules returns, by zone, the fingerprint of the rules by which what is kept was worked out.
	ZoneRules(ctx context.Context) (map[string][32]byte, error)
	// LearnersInZone returns the learners with an enrolment at home in a zone, by id.
	LearnersInZone(ctx context.Context, zone string, page Page) ([]uuid.UUID, error)
}

// ReminderTx writes what becomes of reminders, and where they go.
type ReminderTx interface {
	// SaveDeliveries adds deliveries, or replaces those of their ids, and has the projected reminder of each id, if there is one,
	// ready when the delivery is.
	SaveDeliveries(ctx context.Context, deliveries []Delivery) error
	AddAddress(ctx context.Context, a Address) error
	// SetAddress replaces all that can change of an address: what is wanted there, its standing and its code.
	SetAddress(ctx context.Context, a Address) error
	// RemoveAddress removes an address, and the deliveries that verify it.
	RemoveAddress(ctx context.Context, id uuid.UUID) error
	AddCalendarFeed(ctx context.Context, f CalendarFeed) error
	RemoveCalendarFeed(ctx context.Context, id uuid.UUID) error
	AddFollowUp(ctx context.Context, f FollowUp) error
	SetZoneRules(ctx context.Context, zone string, rules [32]byte) error
}
