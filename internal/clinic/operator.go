package clinic

import (
	"context"
	"fmt"
	"net/mail"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

// What an operator does at the machine itself, with no caller to check.

// NewClinic is a clinic to add.
type NewClinic struct {
	Name     string
	Timezone string // IANA name
	ClinicSettings
}

// ClinicSettings is what a clinic may change about itself.
type ClinicSettings struct {
	SecondFactor string        // who is asked for one: "none", "lead" or "all"
	InviteWindow time.Duration // how long its invites can be redeemed: 10 min to 30 days; zero for 72 h
}

func (c *ClinicSettings) check(r *refusal) {
	if c.InviteWindow == 0 {
		c.InviteWindow = DefaultInviteWindow
	}
	r.unless(slices.Contains([]string{"none", "lead", "all"}, c.SecondFactor), "/second_factor", "Give none, lead or all.")
	r.unless(MinInviteWindow <= c.InviteWindow && c.InviteWindow <= MaxInviteWindow, "/invite_window", "Give a time from 10m to 720h.")
}

// AddClinic adds a clinic.
func (s *Service) AddClinic(ctx context.Context, n NewClinic, now time.Time) (Clinic, error) {
	var r refusal
	r.name("/name", n.Name)
	_, err := practice.LoadZone(n.Timezone)
	r.unless(err == nil, "/timezone", "Give the IANA name of a time zone, such as Europe/Paris.")
	n.check(&r)
	if err := r.err(); err != nil {
		return Clinic{}, err
	}
	c := Clinic{
		ID: s.NewID(), Name: n.Name, Timezone: n.Timezone, SecondFactor: n.SecondFactor, InviteWindow: n.InviteWindow, Created: now,
	}
	return c, s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		if err := tx.AddClinic(ctx, c); err != nil {
			return err
		}
		row := operatorRow(ctx, c.ID, "clinic add", now)
		return enter(ctx, tx, &row)
	})
}

// SetClinic lets change change what a clinic may change about itself, from what it is. Invites that were made before keep their
// end. Whoever has to have a second factor from now on is asked for it at the next sign-in.
func (s *Service) SetClinic(ctx context.Context, id uuid.UUID, change func(*ClinicSettings), now time.Time) (Clinic, error) {
	var c Clinic
	err := s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
		var err error
		if c, err = tx.Clinic(ctx, id); err != nil {
			return notThere(err)
		}
		settings := ClinicSettings{SecondFactor: c.SecondFactor, InviteWindow: c.InviteWindow}
		change(&settings)
		var r refusal
		settings.check(&r)
		if err := r.err(); err != nil {
			return err
		}
		c.SecondFactor, c.InviteWindow = settings.SecondFactor, settings.InviteWindow
		note(ClinicSet{Clinic: id, SecondFactor: c.SecondFactor, InviteWindow: c.InviteWindow})
		row := operatorRow(ctx, id, "clinic set", now)
		row.Note = fmt.Sprintf("second factor %s, invites %s", c.SecondFactor, c.InviteWindow)
		if err := enter(ctx, tx, &row); err != nil {
			return err
		}
		return tx.SetClinic(ctx, c)
	})
	return c, err
}

// NewMember is a clinician to add.
type NewMember struct {
	Clinic   uuid.UUID
	Email    string
	Name     string
	Role     access.Role
	Password string
}

// AddMember adds a clinician to a clinic.
func (s *Service) AddMember(ctx context.Context, n NewMember, now time.Time) (Member, error) {
	email := normalEmail(n.Email)
	var r refusal
	r.name("/name", n.Name)
	r.unless(n.Role.Staff(), "/role", "Give clinician or lead.")
	address, err := mail.ParseAddress(email)
	r.unless(err == nil && address.Address == email && len(email) <= maxEmail, "/email", "Give an e-mail address.")
	if err := r.err(); err != nil {
		return Member{}, err
	}
	if err := s.checkNewPassword(ctx, n.Clinic, n.Password, email, n.Name); err != nil {
		return Member{}, err
	}
	hash, err := s.newHash(ctx, n.Password)
	if err != nil {
		return Member{}, err
	}
	m := Member{
		ID: s.NewID(), Clinic: n.Clinic, Email: email, Name: n.Name, Role: string(n.Role), PasswordHash: hash, Created: now,
	}
	err = s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		if _, err := tx.Clinic(ctx, n.Clinic); err != nil {
			return notThere(err)
		}
		if err := tx.AddMember(ctx, m); err != nil {
			return err
		}
		row := operatorRow(ctx, n.Clinic, "clinician add", now)
		row.Thing, row.Note = m.ID, m.Role
		return enter(ctx, tx, &row)
	})
	if fault.KindOf(err) == fault.Conflict {
		err = fault.New(fault.Conflict, "email-taken", "Somebody has this e-mail address already.").Because(err)
	}
	return m, err
}

// maxServiceLife is how long a service token may last.
const maxServiceLife = 366 * 24 * time.Hour

// IssueServiceToken issues a token to a program of a clinic, such as a reminder scheduler.
func (s *Service) IssueServiceToken(ctx context.Context, clinic uuid.UUID, role access.Role, ttl time.Duration, now time.Time) (string, error) {
	var r refusal
	r.unless(role == access.RoleScheduler, "/role", "Give scheduler.")
	r.unless(time.Minute <= ttl && ttl <= maxServiceLife, "/ttl", "Give a time from 1m to 8784h.")
	if err := r.err(); err != nil {
		return "", err
	}
	t := ServiceToken{ID: s.NewID(), Clinic: clinic, Role: string(role), Issued: now, Expires: now.Add(ttl)}
	var token string
	err := s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		if _, err := tx.Clinic(ctx, clinic); err != nil {
			return notThere(err)
		}
		// Signed by the newest key and in the transaction, so that whoever rotates the keys knows either this token or a
		// key that has signed it.
		if err := s.Keys.Reload(); err != nil {
			return err
		}
		var err error
		if token, err = s.Keys.Issue(access.Principal{Role: role, ClinicID: clinic}, ttl, now, t.ID.String()); err != nil {
			return err
		}
		if err := tx.AddServiceToken(ctx, t); err != nil {
			return err
		}
		row := operatorRow(ctx, clinic, "token issue", now)
		row.Thing, row.Note = t.ID, t.Role
		return enter(ctx, tx, &row)
	})
	if err != nil {
		return "", err
	}
	return token, nil
}
