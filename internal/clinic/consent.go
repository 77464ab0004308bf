package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// The consent that redeeming an invite records.
const (
	ConsentVersion = "1"
	ConsentText    = "By enrolling this device you agree that what you record about practice evenings (when it was, how each try " +
		"went, notes and incidents) is kept by your clinic's service and seen by your clinic and by the other caregivers of " +
		"your household; a note, or why you withdraw something, is seen by the clinic alone unless you share it; the reason for settling a disagreement is seen by all of them. You can ask your clinic to show, correct or " +
		"erase it, and you can withdraw this consent at any time. This service helps with practice; it is no medical advice, " +
		"and what your clinician tells you comes first."
)

// consenting returns the caregiver who redeems an invite, with the consent that this records: the one it names, else a new
// one.
func (s *Service) consenting(ctx context.Context, tx Tx, invite Invite, n NewDevice, now time.Time) (Person, error) {
	if invite.Caregiver == uuid.Nil {
		p := Person{
			ID: s.NewID(), Household: invite.Household, Name: n.Name, ConsentVersion: ConsentVersion, Consented: now, Created: now,
		}
		return p, tx.AddCaregiver(ctx, p)
	}
	if err := tx.RecordConsent(ctx, invite.Caregiver, ConsentVersion, now); err != nil {
		return Person{}, err
	}
	return tx.Caregiver(ctx, invite.Caregiver)
}

// Consent is where a caregiver's consent stands.
type Consent struct {
	Caregiver uuid.UUID
	Version   string    // of the text that was consented to last
	Given     time.Time // the last time
	Withdrawn time.Time // zero while it stands
}

// ConsentOf returns where a caregiver's consent stands.
func ConsentOf(p *Person) Consent {
	return Consent{Caregiver: p.ID, Version: p.ConsentVersion, Given: p.Consented, Withdrawn: p.Withdrawn}
}

// OwnConsent returns where the consent of the caregiver stands whose device asks.
func (s *Service) OwnConsent(ctx context.Context, p access.Principal, now time.Time) (Consent, error) {
	return looks(ctx, s, p, "getConsent", now, func(ctx context.Context, view View, a *ask) (Consent, error) {
		person, err := a.caregiver(ctx, view, p.CaregiverID)
		return ConsentOf(&person), err
	})
}

// errOtherText answers a consent to a text that is not the one in force: nobody consents to what they have not been shown.
var errOtherText = fault.New(fault.Conflict, "consent-text-changed",
	"The text that this consents to is not the one in force: show the one of /v1/consent-text, and send its version.")

// GiveConsent gives the consent of the caregiver whose device asks, to the text of a version, again. What was set aside while it
// was withdrawn waits for a clinician's review from then on.
func (s *Service) GiveConsent(ctx context.Context, p access.Principal, version string, now time.Time) (Consent, error) {
	if version != ConsentVersion {
		return Consent{}, errOtherText
	}
	return s.changeConsent(ctx, p, "giveConsent", p.CaregiverID, now, func(ctx context.Context, tx Tx, person *Person) error {
		person.ConsentVersion, person.Consented, person.Withdrawn = version, now, time.Time{}
		return tx.RecordConsent(ctx, person.ID, version, now)
	})
}

// WithdrawConsent withdraws a caregiver's consent: their own, or as they asked a clinician to. From then on what their devices
// hand in is set aside unread, an incident excepted in that it holds the learner, and their devices read no more than that
// and where the consent stands. What was handed in before stays. One that was withdrawn before stays withdrawn since then.
func (s *Service) WithdrawConsent(ctx context.Context, p access.Principal, caregiver uuid.UUID, now time.Time) (Consent, error) {
	return s.changeConsent(ctx, p, "withdrawConsent", caregiver, now, func(ctx context.Context, tx Tx, person *Person) error {
		if !person.Withdrawn.IsZero() {
			return nil
		}
		person.Withdrawn = now
		return tx.WithdrawConsent(ctx, person.ID, now)
	})
}

func (s *Service) changeConsent(
	ctx context.Context, p access.Principal, op Operation, caregiver uuid.UUID, now time.Time,
	change func(ctx context.Context, tx Tx, person *Person) error,
) (Consent, error) {
	var consent Consent
	var devices []Device
	err := s.changes(ctx, p, op, now, func(ctx context.Context, tx Tx, a *ask, note note) error {
		person, err := a.caregiver(ctx, tx, caregiver)
		if err != nil {
			return err
		}
		before := ConsentOf(&person)
		if err := change(ctx, tx, &person); err != nil {
			return err
		}
		consent = ConsentOf(&person)
		a.row.Note = consent.Version
		if consent == before {
			return nil
		}
		note(ConsentChanged{Caregiver: person.ID, Version: person.ConsentVersion, Withdrawn: !person.Withdrawn.IsZero()})
		if devices, err = tx.Devices(ctx, person.Household); err != nil {
			return err
		}
		return s.refold(ctx, tx, person.Household, now)
	})
	if err != nil {
		return Consent{}, err
	}
	for _, d := range devices {
		if d.Caregiver == caregiver && !consent.Withdrawn.IsZero() {
			s.listeners.Bar(d.ID)
		}
	}
	if len(devices) > 0 {
		s.noteChange()
	}
	return consent, nil
}
