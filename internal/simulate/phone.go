package simulate

import (
	"context"
	"errors"
	"iter"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/api/client"
	"swallowtail/internal/access"
)

// What the device side is told when something around it fails.
var (
	errKilled = errors.New("the phone was killed")
	errLost   = errors.New("no answer came")
	errDisk   = errors.New("the phone could not save")
)

// phone is a caregiver's phone: what survives of it when its program does not run.
type phone struct {
	world     *World
	number    int
	principal access.Principal
	owner     int // the place among the house's people
	zone      *time.Location
	wrong     time.Duration // how far its clock is off
	disk      disk
	backup    *client.State // what an old backup of the phone holds, if there is one
	process   *process      // nil while the program does not run
	syncs     int           // finished since the healing began
}

func (p *phone) writer() client.Writer {
	return client.Writer{Device: p.principal.DeviceID.String(), Caregiver: p.principal.CaregiverID.String()}
}

// now is what the phone's clock shows.
func (p *phone) now() time.Time { return p.world.now.Add(p.wrong).In(p.zone) }

// process is the phone's program while it runs.
type process struct {
	phone  *phone
	device *client.Device
	runs   []*run
	killed bool
}

// open starts the phone's program unless it runs.
func (p *phone) open() *process {
	if p.process != nil {
		return p.process
	}
	p.process = &process{phone: p}
	p.disk.process = p.process
	device, err := client.Open(client.Config{
		Writer: p.writer(), Transport: transport{p.process}, Disk: &p.disk, Now: p.now,
		NewID:     func() string { return p.world.phoneIDs.next().String() },
		PageLimit: p.world.pageLimit,
	})
	if err != nil {
		p.world.broken("a phone does not open: %v", err)
	}
	p.process.device = device
	return p.process
}

// kill ends the phone's program wherever it is. Nothing that it had begun is finished.
func (p *phone) kill() {
	running := p.process
	if running == nil {
		return
	}
	p.process = nil
	running.killed = true
	for _, r := range running.runs {
		r.stop()
	}
}

// disk is what the phone keeps. It may fail, or the phone may die around a save.
type disk struct {
	phone   *phone
	state   client.State
	process *process // the only one that may save
	next    diskFault
}

// diskFault is what happens at the next save.
type diskFault int

const (
	saves diskFault = iota
	fails           // the program is told so and goes on
	diesBefore
	diesAfter
)

// Load implements client.Disk.
func (d *disk) Load() (client.State, error) { return d.state, nil }

// Save implements client.Disk. A State that was handed over is never changed, so it is kept as it is.
func (d *disk) Save(next client.State) error {
	fault := d.next
	d.next = saves
	if d.process.killed {
		return errKilled
	}
	switch fault {
	case fails:
		return errDisk
	case diesBefore:
		d.process.killed = true
		return errKilled
	}
	d.phone.world.watchSave(d.phone, &d.state, &next)
	d.state = next
	if fault == diesAfter {
		d.process.killed = true
		return errKilled
	}
	return nil
}

// reap ends a program that died around a save.
func (p *phone) reap() {
	if p.process != nil && p.process.killed {
		p.kill()
	}
}

// run is one Sync of a phone. It halts at each call until the world goes on with it.
type run struct {
	process *process
	next    func() (*exchange, bool)
	stop    func()
	yield   func(*exchange) bool
	waits   *exchange // the call that it waits for, nil once it is over
	report  client.Report
	err     error
}

// exchange is one call and its answer, on their way.
type exchange struct {
	run     *run
	from    access.Principal // the caller, by the token of the call
	request []byte
	entries []client.Entry // in the request
	asked   int            // how often the server got the call
	history int            // how many rollbacks there had been when it answered
	ready   bool           // an answer is on its way back
	answer  []byte
	problem []byte
	err     error
}

func (x *exchange) phone() *phone { return x.run.process.phone }

// runKey finds the run that a call of the device side belongs to.
type runKey struct{}

// sync starts a Sync and returns it at its first call.
func (p *phone) sync() *run {
	process := p.open()
	r := &run{process: process}
	r.next, r.stop = iter.Pull(func(yield func(*exchange) bool) {
		r.yield = yield
		r.report, r.err = process.device.Sync(context.WithValue(context.Background(), runKey{}, r))
	})
	process.runs = append(process.runs, r)
	r.advance()
	return r
}

// advance lets the run go on to its next call or its end.
func (r *run) advance() {
	waits, more := r.next()
	if more {
		r.waits = waits
		return
	}
	r.waits = nil
	r.process.phone.world.finished(r)
	r.process.phone.reap()
}

// transport hands the calls of a phone to the world.
type transport struct{ process *process }

// Sync implements client.Transport.
func (t transport) Sync(ctx context.Context, request client.Request) (client.Response, error) {
	r, ok := ctx.Value(runKey{}).(*run)
	if !ok {
		return client.Response{}, errors.New("a call outside of a run")
	}
	body, err := json.Marshal(request)
	if err != nil {
		return client.Response{}, err
	}
	t.process.phone.world.watchOffer(t.process.phone, request.Entries)
	x := &exchange{run: r, from: t.process.phone.principal, request: body, entries: request.Entries}
	if !r.yield(x) {
		return client.Response{}, errKilled
	}
	return x.outcome()
}

// outcome is the answer as the device side gets it.
func (x *exchange) outcome() (answer client.Response, err error) {
	switch {
	case x.err != nil:
		return answer, x.err
	case x.problem != nil:
		problem := &client.Problem{}
		if err := json.Unmarshal(x.problem, problem); err != nil {
			return answer, err
		}
		return answer, problem
	}
	return answer, json.Unmarshal(x.answer, &answer, jsontext.AllowDuplicateNames(true)) // no search for them: it takes long
}

// addPhone adds a phone of one of the people.
func (w *World) addPhone(principal access.Principal) {
	p := &phone{world: w, number: len(w.phones), principal: principal, zone: w.street.zones[0]}
	p.disk.phone = p
	for i, id := range w.house.people {
		if id == principal.CaregiverID {
			p.owner = i
		}
	}
	if p.owner%2 == 1 {
		p.zone = w.street.zones[1]
	}
	w.phones = append(w.phones, p)
}

// caregiver is the owner's id as text.
func (p *phone) caregiver() uuid.UUID { return p.principal.CaregiverID }
