package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/testdata"
)

func demo(ctx context.Context, c *call) error {
	set, _ := c.flags()
	set.Lookup("db").Usage = "not used: the demo has a database of its own, thrown away at the end"
	addr := set.String("addr", "127.0.0.1:8080", "the address to serve at")
	if err := c.parse(set); err != nil {
		return err
	}
	d, err := openDemo(ctx, logger(c.streams, slog.LevelWarn), time.Now)
	if err != nil {
		return err
	}
	served := d.serve(ctx, *addr, func(text string) error {
		_, err := fmt.Fprint(c.out, text)
		return err
	})
	return errors.Join(served, d.close())
}

// demonstration is a server on a throw-away database, on a clock that the scenario moves.
type demonstration struct {
	script script
	folder string
	clock  *movedClock
	now    time.Time // when the demo was started: the scenario ends here
	house  *house
}

// openDemo opens an empty house in a folder of its own. now is the real clock.
func openDemo(ctx context.Context, log *slog.Logger, now func() time.Time) (*demonstration, error) {
	told, err := readScript(testdata.Demo())
	if err != nil {
		return nil, fmt.Errorf("read the demo scenario: %w", err)
	}
	folder, err := os.MkdirTemp("", "swallowtail-demo-")
	if err != nil {
		return nil, fmt.Errorf("make a folder for the demo: %w", err)
	}
	d := &demonstration{script: told, folder: folder, now: now().Truncate(time.Millisecond)}
	d.clock = &movedClock{at: told.begins(d.now), real: now}
	if d.house, err = openHouse(ctx, filepath.Join(folder, "demo.db"), log, d.clock.Now); err != nil {
		return nil, errors.Join(err, os.RemoveAll(folder))
	}
	return d, nil
}

// close throws everything away.
func (d *demonstration) close() error {
	return errors.Join(d.house.close(), os.RemoveAll(d.folder))
}

// serve plays the scenario through the API at an address, says what there is to see, and serves on until ctx ends.
func (d *demonstration) serve(ctx context.Context, addr string, say func(text string) error) error {
	return d.house.listen(ctx, addr, d.clock.Now, func(address string) error {
		text, err := d.fill(ctx, address)
		switch {
		case err != nil && ctx.Err() != nil:
			return nil // told to stop in the middle, so there is nothing to say
		case err != nil:
			return fmt.Errorf("fill the demo: %w", err)
		}
		return say(text)
	})
}

// fill plays the scenario, lets the clock go, and returns what to say about it all.
func (d *demonstration) fill(ctx context.Context, address string) (string, error) {
	clinicID, err := d.addClinic(ctx)
	if err != nil {
		return "", err
	}
	p := newPlayer(d, reachable(address))
	defer p.http.CloseIdleConnections()
	if err := p.play(ctx); err != nil {
		return "", err
	}
	d.clock.letGo()
	scheduler, err := d.house.service.IssueServiceToken(ctx, clinicID, access.RoleScheduler, schedulerLife, d.clock.Now())
	if err != nil {
		return "", fmt.Errorf("issue the scheduler's token: %w", err)
	}
	return p.guide(ctx, address, scheduler)
}

// schedulerLife is how long the token lasts that the guide shows.
const schedulerLife = 30 * 24 * time.Hour

// addClinic adds the clinic and its clinician, as an operator does.
func (d *demonstration) addClinic(ctx context.Context) (uuid.UUID, error) {
	told := d.script.clinic
	added, err := d.house.service.AddClinic(ctx, clinic.NewClinic{
		Name: told.Name, Timezone: told.Timezone, ClinicSettings: clinic.ClinicSettings{SecondFactor: "lead"},
	}, d.clock.Now())
	if err != nil {
		return uuid.Nil, fmt.Errorf("add the clinic: %w", err)
	}
	_, err = d.house.service.AddMember(ctx, clinic.NewMember{
		Clinic: added.ID, Email: told.Clinician.Email, Name: told.Clinician.Name, Role: access.RoleClinician,
		Password: told.Clinician.Password,
	}, d.clock.Now())
	if err != nil {
		return uuid.Nil, fmt.Errorf("add the clinician: %w", err)
	}
	return added.ID, nil
}

// movedClock stands where it was last moved to, until it is let go and shows the real time. Safe for concurrent use.
type movedClock struct {
	real func() time.Time

	mu   sync.Mutex
	at   time.Time
	free bool
}

// Now returns the clock's time.
func (c *movedClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.free {
		return c.real()
	}
	return c.at
}

// moveTo moves the clock forward.
func (c *movedClock) moveTo(at time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if at.Before(c.at) {
		return fmt.Errorf("the clock shows %v and can't be set back to %v", c.at, at)
	}
	c.at = at
	return nil
}

func (c *movedClock) letGo() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.free = true
}
