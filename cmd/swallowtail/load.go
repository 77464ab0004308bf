package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"swallowtail/internal/clinic"
	"swallowtail/internal/load"
)

// What a load may be told at most, so that a slip of the pen is no flood.
const (
	mostConnections = 512
	mostHouseholds  = 100_000
	mostUploads     = 200_000
	mostDuration    = 15 * time.Minute
)

// The scenarios.
const (
	scenarioEvening   = "evening"
	scenarioFirstSync = "first-sync"
	scenarioDashboard = "dashboard"
	scenarioScheduler = "scheduler"
	scenarioAll       = "all"
)

func scenarios() []string {
	return []string{scenarioEvening, scenarioFirstSync, scenarioDashboard, scenarioScheduler, scenarioAll}
}

// loadOptions say what to call with, how much and how long.
type loadOptions struct {
	db          string
	server      loadedAddress // empty for one of its own
	beyond      bool
	households  int
	connections int
	uploads     int
	duration    time.Duration
	scenario    string
	compress    bool
	json        bool
	admin       string
	seed        uint64
}

func (o *loadOptions) flags(set *flag.FlagSet) {
	set.Var(&o.server, "server", "the `address` of a server to call that runs already, on the database that --db names, instead of one that is started for it")
	set.BoolVar(&o.beyond, "beyond-loopback", false, "let --server be another machine's; whoever runs it should know")
	set.IntVar(&o.households, "households", 500, fmt.Sprintf("how many families to invent, 1 to %d, and as many for the scheduler", mostHouseholds))
	set.IntVar(&o.connections, "connections", 64, fmt.Sprintf("how many connections call at the same time, 1 to %d", mostConnections))
	set.IntVar(&o.uploads, "uploads", mostUploads, fmt.Sprintf(
		"after how many uploads the evening ends, 1 to %d, unless every family has handed in its %d evenings by then", mostUploads, load.Evenings))
	set.DurationVar(&o.duration, "duration", time.Minute, fmt.Sprintf("how long each scenario lasts at most, 1s to %s", mostDuration))
	set.StringVar(&o.scenario, "scenario", scenarioAll, "what to play: "+strings.Join(scenarios(), ", "))
	set.BoolVar(&o.compress, "gzip", false, "send and take bodies compressed")
	set.BoolVar(&o.json, "json", false, "report as one JSON document")
	set.StringVar(&o.admin, "admin-addr", "", "the `address` at which the server that is started serves its metrics and profiles; nowhere when empty")
	set.Uint64Var(&o.seed, "seed", 1, "what the invented evenings are drawn from")
}

func (o *loadOptions) check() error {
	within := func(n, most int) bool { return 1 <= n && n <= most }
	switch {
	case !within(o.households, mostHouseholds):
		return fmt.Errorf("--households: give 1 to %d", mostHouseholds)
	case !within(o.connections, mostConnections):
		return fmt.Errorf("--connections: give 1 to %d", mostConnections)
	case !within(o.uploads, mostUploads):
		return fmt.Errorf("--uploads: give 1 to %d", mostUploads)
	case o.duration < time.Second || o.duration > mostDuration:
		return fmt.Errorf("--duration: give 1s to %s", mostDuration)
	case !slices.Contains(scenarios(), o.scenario):
		return fmt.Errorf("--scenario: give one of %s", strings.Join(scenarios(), ", "))
	case o.server != "" && o.db == "":
		return errors.New("--server wants --db, the database of that server, which is filled first")
	case o.server != "" && o.admin != "":
		return errors.New("--admin-addr is for a server that is started; give --server or that")
	case !o.beyond && !o.isHere():
		return errors.New("--server is not on this machine: a load takes a server's time away from others, so say --beyond-loopback if it is meant")
	}
	return nil
}

// loadedAddress is where a server is reached that is to be called.
type loadedAddress string

// String implements flag.Value.
func (a *loadedAddress) String() string { return string(*a) }

// Set implements flag.Value. The tokens of families go there, though invented ones, so only this machine is called in the clear.
func (a *loadedAddress) Set(text string) error {
	var public publicAddress
	if public.Set(text) != nil {
		return fmt.Errorf("%q can't be called: give such as http://127.0.0.1:8080, or https://… for another machine", text)
	}
	*a = loadedAddress(public)
	return nil
}

// isHere tells whether the server that is called is reached by loopback.
func (o *loadOptions) isHere() bool {
	at, err := url.Parse(string(o.server))
	return o.server == "" || (err == nil && isLoopback(at.Hostname()))
}

// plays tells whether a scenario is among those to be played.
func (o *loadOptions) plays(any ...string) bool {
	return o.scenario == scenarioAll || slices.Contains(any, o.scenario)
}

// putUnderLoad fills a database with an invented clinic and calls a server of it.
func putUnderLoad(ctx context.Context, c *call) (err error) {
	set, db := c.flags()
	name := set.Lookup("db")
	name.Usage, name.DefValue = "a new database, to be filled and left behind; one that is thrown away when empty", ""
	*db = ""
	var o loadOptions
	o.flags(set)
	if err := c.parse(set); err != nil {
		return err
	}
	o.db = *db
	if err := o.check(); err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "swallowtail-load-")
	if err != nil {
		return fmt.Errorf("make a folder for the load: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	if o.db == "" {
		o.db = filepath.Join(folder, "load.db")
	}
	began := time.Now()
	clinic, err := c.fillLoaded(ctx, &o, began)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.err, "Invented a clinic in %s.\n", time.Since(began).Round(time.Millisecond))
	return c.load(ctx, &o, clinic, filepath.Join(folder, "server.log"))
}

// fillLoaded fills a database in which there is nobody's clinic.
func (c *call) fillLoaded(ctx context.Context, o *loadOptions, now time.Time) (filled *loadedClinic, err error) {
	h, err := c.openHouse(ctx, o.db, logger(c.streams, slog.LevelWarn), time.Now)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, h.close()) }()
	err = h.store.Read(ctx, func(ctx context.Context, view clinic.View) error {
		ids, err := view.ClinicIDs(ctx, clinic.Page{Limit: 1})
		if len(ids) > 0 {
			return errors.New("there is a clinic in this database: only one in which there is none is filled with an invented one")
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	var wish clinicWish
	if o.plays(scenarioEvening, scenarioFirstSync, scenarioDashboard) {
		wish.families = o.households
	}
	if o.plays(scenarioScheduler) {
		wish.beginning = o.households
	}
	if o.plays(scenarioDashboard) {
		wish.staff = staffFor(o.households)
	}
	return fillClinic(ctx, h, wish, now)
}

// load calls the server, its own or the one named, and reports.
func (c *call) load(ctx context.Context, o *loadOptions, clinic *loadedClinic, log string) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	r := &loadRun{options: o, clinic: clinic, base: string(o.server), said: c.err}
	if o.server == "" {
		server, err := c.startLoaded(ctx, o, log)
		if err != nil {
			return err
		}
		go func() {
			<-server.end
			cancel(errServerEnded)
		}()
		r.server, r.base = server, server.base
	}
	fmt.Fprintf(c.err, "Calls %s.\n", r.base)
	played := r.play(ctx)
	if errors.Is(context.Cause(ctx), errServerEnded) {
		played = errors.Join(played, errServerEnded)
	}
	if r.server != nil {
		played = errors.Join(played, r.server.stop())
	}
	if played != nil {
		return played
	}
	write := func() error { return r.report.write(c.out) }
	if o.json {
		write = func() error { return c.print(&r.report) }
	}
	return errors.Join(write(), r.report.fault())
}
