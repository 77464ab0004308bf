package simulate

import (
	"context"
	"slices"
	"time"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
)

// action is something that may happen in a step. One that is not possible does nothing.
type action struct {
	unlucky, quarrel int // how often, in the schedules of either kind
	do               func(w *World)
}

// actions are all that may happen. In an unlucky schedule everything goes wrong; in a quarrel little does, and the family
// goes over what it has written again and again.
var actions = []action{
	{26, 30, (*World).practise},
	{6, 4, (*World).addTries},
	{10, 40, (*World).edit},
	{6, 8, (*World).retract},
	{4, 32, (*World).contradict},
	{3, 1, (*World).excuse},
	{2, 2, (*World).incident},
	{5, 18, (*World).link},
	{8, 40, (*World).settle},
	{3, 1, (*World).writeOddly},
	{4, 20, (*World).meddle},
	{8, 16, (*World).clinicianWrites},

	{26, 40, (*World).startSync},
	{60, 130, (*World).carry},
	{5, 2, (*World).carryTwice},
	{12, 6, (*World).lose},
	{5, 2, (*World).arriveLate},

	{5, 1, (*World).killPhone},
	{4, 1, (*World).failDisk},
	{3, 0, (*World).wipe},
	{5, 0, (*World).backUpPhone},
	{5, 0, (*World).restorePhone},
	{3, 1, (*World).setClock},
	{2, 1, (*World).revoke},

	{9, 1, (*World).cutPower},
	{8, 1, (*World).backUpServer},
	{10, 1, (*World).restoreServer},
	{12, 8, (*World).passTime},
	{6, 2, func(w *World) { w.read() }},
}

// weight is how often an action comes in this schedule.
func (w *World) weight(a *action) int {
	if w.quarrel {
		return a.quarrel
	}
	return a.unlucky
}

// step does one thing.
func (w *World) step() {
	w.operations++
	all := 0
	for i := range actions {
		all += w.weight(&actions[i])
	}
	at := w.random.IntN(all)
	for i := range actions {
		if at -= w.weight(&actions[i]); at < 0 {
			actions[i].do(w)
			break
		}
	}
	for _, p := range w.phones {
		p.reap()
	}
}

// anyPhone draws a phone.
func (w *World) anyPhone() *phone { return w.phones[w.random.IntN(len(w.phones))] }

// ------------------------------------------------------------------------------------------------------- network

// startSync has a phone begin a Sync, beside others of its own if need be.
func (w *World) startSync() {
	p := w.anyPhone()
	if p.process != nil && len(p.process.live()) > 1 {
		return
	}
	w.say("sync", p.number)
	if r := p.sync(); r.waits != nil {
		w.exchanges = append(w.exchanges, r.waits)
	}
}

// live returns the runs that are not over.
func (p *process) live() []*run {
	return slices.DeleteFunc(slices.Clone(p.runs), func(r *run) bool { return r.waits == nil })
}

// carry brings a request to the server, or its answer back: of all that are under way any may be next.
func (w *World) carry() {
	x, ok := oneOf(w, w.exchanges)
	if !ok {
		return
	}
	w.say("carry", x.phone().number, x.asked)
	if x.ready {
		w.resume(x)
	} else {
		w.ask(x)
	}
}

// carryTwice brings a request to the server that it has got already.
func (w *World) carryTwice() {
	if x, ok := oneOf(w, w.exchanges); ok && x.asked > 0 {
		w.say("carry twice", x.phone().number, x.asked)
		w.ask(x)
	}
}

// lose has a call fail, before the server has got it or after. The request may arrive all the same, later.
func (w *World) lose() {
	x, ok := oneOf(w, w.exchanges)
	if !ok {
		return
	}
	w.say("lose", x.phone().number, x.asked)
	x.err, x.answer, x.problem, x.ready = errLost, nil, nil, true
	w.resume(x)
}

// resume goes on with the run that waits for an exchange.
func (w *World) resume(x *exchange) {
	w.exchanges = slices.DeleteFunc(w.exchanges, func(other *exchange) bool { return other == x })
	w.late = append(w.late, x)
	w.ledger.undone = x.history < w.ledger.rollbacks
	x.run.advance()
	w.ledger.undone = false
	if x.run.waits != nil {
		w.exchanges = append(w.exchanges, x.run.waits)
	}
}

// arriveLate brings a request to the server that nobody waits for any more.
func (w *World) arriveLate() {
	if x, ok := oneOf(w, w.late); ok {
		w.say("late", x.phone().number, x.asked)
		w.ask(x)
	}
}

// ------------------------------------------------------------------------------------------------------- phones

// killPhone ends a phone's program. Its calls may still arrive.
func (w *World) killPhone() {
	p := w.anyPhone()
	w.say("kill", p.number)
	w.kill(p)
}

func (w *World) kill(p *phone) {
	p.kill()
	for _, x := range w.exchanges {
		if x.phone() == p {
			w.late = append(w.late, x)
		}
	}
	w.exchanges = slices.DeleteFunc(w.exchanges, func(x *exchange) bool { return x.phone() == p })
}

// failDisk makes the phone's next save go wrong.
func (w *World) failDisk() {
	p := w.anyPhone()
	p.disk.next = []diskFault{fails, diesBefore, diesAfter}[w.random.IntN(3)]
	w.say("disk", p.number, int(p.disk.next))
}

// wipe empties a phone and has it let in again. What it had not handed in is gone.
func (w *World) wipe() {
	p := w.anyPhone()
	w.say("wipe", p.number)
	w.kill(p)
	p.disk.state, p.backup = client.State{}, nil
	p.principal = w.enrol(p.caregiver())
}

func (w *World) backUpPhone() {
	p := w.anyPhone()
	state := p.disk.state
	p.backup = &state
	w.say("back up phone", p.number)
}

// restorePhone puts a phone back to an old backup of it.
func (w *World) restorePhone() {
	p := w.anyPhone()
	if p.backup == nil {
		return
	}
	w.say("restore phone", p.number)
	w.kill(p)
	p.disk.state = *p.backup
}

// setClock makes a phone's clock wrong, or right.
func (w *World) setClock() {
	p := w.anyPhone()
	wrong := []time.Duration{
		0, 90 * time.Second, -4 * time.Minute, 20 * time.Minute, -7 * time.Hour, 26 * time.Hour, -400 * 24 * time.Hour,
		3 * 365 * 24 * time.Hour,
	}
	p.wrong, _ = oneOf(w, wrong)
	w.say("clock", p.number, int(p.wrong))
}

// revoke has the clinic end what a phone may read. Its owner gets another.
func (w *World) revoke() {
	p := w.anyPhone()
	if w.ledger.revoked[p.principal.DeviceID] || !w.known(p) {
		return
	}
	w.say("revoke", p.number)
	w.clinicDoes("revoke a phone", func(s *clinic.Service) error {
		return s.RevokeDevice(w.ctx, w.house.clinician, p.principal.DeviceID, w.now)
	})
	w.ledger.revoked[p.principal.DeviceID], w.ledger.everRevoked[p.principal.DeviceID] = true, true
	if len(w.phones) < 8 {
		w.addPhone(w.enrol(p.caregiver()))
	}
}

// known reports whether the server knows a phone.
func (w *World) known(p *phone) bool {
	_, err := w.server.service.AsNow(w.ctx, p.principal)
	return err == nil
}

// ------------------------------------------------------------------------------------------------------- server

// cutPower makes the server's next transaction its last.
func (w *World) cutPower() {
	w.server.store.next = []power{beforeCommit, afterCommit}[w.random.IntN(2)]
	w.say("cut power", int(w.server.store.next))
}

func (w *World) backUpServer() {
	snapshot, err := w.server.store.Snapshot()
	if err != nil {
		w.broken("back up: %v", err)
		return
	}
	w.say("back up server")
	w.backups = append(w.backups, snapshot)
}

// restoreServer puts the server back to a backup: with a new epoch and the journal replayed, as the command does it, or as
// somebody does who copies an old file over the new one.
func (w *World) restoreServer() {
	old, ok := oneOf(w, w.backups)
	if !ok {
		return
	}
	announced := w.chance(2)
	w.say("restore server", b2i(announced))
	if err := w.server.store.Restore(old); err != nil {
		w.broken("restore: %v", err)
		return
	}
	w.server.restart(w)
	// It takes a while, and by that alone what comes again afterwards is told from what was there before.
	w.now = w.now.Add(time.Duration(1+w.random.IntN(60_000)) * time.Millisecond)
	if announced {
		w.announce()
	}
	w.afterRollback(announced)
}

// announce does what the restoring command does beside putting the store back.
func (w *World) announce() {
	err := w.server.store.InTx(w.ctx, func(ctx context.Context, tx clinic.Tx) error {
		_, err := w.server.service.BeginAnew(ctx, tx, w.server.journal.ID(), w.server.journal.Records(), w.now)
		return err
	})
	if err != nil {
		w.broken("announce a restore: %v", err)
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// passTime lets minutes or hours go by, sometimes a whole day.
func (w *World) passTime() {
	minutes := []int{1, 7, 40, 120, 300, 24 * 60}
	m, _ := oneOf(w, minutes)
	w.now = w.now.Add(time.Duration(m)*time.Minute + time.Duration(w.random.IntN(60_000))*time.Millisecond)
	w.say("time", m)
}
