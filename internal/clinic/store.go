package clinic

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/audit"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// Store keeps everything. Both methods run their function against one consistent state of the store and return its error
// unchanged.
//
// Whatever a function returns from a method of Tx or View that names a thing which is not there is a fault of kind
// NotFound; a unique value that is taken already is one of kind Conflict; a store that is full or can't be written is one
// of kind OutOfSpace or Unavailable. Any other error is internal. Nothing in a store decides anything of the trade.
//
// Instants are kept to the millisecond, in UTC.
type Store interface {
	// InTx runs fn in a transaction that may write. It commits durably before it returns nil; on an error of fn, or a
	// panic, nothing of it remains. fn must use nothing of the store but tx, and after an error other than NotFound it must
	// return: the transaction may be gone.
	//
	// What fn has read of a household, of a clinician, of a clinic's own settings, plans and tokens or of the end of a trail, no other
	// transaction changes until this one ends. Of what it lists of many households, such as who is stale, that is not so, unless
	// the list says it.
	InTx(ctx context.Context, fn func(ctx context.Context, tx Tx) error) error
	// Read runs fn against a snapshot, beside any writer.
	Read(ctx context.Context, fn func(ctx context.Context, view View) error) error
	Glances
	// Ready reports whether the store can be reached and its schema is the newest.
	Ready(ctx context.Context) error
}

// View is what can be read.
type View interface {
	ClinicView
	AccessView
	StaffView
	RecordView
	ProjectionView
	AuditView
	ReminderView
}

// Tx is what can be read and written in one transaction.
type Tx interface {
	View
	ClinicTx
	AccessTx
	StaffTx
	RecordTx
	ProjectionTx
	AuditTx
	ReminderTx
}

// Clinic is one place of care. Nothing of one is visible to another.
type Clinic struct {
	ID           uuid.UUID
	Name         string
	Timezone     string        // IANA name
	SecondFactor string        // who must have one: "none", "lead" or "all"
	InviteWindow time.Duration // how long its invites can be redeemed
	Created      time.Time
}

// Member is a clinician of a clinic.
type Member struct {
	ID           uuid.UUID
	Clinic       uuid.UUID
	Email        string // lower case, unique in the store
	Name         string
	Role         string // "clinician" or "lead"
	PasswordHash string
	TOTPSecret   string // empty where none is set up
	TOTPSince    time.Time
	TOTPLastStep int64 // the last time step that was used, so that no code works twice
	Created      time.Time
	Disabled     time.Time // since when they may not sign in; zero while they may
}

// Plan is a version of a clinic's plan. It never changes once written.
type Plan struct {
	ID         uuid.UUID
	Clinic     uuid.UUID // zero for the plan built in
	Name       string
	Version    int
	Parameters []byte // JSON
	Created    time.Time
}

// Household is a family, or whoever else looks after a learner.
type Household struct {
	ID      uuid.UUID
	Clinic  uuid.UUID
	Label   string
	Created time.Time
}

// Person is a caregiver of a household.
type Person struct {
	ID             uuid.UUID
	Household      uuid.UUID
	Name           string
	ConsentVersion string
	Consented      time.Time
	Withdrawn      time.Time // when consent was withdrawn; zero while it stands
	Created        time.Time
}

// Device is a caregiver's device.
type Device struct {
	ID        uuid.UUID
	Household uuid.UUID
	Caregiver uuid.UUID
	Name      string
	Platform  string
	Enrolled  time.Time
	Heard     time.Time // zero where it never completed a sync call
	Revoked   time.Time // zero while it is active
	Withdrawn time.Time // when its caregiver withdrew consent, as read; zero while it stands
	// WithdrawnRev is the household's newest revision when its caregiver withdrew consent, as read.
	WithdrawnRev int64
}

// Learner is who learns to swallow.
type Learner struct {
	ID         uuid.UUID
	Household  uuid.UUID
	Clinic     uuid.UUID
	Nickname   string
	BirthMonth string // "2019-05", empty where not given
	Created    time.Time
}

// Screening is a clinician's record of whether a learner may practise.
type Screening struct {
	ID       uuid.UUID
	Learner  uuid.UUID
	By       uuid.UUID // the clinician
	Answers  map[string]bool
	Decision string // "go" or "no_go"
	Note     string
	At       time.Time
}

// Enrolment is a learner on a version of a plan.
type Enrolment struct {
	ID         uuid.UUID
	Learner    uuid.UUID
	Plan       uuid.UUID
	FirstNight practice.Night
	Timezone   string
	ReminderAt practice.TimeOfDay
	Positions  []practice.Position
	Target     []byte // JSON, empty where no medicine is named
	Status     string // "running", "paused" or "ended"
	StatusNote string
	EndedOn    practice.Night // the last night, where ended
	Written    time.Time
	// ReminderSet is when ReminderAt was moved last; zero where it never was.
	ReminderSet time.Time
}

// Page asks for at most Limit rows after a key; a zero After starts from the beginning.
type Page struct {
	After uuid.UUID
	Limit int
}

// ClinicView reads clinics and what they keep.
type ClinicView interface {
	Clinic(ctx context.Context, id uuid.UUID) (Clinic, error)
	// ClinicIDs returns every clinic by id.
	ClinicIDs(ctx context.Context, page Page) ([]uuid.UUID, error)
	Member(ctx context.Context, id uuid.UUID) (Member, error)
	MemberByEmail(ctx context.Context, email string) (Member, error)
	Plan(ctx context.Context, id uuid.UUID) (Plan, error)
	// Plans returns the clinic's plans and the one built in, by id.
	Plans(ctx context.Context, clinic uuid.UUID) ([]Plan, error)
	Household(ctx context.Context, id uuid.UUID) (Household, error)
	// Households returns a clinic's households by id.
	Households(ctx context.Context, clinic uuid.UUID, page Page) ([]Household, error)
	Caregiver(ctx context.Context, id uuid.UUID) (Person, error)
	// Caregivers returns a household's caregivers by id.
	Caregivers(ctx context.Context, household uuid.UUID) ([]Person, error)
	// Devices returns a household's devices by id, revoked ones too.
	Devices(ctx context.Context, household uuid.UUID) ([]Device, error)
	Learner(ctx context.Context, id uuid.UUID) (Learner, error)
	// Learners returns a household's learners by id.
	Learners(ctx context.Context, household uuid.UUID) ([]Learner, error)
	// LastScreening returns the learner's newest screening; NotFound where there is none.
	LastScreening(ctx context.Context, learner uuid.UUID) (Screening, error)
	Enrolment(ctx context.Context, id uuid.UUID) (Enrolment, error)
	// Enrolments returns the enrolments of all the household's learners, in the order in which they were written.
	Enrolments(ctx context.Context, household uuid.UUID) ([]Enrolment, error)
}

// ClinicTx writes clinics and what they keep.
type ClinicTx interface {
	AddClinic(ctx context.Context, c Clinic) error
	// SetClinic replaces who of a clinic must have a second factor and how long its invites can be redeemed.
	SetClinic(ctx context.Context, c Clinic) error
	AddMember(ctx context.Context, m Member) error
	// SetSecondFactor replaces a member's secret, when it was confirmed (zero where not yet) and the last step used.
	SetSecondFactor(ctx context.Context, member uuid.UUID, secret string, since time.Time, lastStep int64) error
	AddPlan(ctx context.Context, p Plan) error
	AddHousehold(ctx context.Context, h Household) error
	AddCaregiver(ctx context.Context, p Person) error
	// RecordConsent replaces what a caregiver has consented to, and when. It stands from then on.
	RecordConsent(ctx context.Context, caregiver uuid.UUID, version string, at time.Time) error
	// WithdrawConsent notes when a caregiver withdrew consent, and the household's newest revision.
	WithdrawConsent(ctx context.Context, caregiver uuid.UUID, at time.Time) error
	AddDevice(ctx context.Context, d Device) error
	// RevokeDevice notes since when a device may only hand in what it holds.
	RevokeDevice(ctx context.Context, device uuid.UUID, at time.Time) error
	AddLearner(ctx context.Context, l Learner) error
	AddScreening(ctx context.Context, s Screening) error
	AddEnrolment(ctx context.Context, e Enrolment) error
	SetEnrolmentStatus(ctx context.Context, id uuid.UUID, status, note string, endedOn practice.Night) error
	// SetReminderTime replaces at what time of day an enrolment's reminders are due, and notes when that was set.
	SetReminderTime(ctx context.Context, id uuid.UUID, at practice.TimeOfDay, set time.Time) error
}

// Invite lets one person enrol devices into a household, once.
type Invite struct {
	CodeHash  []byte
	ShortHash []byte // of the short form; nil where there is none
	Household uuid.UUID
	Caregiver uuid.UUID // zero where it invites somebody new
	Expires   time.Time
	Used      time.Time // zero while unused
}

// RefreshToken is one of a family of tokens, each replacing the one before.
type RefreshToken struct {
	Hash    []byte
	Family  uuid.UUID
	Member  uuid.UUID // the clinician, or zero
	Device  uuid.UUID // the device, or zero
	Began   time.Time // when the family began, by signing in or enrolling
	Issued  time.Time
	Expires time.Time
	Spent   time.Time // zero while unspent
	// Superseded marks a token of whose family a later one has been spent.
	Superseded bool
	Ended      bool // the whole family has been ended
}

// ServiceToken is a token issued to a program, by the id it carries.
type ServiceToken struct {
	ID      uuid.UUID
	Clinic  uuid.UUID
	Role    string
	Issued  time.Time
	Expires time.Time
	Revoked time.Time // zero while it is good
}

// AccessView reads what lets somebody in.
type AccessView interface {
	InviteByHash(ctx context.Context, hash []byte) (Invite, error)
	InviteByShort(ctx context.Context, hash []byte) (Invite, error)
	RefreshTokenByHash(ctx context.Context, hash []byte) (RefreshToken, error)
	ServiceToken(ctx context.Context, id uuid.UUID) (ServiceToken, error)
	// ServiceTokens returns a clinic's service tokens by id, revoked and expired ones too.
	ServiceTokens(ctx context.Context, clinic uuid.UUID) ([]ServiceToken, error)
	Device(ctx context.Context, id uuid.UUID) (Device, error)
}

// AccessTx writes what lets somebody in.
type AccessTx interface {
	AddInvite(ctx context.Context, i Invite) error
	SpendInvite(ctx context.Context, hash []byte, at time.Time) error
	AddRefreshToken(ctx context.Context, t RefreshToken) error
	// SpendRefreshToken marks a token spent, and every other token of its family superseded. At the zero instant the token
	// itself is left unspent.
	SpendRefreshToken(ctx context.Context, hash []byte, at time.Time) error
	// EndTokenFamily marks every token of a family ended.
	EndTokenFamily(ctx context.Context, family uuid.UUID) error
	AddServiceToken(ctx context.Context, t ServiceToken) error
	// RevokeServiceToken notes since when a service token is good for nothing.
	RevokeServiceToken(ctx context.Context, id uuid.UUID, at time.Time) error
}

// StoredEntry is an entry as the household holds it.
type StoredEntry struct {
	Rev         int64 // the household's gapless revision, from 1
	ID          uuid.UUID
	Learner     uuid.UUID // zero where it names no learner of the household
	Status      practice.Status
	Author      practice.Author
	Device      uuid.UUID // zero for a clinician's
	Received    time.Time // by the server that had it first
	Stored      time.Time // by this one: later where a device offered it again after a restore
	ClockOffset time.Duration
	Schema      int      // of the upload
	Sent        []byte   // the entry as sent, JSON without its stamp
	Content     [32]byte // SHA-256 of the canonical content
	Chain       [32]byte // over all entries of the household up to this one
	Problem     []byte   // JSON: why it is quarantined; empty otherwise
}

// Head is the newest revision of a household and the hash chained up to it.
type Head struct {
	Rev   int64
	Chain [32]byte
}

// Edition names a state of what is stored of a household: while it is the same, so is the whole of the household's Folder.
type Edition struct {
	Epoch uuid.UUID
	// Number is another after each transaction that writes anything of the folder, and none that whoever may still hold the folder has seen
	// of another state: not even of one that was lost before it was durable. That it is higher or lower says nothing.
	Number int64
}

// Assumption is what whoever holds a household in memory takes it for.
type Assumption struct {
	Edition   Edition
	Household uuid.UUID
	Clinic    uuid.UUID
	Head      Head
	Learners  []Learner // all of them
	Devices   []Device  // as above
	// By is who changes it, where nobody has looked yet whether they may: the household is not as it is taken for, either, where the
	// session does not go on, or is not that of one of its devices. Nil where somebody has looked.
	By *Bearer
}

// Bearer is a device in whose hands a session is, as a token says.
type Bearer struct{ Session, Device uuid.UUID }

// Proven returns ErrChanged unless the bearer's session, as it has just been read, lets them change the household; the error with which it
// was read where that is any but NotFound.
func (a Assumption) Proven(f TokenFamily, err error) error {
	isOne := func(d Device) bool { return d.ID == a.By.Device }
	if fault.KindOf(err) == fault.NotFound ||
		(err == nil && !(f.GoodFor(uuid.Nil, a.By.Device) && slices.ContainsFunc(a.Devices, isOne))) {
		return ErrChanged
	}
	return err
}

// ErrChanged answers an assumption about a household that is no more as it was.
var ErrChanged = errors.New("the household has changed")

// Standing is what somebody who waits for news on a device wants to know.
type Standing struct {
	Head      int64     // the newest revision of the device's household
	Revoked   time.Time // zero while the device is active
	Withdrawn time.Time // zero while its caregiver's consent stands
}

// RecordView reads the entries of households.
type RecordView interface {
	// Epoch names this history of the store; a restored store gets a new one.
	Epoch(ctx context.Context) (uuid.UUID, error)
	// Journal names the journal beside the store; the zero id where none has been begun.
	Journal(ctx context.Context) (uuid.UUID, error)
	// Head returns the household's newest revision. In a transaction that may write it keeps other writers from the household until the
	// transaction ends, as Edition does.
	Head(ctx context.Context, household uuid.UUID) (Head, error)
	// Edition returns which edition there is of a household, in a transaction that has written to it the one that it leaves.
	Edition(ctx context.Context, household uuid.UUID) (Edition, error)
	// Standings returns how things stand for those of the devices that are there.
	Standings(ctx context.Context, devices []uuid.UUID) (map[uuid.UUID]Standing, error)
	// Entries returns the entries after a revision in order, at most limit; a limit of 0 means all.
	Entries(ctx context.Context, household uuid.UUID, after int64, limit int) ([]StoredEntry, error)
	// Folder returns all that is stored of a household and its folds rest on. In a transaction that may write it keeps other writers from
	// the household until the transaction ends.
	Folder(ctx context.Context, household uuid.UUID) (Folder, error)
	// HouseholdIDs returns every household of every clinic by id, for checks of the whole store.
	HouseholdIDs(ctx context.Context, page Page) ([]uuid.UUID, error)
}

// RecordTx writes the entries of households.
type RecordTx interface {
	// LockHouseholds keeps other writers from the households of those of the learners that are there, until the transaction ends.
	// Whoever changes several households in one transaction begins with it, so that no two wait for each other.
	LockHouseholds(ctx context.Context, learners []uuid.UUID) error
	// Assume begins a change of a household that is known, and keeps other writers from it as Edition does. Where the household is not as
	// it is taken for this is ErrChanged: at once, and the transaction may go on, or at the latest at the commit, and then nothing comes of it;
	// of a household that the transaction has looked at before, at once.
	// So a store that is far away need not be asked before it is told what to change. The transaction may leave another edition even if
	// it changes nothing.
	Assume(ctx context.Context, a Assumption) error
	// AppendEntries adds entries, whose revisions follow the head, and moves the head to the last. before are all those that there are, as
	// they were read of this edition; where it is nil the store looks itself whether an id is taken.
	AppendEntries(ctx context.Context, household uuid.UUID, entries []StoredEntry, before []Held) error
	// RenewEpoch gives this history of the store another name.
	RenewEpoch(ctx context.Context, epoch uuid.UUID) error
	// SetJournal notes which journal lies beside the store.
	SetJournal(ctx context.Context, journal uuid.UUID) error
	// Heard notes that a device completed a sync call.
	Heard(ctx context.Context, device uuid.UUID, at time.Time) error
}

// Projection is what is kept of a learner's fold so that it need not be folded again.
type Projection struct {
	Learner uuid.UUID
	Clinic  uuid.UUID
	Folded  time.Time
	Until   time.Time // the instant until which it holds; zero where only new entries can change it
	// Row is the learner's roster row as served, JSON; the fields after it order and filter the roster.
	Row         []byte
	Weighed     Weighed
	Verdict     string // empty where only a weighing can tell, and none has been made yet
	Nearness    int    // of the verdict: the higher, the sooner in the list
	Nickname    string
	Status      string // of the current enrolment, "none" without one
	Flags       []string
	NightsWrong int // missed and unheard
	Urgency     int // the higher, the sooner a call is needed
	Heard       time.Time
	Nights      []ProjectedNight
	Reminders   []ProjectedReminder
	Concerns    []ProjectedConcern
	// NextDue is when the first of Reminders is due, zero where none is to come; RemindersUntil is the instant at which they
	// lapse; RemindersRenew is the first at which others may be due. They are zero where only new entries can change them.
	NextDue        time.Time
	RemindersUntil time.Time
	RemindersRenew time.Time
}

// Weighed is what a weighing made of a learner's programmes, which takes too long for an upload to wait for it.
type Weighed struct {
	// Basis is a hash over all that the weighing rests on: while it is the same, so is what the weighing makes of it.
	Basis [32]byte
	Doc   []byte // JSON, for this service alone; nil where nothing has been made of this basis yet
}

// ProjectedNight is a night of a learner's fold.
type ProjectedNight struct {
	Night      practice.Night
	ChangedRev int64 // the household's revision with which it last changed
	// Gone marks a night that is no more, since its enrolment ended before it or all that was recorded on it was withdrawn.
	// It is kept so that phones can be told.
	Gone bool
	// Print tells whether it is served as before. It is zero where the night is gone, and where a version of the program that kept
	// no prints has left it to be folded anew.
	Print served.Print
}

// ProjectedReminder is a reminder that is due or will be, if nothing more is heard, and has not been seen to.
type ProjectedReminder struct {
	ID     uuid.UUID
	Kind   string
	Night  practice.Night
	Due    time.Time
	Lapses time.Time
	Run    int
	// Ready is from when it may be claimed: when it is due, when the lease of whoever has claimed it ends, or when it may be tried
	// again. Zero where it may not be claimed any more, unless a report changes that.
	Ready time.Time
}

// DueReminder is a projected reminder and whom it is about.
type DueReminder struct {
	ProjectedReminder
	Learner   uuid.UUID
	Household uuid.UUID
	Heard     time.Time
}

// ProjectedConcern is a reason to follow a family up.
type ProjectedConcern struct {
	ID     uuid.UUID
	Reason string
	Night  practice.Night
	Since  time.Time
	Run    int
}

// OpenConcern is a projected concern and whom it is about.
type OpenConcern struct {
	ProjectedConcern
	Clinic    uuid.UUID
	Learner   uuid.UUID
	Household uuid.UUID
	Nickname  string
	Heard     time.Time
}

// RosterQuery asks for a page of a clinic's roster.
type RosterQuery struct {
	Clinic uuid.UUID
	Status string // empty for all
	Flag   string // empty for all
	// Verdict, HeardBefore and WrongAtLeast let through those of a verdict, those last heard from before an instant or never,
	// and those with at least so many nights missed or unheard. Their zero values let through all.
	Verdict      string
	HeardBefore  time.Time
	WrongAtLeast int
	Order        string // "needs_call", "nickname", "last_heard", "missed" or "verdict"
	After        *RosterKey
	Limit        int
}

// RosterKey is the place of a row in an order of the roster: its value there, then its learner.
type RosterKey struct {
	Number  int64  // urgency, instant or count, as the order has it
	Text    string // the nickname as the order has it, so without regard to case
	Learner uuid.UUID
}

// RosterRow is a row of the roster with its place.
type RosterRow struct {
	Key RosterKey
	Row []byte
}

// ProjectionView reads projections.
type ProjectionView interface {
	// Projection returns a learner's projection, its nights in order and its reminders by due instant, then id.
	Projection(ctx context.Context, learner uuid.UUID) (Projection, error)
	// Roster returns rows in the order asked for.
	Roster(ctx context.Context, q RosterQuery) ([]RosterRow, error)
	// AnyToRenew reports whether any projection of a clinic holds no longer at an instant, or has not been weighed as it is now: whether
	// StaleProjections or Unweighed would return anybody.
	AnyToRenew(ctx context.Context, clinic uuid.UUID, at time.Time) (bool, error)
	// StaleProjections returns learners of a clinic whose projection holds no longer at an instant, at most limit.
	StaleProjections(ctx context.Context, clinic uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error)
	// Unweighed returns learners of a clinic whose programmes have not been weighed as they are now, by id.
	Unweighed(ctx context.Context, clinic uuid.UUID, page Page) ([]uuid.UUID, error)
	// Weighed returns what was weighed of a clinic's learners, by learner, of each who has been weighed.
	Weighed(ctx context.Context, clinic uuid.UUID) (map[uuid.UUID][]byte, error)
	// StaleReminders returns learners of a clinic of whom others than the reminders kept may be due at an instant, or whose
	// reminders were worked out at a later one, at most limit, by id.
	StaleReminders(ctx context.Context, clinic uuid.UUID, at time.Time, page Page) ([]uuid.UUID, error)
	// LapsedReminders returns learners of a clinic whose reminders have lapsed at an instant, at most limit.
	LapsedReminders(ctx context.Context, clinic uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error)
	// DueReminders returns the reminders of a clinic due at an instant and not lapsed, by due instant, then id, after the
	// given place.
	DueReminders(ctx context.Context, clinic uuid.UUID, at time.Time, after *DueKey, limit int) ([]DueReminder, error)
	// ReadyReminders returns the reminders of a clinic, of some kinds, that are due and may be claimed at an instant and have not
	// lapsed, by when they may be, then id. In a transaction that may write, nobody else is told of them until it ends; there may be
	// more than what is returned, even where that is less than the limit.
	ReadyReminders(ctx context.Context, clinic uuid.UUID, at time.Time, kinds []string, limit int) ([]DueReminder, error)
	// RemindersOf returns a learner's reminders by due instant, then id.
	RemindersOf(ctx context.Context, learner uuid.UUID) ([]ProjectedReminder, error)
	// Concerns returns the concerns of a clinic by since when, then id, after the given place.
	Concerns(ctx context.Context, clinic uuid.UUID, after *DueKey, limit int) ([]OpenConcern, error)
	// Concern returns one of them.
	Concern(ctx context.Context, id uuid.UUID) (OpenConcern, error)
}

// DueKey is the place of a reminder in the order of due instants, or of a concern in that of when they came up.
type DueKey struct {
	Due time.Time
	ID  uuid.UUID
}

// ProjectionTx writes projections.
type ProjectionTx interface {
	// SaveProjection replaces a learner's projection. before is the one that there is, as it was read of this edition; where it is nil the
	// store looks.
	SaveProjection(ctx context.Context, p Projection, before *Projection) error
}

// AuditQuery asks for a page of a clinic's audit trail.
type AuditQuery struct {
	Clinic  uuid.UUID
	Learner uuid.UUID // zero for all that happened
	// From is the number of the row to begin with; the zero value stands for the first, or the last where Newest is set.
	From   int64
	Newest bool // from the newest to the oldest
	Limit  int
}

// AuditView reads audit trails.
type AuditView interface {
	// AuditHead returns how far a clinic's trail goes. In a transaction that may write it keeps other writers from the trail
	// until the transaction ends.
	AuditHead(ctx context.Context, clinic uuid.UUID) (audit.Head, error)
	// AuditRows returns rows in the order asked for.
	AuditRows(ctx context.Context, q AuditQuery) ([]audit.Row, error)
	// AuditClinics returns, by id, the clinics of which there is a trail, also those that are not there any more.
	AuditClinics(ctx context.Context) ([]uuid.UUID, error)
}

// AuditTx adds to audit trails. Nothing takes from them.
type AuditTx interface {
	// AppendAudit links a row behind the head of its clinic's trail, as audit.Row.Link does, and adds it. It keeps other writers from the
	// trail from then on. What number and hash the row comes to have, AuditHead tells.
	AppendAudit(ctx context.Context, row audit.Row) error
}
