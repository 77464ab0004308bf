package practice

import (
	"cmp"
	"encoding/binary"

	"github.com/google/uuid"
)

// The identifiers are distinct types, so that one cannot stand in for another by accident. Each embeds its UUID.
type (
	// EntryID names one entry, unique within a household; the device that writes the entry chooses it.
	EntryID struct{ uuid.UUID }
	// SubjectID names the thing an entry is about: the id of the entry that first spoke of it.
	SubjectID struct{ uuid.UUID }
	// LearnerID names a learner.
	LearnerID struct{ uuid.UUID }
	// EnrolmentID names a learner's enrolment on a plan.
	EnrolmentID struct{ uuid.UUID }
	// DeviceID names a caregiver's device.
	DeviceID struct{ uuid.UUID }
	// PersonID names a caregiver or a clinician.
	PersonID struct{ uuid.UUID }
)

// compareIDs orders ids octet by octet, eight at a time: folding compares thousands of them.
func compareIDs(a, b uuid.UUID) int {
	if first := cmp.Compare(binary.BigEndian.Uint64(a[:8]), binary.BigEndian.Uint64(b[:8])); first != 0 {
		return first
	}
	return cmp.Compare(binary.BigEndian.Uint64(a[8:]), binary.BigEndian.Uint64(b[8:]))
}

// Role says in which capacity an author wrote.
type Role uint8

const (
	// Caregiver is a caregiver of the household, or the learner using a caregiver's device.
	Caregiver Role = iota + 1
	// Clinician is a clinician of the household's clinic.
	Clinician
)

// String returns the role's name on the wire.
func (r Role) String() string {
	switch r {
	case Caregiver:
		return "caregiver"
	case Clinician:
		return "clinician"
	}
	return "unknown"
}

// Author is the person whose account an entry is.
type Author struct {
	Role Role
	ID   PersonID
}

func (a Author) compare(b Author) int {
	if a.Role != b.Role {
		return int(a.Role) - int(b.Role)
	}
	return compareIDs(a.ID.UUID, b.ID.UUID)
}
