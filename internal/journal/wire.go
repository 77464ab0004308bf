package journal

import (
	"errors"
	"fmt"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// ErrNewer answers a journal to which a newer version of this program has written.
var ErrNewer = errors.New("the journal was written by a newer version of this program")

// record is a record as written.
type record struct {
	At    time.Time      `json:"at"`
	Kind  string         `json:"kind"`
	Event jsontext.Value `json:"event"`
}

// The kinds of events.
const (
	kindDeviceEnrolled = "device_enrolled"
	kindTokenIssued    = "token_issued"
	kindDeviceRevoked  = "device_revoked"
	kindFamilyEnded    = "family_ended"
	kindConsentChanged = "consent_changed"
	kindServiceRevoked = "service_token_revoked"
	kindClinicSet      = "clinic_set"

	kindMemberDisabled    = "member_disabled"
	kindMemberEnabled     = "member_enabled"
	kindPasswordChanged   = "password_changed"
	kindSecondFactorSet   = "second_factor_set"
	kindRecoveryCodesMade = "recovery_codes_made"
	kindRecoveryCodeUsed  = "recovery_code_used"
)

// The events as written. Device, caregiver and token have the very fields of their namesakes in package clinic.

type deviceEnrolled struct {
	Device    device    `json:"device"`
	Caregiver caregiver `json:"caregiver"`
	Invite    []byte    `json:"invite"`
}

type tokenIssued struct {
	Token    token  `json:"token"`
	Replaces []byte `json:"replaces,omitempty"`
}

type deviceRevoked struct {
	Device uuid.UUID `json:"device"`
}

type familyEnded struct {
	Family uuid.UUID `json:"family"`
}

type consentChanged struct {
	Caregiver uuid.UUID `json:"caregiver"`
	Version   string    `json:"version"`
	Withdrawn bool      `json:"withdrawn"`
}

type clinicSet struct {
	Clinic       uuid.UUID     `json:"clinic"`
	SecondFactor string        `json:"second_factor"`
	InviteWindow time.Duration `json:"invite_window,format:nano"`
}

type serviceRevoked struct {
	Token uuid.UUID `json:"token"`
}

type device struct {
	ID        uuid.UUID `json:"id"`
	Household uuid.UUID `json:"household"`
	Caregiver uuid.UUID `json:"caregiver"`
	Name      string    `json:"name"`
	Platform  string    `json:"platform"`
	Enrolled  time.Time `json:"enrolled"`
	Heard     time.Time `json:"heard,omitzero"`
	Revoked   time.Time `json:"revoked,omitzero"`
	Withdrawn time.Time `json:"withdrawn,omitzero"`
	// WithdrawnRev is zero in every journal.
	WithdrawnRev int64 `json:"withdrawn_rev,omitzero"`
}

type caregiver struct {
	ID             uuid.UUID `json:"id"`
	Household      uuid.UUID `json:"household"`
	Name           string    `json:"name"`
	ConsentVersion string    `json:"consent_version"`
	Consented      time.Time `json:"consented,omitzero"`
	Withdrawn      time.Time `json:"withdrawn,omitzero"`
	Created        time.Time `json:"created"`
}

type token struct {
	Hash       []byte    `json:"hash"`
	Family     uuid.UUID `json:"family"`
	Member     uuid.UUID `json:"member,omitzero"`
	Device     uuid.UUID `json:"device,omitzero"`
	Began      time.Time `json:"began"`
	Issued     time.Time `json:"issued"`
	Expires    time.Time `json:"expires"`
	Spent      time.Time `json:"spent,omitzero"`
	Superseded bool      `json:"superseded,omitzero"`
	Ended      bool      `json:"ended,omitzero"`
}

// encode returns a record as JSON, with its instants in UTC and to the millisecond.
func encode(r clinic.JournalRecord) ([]byte, error) {
	kind, event, err := written(r.Event)
	if err != nil {
		return nil, err
	}
	encoded, err := json.Marshal(event)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", kind, err)
	}
	return json.Marshal(record{At: utc(r.At), Kind: kind, Event: encoded})
}

func written(event clinic.JournalEvent) (kind string, form any, err error) {
	switch e := event.(type) {
	case clinic.DeviceEnrolled:
		d, c := device(e.Device), caregiver(e.Caregiver)
		d.Enrolled, d.Heard, d.Revoked = utc(d.Enrolled), utc(d.Heard), utc(d.Revoked)
		d.Withdrawn = utc(d.Withdrawn)
		c.Consented, c.Withdrawn, c.Created = utc(c.Consented), utc(c.Withdrawn), utc(c.Created)
		return kindDeviceEnrolled, deviceEnrolled{Device: d, Caregiver: c, Invite: e.Invite}, nil
	case clinic.TokenIssued:
		t := token(e.Token)
		t.Began, t.Issued, t.Expires, t.Spent = utc(t.Began), utc(t.Issued), utc(t.Expires), utc(t.Spent)
		return kindTokenIssued, tokenIssued{Token: t, Replaces: e.Replaces}, nil
	case clinic.DeviceRevoked:
		return kindDeviceRevoked, deviceRevoked(e), nil
	case clinic.FamilyEnded:
		return kindFamilyEnded, familyEnded(e), nil
	case clinic.ConsentChanged:
		return kindConsentChanged, consentChanged(e), nil
	case clinic.ServiceTokenRevoked:
		return kindServiceRevoked, serviceRevoked(e), nil
	case clinic.ClinicSet:
		return kindClinicSet, clinicSet(e), nil
	default:
		if kind, form, ok := writtenOfReminder(event); ok {
			return kind, form, nil
		}
		return writtenOfMember(event)
	}
}

func utc(t time.Time) time.Time { return t.UTC().Truncate(time.Millisecond) }

// decode reads what encode wrote.
func decode(encoded []byte) (clinic.JournalRecord, error) {
	var r record
	if err := read(encoded, &r); err != nil {
		return clinic.JournalRecord{}, err
	}
	event, err := r.event()
	return clinic.JournalRecord{At: r.At, Event: event}, err
}

func (r *record) event() (clinic.JournalEvent, error) {
	switch r.Kind {
	case kindDeviceEnrolled:
		var e deviceEnrolled
		err := read(r.Event, &e)
		return clinic.DeviceEnrolled{Device: clinic.Device(e.Device), Caregiver: clinic.Person(e.Caregiver), Invite: e.Invite}, err
	case kindTokenIssued:
		var e tokenIssued
		err := read(r.Event, &e)
		return clinic.TokenIssued{Token: clinic.RefreshToken(e.Token), Replaces: e.Replaces}, err
	case kindDeviceRevoked:
		var e deviceRevoked
		err := read(r.Event, &e)
		return clinic.DeviceRevoked(e), err
	case kindFamilyEnded:
		var e familyEnded
		err := read(r.Event, &e)
		return clinic.FamilyEnded(e), err
	case kindConsentChanged:
		var e consentChanged
		err := read(r.Event, &e)
		return clinic.ConsentChanged(e), err
	case kindServiceRevoked:
		var e serviceRevoked
		err := read(r.Event, &e)
		return clinic.ServiceTokenRevoked(e), err
	case kindClinicSet:
		var e clinicSet
		err := read(r.Event, &e)
		return clinic.ClinicSet(e), err
	default:
		if event, ok, err := r.eventOfReminder(); ok {
			return event, err
		}
		return r.eventOfMember()
	}
}

// read decodes JSON that a checksum has found to be as it was written: what is not known in it is new.
func read(encoded []byte, into any) error {
	if err := json.Unmarshal(encoded, into, json.RejectUnknownMembers(true)); err != nil {
		return fmt.Errorf("%w: %w", ErrNewer, err)
	}
	return nil
}
