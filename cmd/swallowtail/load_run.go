package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"swallowtail/internal/load"
)

var (
	errStopped     = errors.New("stopped before the end: the figures are of what had been done by then")
	errServerEnded = errors.New("the server that was called has ended")
)

// loadRun is one load of a server.
type loadRun struct {
	options *loadOptions
	clinic  *loadedClinic
	base    string
	server  *loadedServer // nil where it is not ours
	said    io.Writer
	load    *load.Load
	report  loadReport
}

// play plays the scenarios that are wanted, one after the other, then looks for what was acknowledged. Stopped, it does what is
// under way to its end and leaves out the rest.
func (r *loadRun) play(ctx context.Context) (err error) {
	o := r.options
	r.load, err = load.New(load.Config{
		Base: r.base, Families: r.clinic.families, First: r.clinic.first, Connections: o.connections, Compress: o.compress,
		Duration: o.duration, Now: time.Now, NewID: newID, Seed: o.seed,
	})
	if err != nil {
		return err
	}
	r.report = loadReport{Invented: true, Households: o.households, Compressed: o.compress, Scenarios: []scenarioReport{}}
	if r.server == nil {
		r.notMeasured("processor time and memory of a server that was not started for this")
	} else if rest, told := usageOf(r.server.cmd.Process.Pid); told {
		r.report.AtRest = rest.resident
	} else {
		r.notMeasured("processor time and memory of the server: this system does not tell")
	}
	for _, part := range []struct {
		wanted bool
		play   func(ctx context.Context) error
	}{
		{o.plays(scenarioEvening), r.evening},
		{o.plays(scenarioFirstSync, scenarioDashboard), r.complete},
		{o.plays(scenarioFirstSync), r.firstSync},
		{o.plays(scenarioDashboard), r.dashboard},
		{o.plays(scenarioScheduler), r.scheduler},
		{true, r.verify},
	} {
		if !part.wanted {
			continue
		}
		if err := part.play(ctx); err != nil && ctx.Err() == nil {
			return err
		}
		if ctx.Err() != nil {
			r.report.Stopped = true
			break
		}
	}
	return nil
}

func (r *loadRun) notMeasured(what string) { r.report.NotMeasured = append(r.report.NotMeasured, what) }

// measured plays something, and looks at the server meanwhile.
func (r *loadRun) measured(what string, play func() (load.Measured, error)) (*scenarioReport, error) {
	fmt.Fprintf(r.said, "%s …\n", what)
	stop := func() (usage, bool) { return usage{}, false }
	if r.server != nil {
		stop = watchUsage(r.server.cmd.Process.Pid)
	}
	m, err := play()
	used, told := stop()
	if err != nil {
		return nil, err
	}
	r.report.Scenarios = append(r.report.Scenarios, scenarioOf(&m, used, told))
	return &r.report.Scenarios[len(r.report.Scenarios)-1], nil
}

// evening measures what an evening takes of the database, too.
func (r *loadRun) evening(ctx context.Context) error {
	path, pathErr := databaseFile(r.options.db, "what an evening takes is not measured")
	var before, after databaseSize
	var err error
	if pathErr == nil {
		if before, err = sizeOf(ctx, path); err != nil {
			return err
		}
	}
	handedIn, err := r.evenings(ctx)
	if err != nil || ctx.Err() != nil {
		return err
	}
	if pathErr != nil {
		r.notMeasured("how much room an evening takes: that is looked at in SQLite files alone")
		return nil
	}
	if after, err = sizeOf(ctx, path); err != nil {
		return err
	}
	r.report.Database = databaseOf(before, after, handedIn)
	return nil
}

// evenings has every family hand in its first evening, and then the others: of who has called before more is known already. It returns
// how many were handed in.
func (r *loadRun) evenings(ctx context.Context) (handedIn int, err error) {
	families := r.report.Households
	first, err := r.measured("first evenings", func() (load.Measured, error) { return r.load.FirstEvening(ctx, r.options.uploads) })
	if err != nil || ctx.Err() != nil {
		return 0, err
	}
	handedIn = first.Sessions
	if r.options.uploads <= families {
		return handedIn, nil
	}
	others, err := r.measured("evenings", func() (load.Measured, error) { return r.load.Evening(ctx, r.options.uploads-families) })
	if err != nil {
		return 0, err
	}
	return handedIn + others.Sessions, nil
}

// complete has what is left of the programmes handed in, so that there are whole fortnights to read.
func (r *loadRun) complete(ctx context.Context) error {
	m, err := r.load.Complete(ctx)
	if err != nil {
		return err
	}
	if n := m.Failed(); n > 0 {
		return fmt.Errorf("%d families could not hand in the rest of their programmes: %v", n, m.Errors)
	}
	return nil
}

func (r *loadRun) firstSync(ctx context.Context) error {
	_, err := r.measured("first syncs", func() (load.Measured, error) { return r.load.FirstSync(ctx), nil })
	return err
}

func (r *loadRun) dashboard(ctx context.Context) error {
	staff, err := r.clinic.signIn(ctx, r.base)
	if err != nil {
		return err
	}
	if err := r.load.Settle(ctx, staff); err != nil {
		return err
	}
	if _, err := r.measured("summaries", func() (load.Measured, error) { return r.load.Summaries(ctx, staff) }); err != nil {
		return err
	}
	if _, err := r.measured("one summary", func() (load.Measured, error) { return r.load.SummaryAgain(ctx, staff) }); err != nil {
		return err
	}
	_, err = r.measured("the roster", func() (load.Measured, error) { return r.load.Roster(ctx, staff) })
	return err
}

func (r *loadRun) scheduler(ctx context.Context) error {
	who := load.Scheduler{Token: r.clinic.scheduler, AsOf: r.clinic.due}
	if _, err := r.measured("what is due", func() (load.Measured, error) { return r.load.Overdue(ctx, who) }); err != nil {
		return err
	}
	claimed := 0
	s, err := r.measured("claims", func() (m load.Measured, err error) {
		m, claimed, err = r.load.Claims(ctx, who)
		return m, err
	})
	if err != nil {
		return err
	}
	s.Claimed = claimed
	return nil
}

func (r *loadRun) verify(ctx context.Context) error {
	v := r.load.Verify(ctx)
	if ctx.Err() == nil {
		r.report.Verified = &verifiedReport{Families: v.Families, Unread: v.Unread, Acknowledged: v.Acknowledged, Missing: v.Missing}
	}
	return nil
}
