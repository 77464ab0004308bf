package storetest

import (
	"context"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// How many write at once.
const rivalCount = 16

// together runs fn that often at once, each time in a transaction of its own, which must succeed.
func together(b *bundle, count int, fn func(ctx context.Context, tx clinic.Tx, nth int) error) {
	b.Helper()
	var all sync.WaitGroup
	for nth := range count {
		all.Go(func() {
			assert.NoError(b, b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error { return fn(ctx, tx, nth) }))
		})
	}
	all.Wait()
}

// counter is something that can be read and then written by what was read.
type counter struct {
	name string
	up   func(ctx context.Context, tx clinic.Tx, nth int) error
	now  func(ctx context.Context, v clinic.View) (int, error)
}

// rivals lets writers read something and write by what they read. None must miss what another wrote.
func rivals(b *bundle) {
	w := newWorld(b, 1)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if err := tx.AddEnrolment(ctx, sampleEnrolment(1, w.learner, w.plan)); err != nil {
			return err
		}
		return tx.AddAddress(ctx, w.address(1))
	})
	for _, c := range slices.Concat(w.countersOfClinic(), w.countersOfHousehold()) {
		before := read(b, c.now)
		together(b, rivalCount, c.up)
		assert.Equal(b, before+rivalCount, read(b, c.now), c.name)
	}
}

func (w world) countersOfClinic() []counter {
	return []counter{
		{"second factors", func(ctx context.Context, tx clinic.Tx, _ int) error {
			m, err := tx.Member(ctx, w.member)
			if err != nil {
				return err
			}
			return tx.SetSecondFactor(ctx, m.ID, m.TOTPSecret, m.TOTPSince, m.TOTPLastStep+1)
		}, func(ctx context.Context, v clinic.View) (int, error) {
			m, err := v.Member(ctx, w.member)
			return int(m.TOTPLastStep), err
		}},
		{"settings of a clinic", func(ctx context.Context, tx clinic.Tx, _ int) error {
			c, err := tx.Clinic(ctx, w.clinic)
			if err != nil {
				return err
			}
			c.InviteWindow += time.Millisecond
			return tx.SetClinic(ctx, c)
		}, func(ctx context.Context, v clinic.View) (int, error) {
			c, err := v.Clinic(ctx, w.clinic)
			return int(c.InviteWindow.Milliseconds()), err
		}},
		{"versions of plans", func(ctx context.Context, tx clinic.Tx, nth int) error {
			plans, err := tx.Plans(ctx, w.clinic)
			if err != nil {
				return err
			}
			p := samplePlan(100+nth, w.clinic)
			p.Version = newestOf(plans) + 1
			return tx.AddPlan(ctx, p)
		}, func(ctx context.Context, v clinic.View) (int, error) {
			plans, err := v.Plans(ctx, w.clinic)
			return newestOf(plans), err
		}},
		// Of a trail that no row is on yet.
		{"rows on a trail", func(ctx context.Context, tx clinic.Tx, _ int) error {
			row := audit.Row{Clinic: nobody, At: evening, Did: "signIn", Outcome: audit.Done}
			return tx.AppendAudit(ctx, row)
		}, func(ctx context.Context, v clinic.View) (int, error) {
			head, err := v.AuditHead(ctx, nobody)
			return int(head.Seq), err
		}},
	}
}

func newestOf(plans []clinic.Plan) (version int) {
	for _, p := range plans {
		version = max(version, p.Version)
	}
	return version
}

// countersOfHousehold read things of a household, each by its own id: whoever does so must keep the others out.
func (w world) countersOfHousehold() []counter {
	enrolment := sampleEnrolment(1, w.learner, w.plan).ID
	return []counter{
		{"codes tried at an address", func(ctx context.Context, tx clinic.Tx, _ int) error {
			a, err := tx.Address(ctx, w.address(1).ID)
			if err != nil {
				return err
			}
			a.Code.Wrong++
			return tx.SetAddress(ctx, a)
		}, func(ctx context.Context, v clinic.View) (int, error) {
			a, err := v.Address(ctx, w.address(1).ID)
			return a.Code.Wrong, err
		}},
		{"reminder times", func(ctx context.Context, tx clinic.Tx, _ int) error {
			e, err := tx.Enrolment(ctx, enrolment)
			if err != nil {
				return err
			}
			return tx.SetReminderTime(ctx, e.ID, e.ReminderAt+1, evening)
		}, func(ctx context.Context, v clinic.View) (int, error) {
			e, err := v.Enrolment(ctx, enrolment)
			return int(e.ReminderAt), err
		}},
		{"contacts of a device", func(ctx context.Context, tx clinic.Tx, _ int) error {
			d, err := tx.Device(ctx, w.device)
			if err != nil {
				return err
			}
			return tx.Heard(ctx, d.ID, time.UnixMilli(max(0, d.Heard.UnixMilli())+1))
		}, func(ctx context.Context, v clinic.View) (int, error) {
			d, err := v.Device(ctx, w.device)
			return int(max(0, d.Heard.UnixMilli())), err
		}},
		// Two things at once: what is projected of a learner rests on the learners, enrolments, devices and whatever else there is.
		{"learners by how many there are", func(ctx context.Context, tx clinic.Tx, _ int) error {
			learners, err := tx.Learners(ctx, w.household)
			if err != nil {
				return err
			}
			l := sampleLearner(100+len(learners), w.household, w.clinic)
			l.Nickname = strconv.Itoa(len(learners))
			return tx.AddLearner(ctx, l)
		}, func(ctx context.Context, v clinic.View) (int, error) {
			learners, err := v.Learners(ctx, w.household)
			return len(learners), err
		}},
	}
}

// onlyOneWins lets everybody have what one may have: whoever finds it free takes it.
func onlyOneWins(b *bundle) {
	w := newWorld(b, 1)
	invite := clinic.Invite{CodeHash: []byte{1}, ShortHash: []byte{2}, Household: w.household, Expires: evening}
	member := clinic.RefreshToken{Hash: []byte{1}, Family: id(aFamily, 1), Member: w.member, Began: evening, Issued: evening, Expires: evening}
	device := clinic.RefreshToken{Hash: []byte{2}, Family: id(aFamily, 2), Device: w.device, Began: evening, Issued: evening, Expires: evening}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		for _, err := range []error{
			tx.AddInvite(ctx, invite), tx.AddRefreshToken(ctx, member), tx.AddRefreshToken(ctx, device),
			tx.SetRecoveryCodes(ctx, w.member, [][]byte{{7}}),
		} {
			if err != nil {
				return err
			}
		}
		return nil
	})
	redeem := func(find func(tx clinic.Tx) func(context.Context, []byte) (clinic.Invite, error), hash []byte) func(context.Context, clinic.Tx) (bool, error) {
		return func(ctx context.Context, tx clinic.Tx) (bool, error) {
			i, err := find(tx)(ctx, hash)
			if err != nil || !i.Used.IsZero() {
				return false, err
			}
			return true, tx.SpendInvite(ctx, i.CodeHash, evening)
		}
	}
	refresh := func(hash []byte) func(context.Context, clinic.Tx) (bool, error) {
		return func(ctx context.Context, tx clinic.Tx) (bool, error) {
			t, err := tx.RefreshTokenByHash(ctx, hash)
			if err != nil || !t.Spent.IsZero() {
				return false, err
			}
			return true, tx.SpendRefreshToken(ctx, hash, evening)
		}
	}
	for name, take := range map[string]func(context.Context, clinic.Tx) (bool, error){
		"an invite":                   redeem(func(tx clinic.Tx) func(context.Context, []byte) (clinic.Invite, error) { return tx.InviteByShort }, invite.ShortHash),
		"a clinician's refresh token": refresh(member.Hash), "a device's refresh token": refresh(device.Hash),
		"a recovery code": func(ctx context.Context, tx clinic.Tx) (bool, error) {
			left, err := tx.RecoveryCodes(ctx, w.member)
			if err != nil || len(left) == 0 {
				return false, err
			}
			return true, tx.SpendRecoveryCode(ctx, w.member, left[0])
		},
	} {
		won := make([]bool, rivalCount)
		together(b, rivalCount, func(ctx context.Context, tx clinic.Tx, nth int) (err error) {
			won[nth], err = take(ctx, tx)
			return err
		})
		winners := 0
		for _, one := range won {
			if one {
				winners++
			}
		}
		assert.Equal(b, 1, winners, name)
	}
}

// writersOfSeveral lets writers append to several households in turn. Each household's revisions are gapless and chained, whoever
// wrote them.
func writersOfSeveral(b *bundle) {
	const rounds = 4
	var worlds []world
	for n := range 4 {
		worlds = append(worlds, newWorld(b, n+1))
	}
	var writing sync.WaitGroup
	for writer := range rivalCount {
		writing.Go(func() {
			for round := range rounds {
				w := worlds[(writer+round)%len(worlds)]
				assert.NoError(b, w.appendSome(b, 1+(writer+round)%3, writer*rounds+round))
			}
		})
	}
	writing.Wait()
	total := 0
	for _, w := range worlds {
		total += len(assertChained(b, w, 0))
	}
	want := 0
	for n := range rivalCount * rounds {
		want += 1 + (n/rounds+n%rounds)%3
	}
	assert.Equal(b, want, total)
}

// householdsInAnyOrder lets transactions lock the same households, named by their learners in different orders.
func householdsInAnyOrder(b *bundle) {
	var learners []uuid.UUID
	worlds := map[uuid.UUID]world{}
	for n := range 5 {
		w := newWorld(b, n+1)
		worlds[w.learner] = w
		learners = append(learners, w.learner)
		save(b, clinic.Projection{Learner: w.learner, Clinic: w.clinic, Folded: evening})
	}
	together(b, rivalCount, func(ctx context.Context, tx clinic.Tx, nth int) error {
		order := slices.Concat(learners[nth%5:], learners[:nth%5], []uuid.UUID{nobody})
		if nth%2 == 0 {
			slices.Reverse(order)
		}
		if err := tx.LockHouseholds(ctx, order); err != nil {
			return err
		}
		for _, id := range order {
			if id == nobody {
				continue
			}
			p, err := tx.Projection(ctx, id)
			if err != nil {
				return err
			}
			p.Urgency++
			if err := tx.SaveProjection(ctx, p, nil); err != nil {
				return err
			}
		}
		return nil
	})
	for learner := range worlds {
		assert.Equal(b, rivalCount, get(b, projectionOf, learner).Urgency)
	}
}

// rivalsOverReminders lets several claim what is ready, while phones of the same households are heard from. Everything is claimed, and
// nothing twice.
func rivalsOverReminders(b *bundle) {
	const households, claimers, atOnce = 12, 4, 5
	w := newWorld(b, 1)
	var learners []uuid.UUID
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		for n := range households {
			h := sampleHousehold(100+n, w.clinic)
			l := sampleLearner(100+n, h.ID, w.clinic)
			learners = append(learners, l.ID)
			if err := tx.AddHousehold(ctx, h); err != nil {
				return err
			}
			if err := tx.AddLearner(ctx, l); err != nil {
				return err
			}
			if err := tx.SaveProjection(ctx, w.projectionReady(l.ID, n), nil); err != nil {
				return err
			}
		}
		return nil
	})
	var mu sync.Mutex
	claimed := map[uuid.UUID]int{}
	claim := func(ctx context.Context, tx clinic.Tx) (found []clinic.DueReminder, err error) {
		if found, err = tx.ReadyReminders(ctx, w.clinic, minutes(40), []string{"tonight"}, atOnce); err != nil {
			return nil, err
		}
		var deliveries []clinic.Delivery
		for _, r := range found {
			d := w.delivery(1)
			d.ID, d.Household, d.Learner, d.Due, d.Lapses, d.Tries = r.ID, r.Household, r.Learner, r.Due, r.Lapses, nil
			d.Delivery = d.ClaimedBy(id(aClaim, 1), time.Hour, minutes(40))
			deliveries = append(deliveries, d)
		}
		return found, tx.SaveDeliveries(ctx, deliveries)
	}
	together(b, claimers+households, func(ctx context.Context, tx clinic.Tx, nth int) error {
		if nth >= claimers { // as an upload does
			p, err := tx.Projection(ctx, learners[nth-claimers])
			if err != nil {
				return err
			}
			p.Urgency++
			return tx.SaveProjection(ctx, p, nil)
		}
		found, err := claim(ctx, tx)
		mu.Lock()
		defer mu.Unlock()
		for _, r := range found {
			claimed[r.ID]++
		}
		return err
	})
	for range households { // what they left
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			found, err := claim(ctx, tx)
			for _, r := range found {
				claimed[r.ID]++
			}
			return err
		})
	}
	require.Len(b, claimed, households)
	for id, times := range claimed {
		assert.Equal(b, 1, times, id)
	}
}

// projectionReady returns a projection with one reminder that is ready.
func (w world) projectionReady(learner uuid.UUID, n int) clinic.Projection {
	p := w.projectionFor(learner)
	p.Reminders = []clinic.ProjectedReminder{{
		ID: id(aReminder, 500+n), Kind: "tonight", Night: practice.Night(20_002), Due: minutes(30), Lapses: minutes(120), Ready: minutes(30),
	}}
	return p
}
