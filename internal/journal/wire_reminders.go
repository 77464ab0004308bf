package journal

import (
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// The events about reminders, as written, with the very fields of their namesakes in package clinic.

const (
	kindFamilyTold     = "family_told"
	kindAddressRemoved = "address_removed"
	kindFeedRevoked    = "calendar_feed_revoked"
)

type familyTold struct {
	Learner  uuid.UUID      `json:"learner"`
	Reminder uuid.UUID      `json:"reminder"`
	Kind     string         `json:"kind"`
	Night    practice.Night `json:"night"` // days since 1970-01-01
	Due      time.Time      `json:"due"`
}

type addressRemoved struct {
	Address uuid.UUID `json:"address"`
}

type feedRevoked struct {
	Feed uuid.UUID `json:"feed"`
}

// writtenOfReminder returns an event about reminders as written; false for any other.
func writtenOfReminder(event clinic.JournalEvent) (kind string, form any, ok bool) {
	switch e := event.(type) {
	case clinic.FamilyTold:
		told := familyTold(e)
		told.Due = utc(told.Due)
		return kindFamilyTold, told, true
	case clinic.AddressRemoved:
		return kindAddressRemoved, addressRemoved(e), true
	case clinic.CalendarFeedRevoked:
		return kindFeedRevoked, feedRevoked(e), true
	}
	return "", nil, false
}

// eventOfReminder reads an event about reminders; false where the record is of another kind.
func (r *record) eventOfReminder() (event clinic.JournalEvent, ok bool, err error) {
	switch r.Kind {
	case kindFamilyTold:
		var e familyTold
		err := read(r.Event, &e)
		return clinic.FamilyTold(e), true, err
	case kindAddressRemoved:
		var e addressRemoved
		err := read(r.Event, &e)
		return clinic.AddressRemoved(e), true, err
	case kindFeedRevoked:
		var e feedRevoked
		err := read(r.Event, &e)
		return clinic.CalendarFeedRevoked(e), true, err
	}
	return nil, false, nil
}
