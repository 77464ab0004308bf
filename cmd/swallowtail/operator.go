package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

type idDoc struct {
	ID uuid.UUID `json:"id"`
}

// clinicFlag adds the flag that names a clinic, and returns how to read it once the flags have been parsed.
func clinicFlag(set *flag.FlagSet) func() (uuid.UUID, error) {
	text := set.String("clinic", "", "the clinic's id")
	return func() (uuid.UUID, error) {
		id, err := uuid.Parse(*text)
		if err != nil {
			return uuid.Nil, errors.New("--clinic wants the id that clinic add printed")
		}
		return id, nil
	}
}

func migrate(ctx context.Context, c *call) error {
	set, db := c.flags()
	if err := c.parse(set); err != nil {
		return err
	}
	// Opening a house migrates its database.
	return c.withNewHouse(ctx, *db, func(*house, time.Time) error { return nil })
}

func addClinic(ctx context.Context, c *call) error {
	set, db := c.flags()
	name := set.String("name", "", "what the clinic is called")
	zone := set.String("timezone", "", "its time zone, by IANA name")
	second := set.String("second-factor", "lead", secondFactorHelp)
	window := set.Duration("invite-window", clinic.DefaultInviteWindow, inviteWindowHelp)
	if err := c.parse(set); err != nil {
		return err
	}
	n := clinic.NewClinic{
		Name: *name, Timezone: *zone, ClinicSettings: clinic.ClinicSettings{SecondFactor: *second, InviteWindow: *window},
	}
	return c.withNewHouse(ctx, *db, func(h *house, now time.Time) error {
		added, err := h.service.AddClinic(ctx, n, now)
		if err != nil {
			return plainly(err)
		}
		return c.print(idDoc{ID: added.ID})
	})
}

const (
	secondFactorHelp = "who must sign in with a second factor: none, lead or all"
	inviteWindowHelp = "how long an invite can be redeemed, from 10m to 720h"
)

// clinicDoc is what a clinic may change about itself.
type clinicDoc struct {
	ID           uuid.UUID `json:"id"`
	SecondFactor string    `json:"second_factor"`
	InviteWindow string    `json:"invite_window"`
}

// setClinic changes what of a clinic is given, and prints how it is then.
func setClinic(ctx context.Context, c *call) error {
	set, db := c.flags()
	clinicID := clinicFlag(set)
	second := set.String("second-factor", "", secondFactorHelp+"; as it is unless given")
	window := set.Duration("invite-window", 0, inviteWindowHelp+"; as it is unless given")
	if err := c.parse(set); err != nil {
		return err
	}
	id, err := clinicID()
	if err != nil {
		return err
	}
	return c.withHouse(ctx, *db, func(h *house, now time.Time) error {
		changed, err := h.service.SetClinic(ctx, id, func(s *clinic.ClinicSettings) {
			s.SecondFactor, s.InviteWindow = cmp.Or(*second, s.SecondFactor), cmp.Or(*window, s.InviteWindow)
		}, now)
		if err != nil {
			return plainly(err)
		}
		return c.print(clinicDoc{ID: changed.ID, SecondFactor: changed.SecondFactor, InviteWindow: changed.InviteWindow.String()})
	})
}

func addClinician(ctx context.Context, c *call) error {
	set, db := c.flags()
	clinicID := clinicFlag(set)
	email := set.String("email", "", "what the clinician signs in with")
	name := set.String("name", "", "what the clinician is called")
	role := set.String("role", "clinician", "clinician or lead")
	readPassword := c.passwordFlag(set)
	if err := c.parse(set); err != nil {
		return err
	}
	id, err := clinicID()
	if err != nil {
		return err
	}
	password, err := readPassword()
	if err != nil {
		return err
	}
	return c.withHouse(ctx, *db, func(h *house, now time.Time) error {
		added, err := h.service.AddMember(ctx, clinic.NewMember{
			Clinic: id, Email: *email, Name: *name, Role: access.Role(*role), Password: password,
		}, now)
		if err != nil {
			return plainly(err)
		}
		return c.print(idDoc{ID: added.ID})
	})
}

var errPasswordStdin = errors.New(
	"give the password on standard input, with --password-stdin: an argument would show in the list of processes")

// passwordFlag adds the flag that says where a password comes from, and returns how to read it once the flags have been parsed.
func (c *call) passwordFlag(set *flag.FlagSet) func() (string, error) {
	fromStdin := set.Bool("password-stdin", false, "read the password from standard input, up to the end of its line")
	return func() (string, error) {
		if !*fromStdin {
			return "", errPasswordStdin
		}
		return readLine(c.in)
	}
}

// readLine returns the first line of a reader, without its end.
func readLine(r io.Reader) (string, error) {
	line, err := bufio.NewReader(io.LimitReader(r, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read password: %w", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}

func issueToken(ctx context.Context, c *call) error {
	set, db := c.flags()
	role := set.String("role", "scheduler", "scheduler")
	clinicID := clinicFlag(set)
	ttl := set.Duration("ttl", 720*time.Hour, "how long the token lasts")
	if err := c.parse(set); err != nil {
		return err
	}
	id, err := clinicID()
	if err != nil {
		return err
	}
	return c.withHouse(ctx, *db, func(h *house, now time.Time) error {
		token, err := h.service.IssueServiceToken(ctx, id, access.Role(*role), *ttl, now)
		if err != nil {
			return plainly(err)
		}
		return c.print(map[string]string{"token": token})
	})
}

// plainly says what is wrong with an input in the words of flags.
func plainly(err error) error {
	f, ok := errors.AsType[*fault.Error](err)
	if !ok {
		return err
	}
	if len(f.Fields) == 0 {
		return errors.New(f.Detail)
	}
	var b strings.Builder
	for i, field := range f.Fields {
		if i > 0 {
			b.WriteString("; ")
		}
		fmt.Fprintf(&b, "--%s: %s", strings.ReplaceAll(strings.TrimPrefix(field.Pointer, "/"), "_", "-"), field.Detail)
	}
	return errors.New(b.String())
}
