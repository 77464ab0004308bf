package main

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"time"

	"github.com/google/uuid"

	"swallowtail/api/client"
)

// player plays the scenario through the API: the clinician at a desk, the caregivers on their phones.
type player struct {
	*demonstration
	base     string
	http     *http.Client
	desk     *desk
	families []*family
	ids      io.Reader
}

// family is a household of the scenario and, once it is set up, what the server calls it.
type family struct {
	calendar
	script    *familyScript
	household string
	learner   string
	enrolment string // the newest
	phones    map[string]*phone
}

// newPlayer returns a player whose ids are the same for the same evening.
func newPlayer(d *demonstration, base string) *player {
	calls := &http.Client{Transport: http.DefaultTransport.(*http.Transport).Clone()} //nolint:forcetypeassert // it is one
	clinician := d.script.clinic.Clinician
	api := client.API{Base: base, HTTP: calls}
	return &player{
		demonstration: d, base: base, http: calls,
		desk: &desk{api: api, email: clinician.Email, password: clinician.Password},
		ids:  rand.NewChaCha8(sha256.Sum256([]byte(d.now.UTC().Format(time.DateOnly)))),
	}
}

func (p *player) newID() string { return uuid.Must(uuid.NewRandomFromReader(p.ids)).String() }

// play plays every scene at its time. In the end all phones that are heard from now get in step.
func (p *player) play(ctx context.Context) error {
	for _, told := range p.script.families {
		c, err := calendarAt(told.Home, p.now)
		if err != nil {
			return err
		}
		p.families = append(p.families, &family{calendar: c, script: told, phones: map[string]*phone{}})
	}
	all, err := scenes(p.families, p.now)
	if err != nil {
		return err
	}
	for _, s := range all {
		if err := p.clock.moveTo(s.written()); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
		if err := p.perform(ctx, s); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
	}
	return p.hearNow(ctx)
}

func (p *player) hearNow(ctx context.Context) error {
	if err := p.clock.moveTo(p.now); err != nil {
		return err
	}
	for _, f := range p.families {
		for _, c := range f.script.Caregivers {
			if !c.HeardNow {
				continue
			}
			if err := f.phones[c.Name].inStep(ctx); err != nil {
				return fmt.Errorf("%s of %s: %w", c.Phone, f.script.Learner, err)
			}
		}
	}
	return nil
}

// desk is a clinician's place of work, who signs in anew when the last sign-in has run out.
type desk struct {
	api             client.API
	email, password string
	tokens          *client.Tokens // nil before the first sign-in
}

// do makes a call with the clinician's token, refreshed where that is still possible.
func (d *desk) do(ctx context.Context, call func(client.API) error) error {
	if d.tokens != nil {
		err := d.withToken(ctx, call)
		if problem := client.AsProblem(err); problem == nil || problem.Status != http.StatusUnauthorized {
			return err
		}
	}
	pair, err := d.api.SignIn(ctx, d.email, d.password, "")
	if err != nil {
		return fmt.Errorf("sign in: %w", err)
	}
	if d.tokens, err = client.OpenTokens(&client.MemoryTokens{Pair: pair}, d.api.Refresh); err != nil {
		return fmt.Errorf("keep the clinician's tokens: %w", err)
	}
	return d.withToken(ctx, call)
}

func (d *desk) withToken(ctx context.Context, call func(client.API) error) error {
	return d.tokens.Do(ctx, func(access string) error {
		api := d.api
		api.Token = access
		return call(api)
	})
}

// phone is a caregiver's device.
type phone struct {
	*client.Device
	caregiver string // the id
	tokens    *client.Tokens
	kept      *client.MemoryTokens
	zone      string // where it is
	session   string // of the evening recorded last
}

// inStep syncs, and makes sure that the server has taken everything.
func (ph *phone) inStep(ctx context.Context) error {
	if _, err := ph.Sync(ctx); err != nil {
		return err
	}
	for _, trouble := range ph.Problems() {
		return fmt.Errorf("a %s was %s: %w", trouble.Entry.Kind, trouble.Status, trouble.Problem)
	}
	if left := len(ph.Outbox()); left > 0 {
		return fmt.Errorf("%d entries were not seen in the feed", left)
	}
	return nil
}

// enrolPhone redeems an invite as the app of a caregiver would.
func (p *player) enrolPhone(ctx context.Context, invite string, c caregiverScript, home string) (*phone, error) {
	anyone := client.API{Base: p.base, HTTP: p.http}
	enrolled, err := anyone.EnrolDevice(ctx, client.DeviceEnrolment{
		InviteCode: invite, Caregiver: client.DeviceCaregiver{Name: c.Name},
		Device: client.DeviceKind{Name: c.Phone, Platform: "demo"},
	})
	if err != nil {
		return nil, err
	}
	ph := &phone{caregiver: enrolled.CaregiverID, kept: &client.MemoryTokens{Pair: enrolled.Pair}, zone: home}
	if ph.tokens, err = client.OpenTokens(ph.kept, anyone.Refresh); err != nil {
		return nil, fmt.Errorf("keep the phone's tokens: %w", err)
	}
	ph.Device, err = client.Open(client.Config{
		Writer: enrolled.Writer(), Disk: &client.MemoryDisk{}, NewID: p.newID,
		Transport: client.HTTPTransport{Base: p.base, HTTP: p.http, Tokens: ph.tokens},
		Now:       func() time.Time { return wall(p.clock.Now(), ph.zone) },
	})
	if err != nil {
		return nil, fmt.Errorf("set up the phone: %w", err)
	}
	return ph, nil
}
