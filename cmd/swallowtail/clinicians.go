package main

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// clinicianDoc is a clinician as listed.
type clinicianDoc struct {
	ID           uuid.UUID `json:"id"`
	Email        string    `json:"email"`
	Name         string    `json:"name"`
	Role         string    `json:"role"`
	SecondFactor bool      `json:"second_factor"`
	Created      time.Time `json:"created"`
	Disabled     time.Time `json:"disabled,omitzero"`
}

type cliniciansDoc struct {
	Clinicians []clinicianDoc `json:"clinicians"`
}

// doneDoc says that a command did what it was asked.
type doneDoc struct {
	Email string `json:"email"`
	Done  string `json:"done"`
}

func listClinicians(ctx context.Context, c *call) error {
	set, db := c.flags()
	clinicID := clinicFlag(set)
	if err := c.parse(set); err != nil {
		return err
	}
	id, err := clinicID()
	if err != nil {
		return err
	}
	return c.withHouse(ctx, *db, func(h *house, _ time.Time) error {
		members, err := h.service.MembersOf(ctx, id)
		if err != nil {
			return plainly(err)
		}
		list := cliniciansDoc{Clinicians: []clinicianDoc{}}
		for i := range members {
			list.Clinicians = append(list.Clinicians, clinicianDocOf(&members[i]))
		}
		return c.print(list)
	})
}

func clinicianDocOf(m *clinic.Member) clinicianDoc {
	return clinicianDoc{
		ID: m.ID, Email: m.Email, Name: m.Name, Role: m.Role, SecondFactor: !m.TOTPSince.IsZero(), Created: m.Created, Disabled: m.Disabled,
	}
}

// withClinician runs a command on the clinician whom --email names.
func withClinician(ctx context.Context, c *call, done string, do func(s *clinic.Service, email string, now time.Time) error) error {
	set, db := c.flags()
	email := set.String("email", "", "what the clinician signs in with")
	if err := c.parse(set); err != nil {
		return err
	}
	return c.withHouse(ctx, *db, func(h *house, now time.Time) error {
		if err := do(h.service, *email, now); err != nil {
			return plainly(err)
		}
		return c.print(doneDoc{Email: *email, Done: done})
	})
}

func disableClinician(ctx context.Context, c *call) error {
	return withClinician(ctx, c, "disabled", func(s *clinic.Service, email string, now time.Time) error {
		return s.SetMemberDisabled(ctx, email, true, now)
	})
}

func enableClinician(ctx context.Context, c *call) error {
	return withClinician(ctx, c, "enabled", func(s *clinic.Service, email string, now time.Time) error {
		return s.SetMemberDisabled(ctx, email, false, now)
	})
}

func resetSecondFactor(ctx context.Context, c *call) error {
	return withClinician(ctx, c, "second factor reset", func(s *clinic.Service, email string, now time.Time) error {
		return s.ResetSecondFactor(ctx, email, now)
	})
}

func setClinicianPassword(ctx context.Context, c *call) error {
	set, db := c.flags()
	email := set.String("email", "", "what the clinician signs in with")
	readPassword := c.passwordFlag(set)
	if err := c.parse(set); err != nil {
		return err
	}
	password, err := readPassword()
	if err != nil {
		return err
	}
	return c.withHouse(ctx, *db, func(h *house, now time.Time) error {
		if err := h.service.SetMemberPassword(ctx, *email, password, now); err != nil {
			return plainly(err)
		}
		return c.print(doneDoc{Email: *email, Done: "password set"})
	})
}
