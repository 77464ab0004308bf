package clinic

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

// The bounds of a lease.
const (
	MinLease     = 10 * time.Second
	MaxLease     = 15 * time.Minute
	DefaultLease = 2 * time.Minute
)

// maxDetail is how many characters a scheduler may say about a try, maxParts of how many destinations.
const (
	maxDetail = 200
	maxParts  = 50
)

// ClaimWish asks for reminders that are due, to be sent by whoever asks.
type ClaimWish struct {
	Kinds []string      // of reminders, and "verification"; none stands for all reminders
	Limit int           // 1 to MaxPage
	Lease time.Duration // from MinLease to MaxLease
	AsOf  time.Time     // zero for now
}

// ClaimedReminder is a reminder, or a code that verifies an address, held by whoever claimed it.
type ClaimedReminder struct {
	DueReminder
	Claim        uuid.UUID
	LeaseUntil   time.Time
	Attempt      int // 1 for the first that is sent
	Destinations []Destination
}

// Destination is where a reminder is to be sent, and what.
type Destination struct {
	ID          uuid.UUID // the address's
	Channel     string
	To          string // as the channel has it
	Key         string // the same whenever the same message goes to the same destination again
	Message     reminder.Message
	Unsubscribe string // where one POST ends these messages (RFC 8058); empty where there is nothing to end
}

func (w ClaimWish) check() error {
	var r refusal
	r.unless(1 <= w.Limit && w.Limit <= MaxPage, "/limit", fmt.Sprintf("Give a whole number from 1 to %d.", MaxPage))
	r.unless(MinLease <= w.Lease && w.Lease <= MaxLease, "/lease_seconds",
		fmt.Sprintf("Give a whole number of seconds from %d to %d.", int(MinLease.Seconds()), int(MaxLease.Seconds())))
	for i, kind := range w.Kinds {
		known := []reminder.Kind{reminder.Tonight, reminder.Missed, reminder.FollowUp, reminder.Verification}
		r.unless(slices.Contains(known, reminder.Kind(kind)), fmt.Sprintf("/kinds/%d", i), "Give tonight, missed, follow_up or verification.")
	}
	return r.err()
}

// ClaimReminders hands out reminders of the caller's clinic that are due, each to one caller at a time, until its lease ends. The
// caller asks for the go-ahead before sending each, and reports what became of it.
//
// An as_of moves what is due. A lease begins now, or at an as_of that is later.
func (s *Service) ClaimReminders(ctx context.Context, p access.Principal, w ClaimWish, now time.Time) ([]ClaimedReminder, error) {
	if err := w.check(); err != nil {
		return nil, err
	}
	at, err := Question{AsOf: w.AsOf}.instant(p, now)
	if err != nil {
		return nil, err
	}
	if len(w.Kinds) == 0 {
		w.Kinds = []string{string(reminder.Tonight), string(reminder.Missed), string(reminder.FollowUp)}
	}
	c := &claiming{Service: s, wish: w, at: at, from: later(at, now), now: now, clinic: p.ClinicID}
	if _, refused := s.rights.permit(p, "claimReminders"); refused == nil {
		if err := c.prepare(ctx); err != nil {
			return nil, err
		}
	}
	err = s.changes(ctx, p, "claimReminders", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		if err := c.claim(ctx, tx); err != nil {
			return err
		}
		a.row.Note = fmt.Sprintf("%d", len(c.claimed))
		return tx.SaveDeliveries(ctx, c.deliveries)
	})
	return c.claimed, err
}

// claiming is a claim under way.
type claiming struct {
	*Service
	wish       ClaimWish
	at         time.Time // what is due is taken as of then
	from       time.Time // when the leases begin
	now        time.Time
	clinic     uuid.UUID
	foreseen   []DueReminder // what is due at another instant than now
	claimed    []ClaimedReminder
	deliveries []Delivery
}

// prepare works out what is not kept, before the transaction, in which nobody else may write.
func (c *claiming) prepare(ctx context.Context) error {
	if c.at.Equal(c.now) {
		return c.renewReminders(ctx, c.clinic, c.now)
	}
	return c.Store.Read(ctx, func(ctx context.Context, view View) error {
		stale, err := c.staleReminders(ctx, view, c.clinic, c.at)
		if err != nil {
			return err
		}
		var after *DueKey
		for len(c.foreseen) < c.wish.Limit {
			page, err := stale.merge(ctx, view, c.clinic, after, MaxPage)
			if err != nil {
				return err
			}
			for _, r := range page {
				if !r.Ready.After(c.at) && slices.Contains(c.wish.Kinds, r.Kind) && len(c.foreseen) < c.wish.Limit {
					c.foreseen = append(c.foreseen, r)
				}
			}
			if len(page) < MaxPage {
				return nil
			}
			last := keyOf(page[len(page)-1])
			after = &last
		}
		return nil
	})
}

// claim claims codes, which somebody waits for, up to half of what was asked for, and reminders.
func (c *claiming) claim(ctx context.Context, tx Tx) error {
	if slices.Contains(c.wish.Kinds, string(reminder.Verification)) {
		if err := c.claimCodes(ctx, tx, (c.wish.Limit+1)/2); err != nil {
			return err
		}
	}
	return c.claimReminders(ctx, tx, c.wish.Limit-len(c.claimed))
}

func (c *claiming) claimCodes(ctx context.Context, tx Tx, limit int) error {
	codes, err := tx.ReadyCodes(ctx, c.clinic, c.at, limit)
	if err != nil {
		return err
	}
	for _, d := range codes {
		r := DueReminder{
			ProjectedReminder: ProjectedReminder{ID: d.ID, Kind: string(d.Kind), Due: d.Due, Lapses: d.Lapses}, Household: d.Household,
		}
		to, err := codeRecipients(ctx, tx, &d)
		if err != nil {
			return err
		}
		c.take(r, d, func(Delivery) (all []Destination) {
			for _, a := range to {
				all = append(all, c.codeFor(a))
			}
			return all
		})
	}
	return nil
}

// codeRecipients returns the address that a code is for, if it may still be sent there.
func codeRecipients(ctx context.Context, tx Tx, d *Delivery) ([]Address, error) {
	recipients, err := tx.Recipients(ctx, []uuid.UUID{d.Household})
	var to []Address
	for _, r := range recipients[d.Household] {
		if r.ID == d.Address && r.Code.ID == d.ID && r.mayKnow() {
			to = append(to, r.Address)
		}
	}
	return to, err
}

func (c *claiming) claimReminders(ctx context.Context, tx Tx, limit int) error {
	due := c.foreseen[:min(limit, len(c.foreseen))]
	if c.at.Equal(c.now) && limit > 0 {
		var err error
		if due, err = tx.ReadyReminders(ctx, c.clinic, c.at, c.wish.Kinds, limit); err != nil {
			return err
		}
	}
	ids := make([]uuid.UUID, len(due))
	for i, r := range due {
		ids[i] = r.ID
	}
	// First, since it keeps others from the households: what has become of a reminder stays so from then on.
	recipients, err := tx.Recipients(ctx, householdsOf(due))
	if err != nil {
		return err
	}
	known, err := tx.DeliveriesByID(ctx, ids)
	if err != nil {
		return err
	}
	for _, r := range due {
		if d := c.deliveryOf(known, r); d.Claimable(c.at) {
			c.take(r, d, func(d Delivery) []Destination { return c.destinations(r, d, recipients[r.Household]) })
		}
	}
	return nil
}

func householdsOf(due []DueReminder) []uuid.UUID {
	var ids []uuid.UUID
	known := map[uuid.UUID]bool{}
	for _, r := range due {
		if !known[r.Household] {
			known[r.Household] = true
			ids = append(ids, r.Household)
		}
	}
	return ids
}

// deliveryOf returns what has become of a reminder so far. One that lapsed, and is due again since the reminder time was moved, begins
// anew.
func (c *claiming) deliveryOf(known map[uuid.UUID]Delivery, r DueReminder) Delivery {
	d, had := known[r.ID]
	if !had || d.State == reminder.Lapsed {
		d = Delivery{Clinic: c.clinic, Household: r.Household, Learner: r.Learner}
		d.ID, d.Kind, d.Night = r.ID, reminder.Kind(r.Kind), r.Night
	}
	d.Due, d.Lapses = r.Due, r.Lapses // which move with the reminder time
	return d
}

// take claims one.
func (c *claiming) take(r DueReminder, d Delivery, to func(Delivery) []Destination) {
	d.Delivery = d.ClaimedBy(c.NewID(), c.wish.Lease, c.from)
	c.deliveries = append(c.deliveries, d)
	c.claimed = append(c.claimed, ClaimedReminder{
		DueReminder: r, Claim: d.Claim, LeaseUntil: d.Until, Attempt: d.Sends + 1, Destinations: to(d),
	})
}

// destinations returns where a reminder is to go that has been delivered as far as d says: to each place once, whoever gave it.
func (c *claiming) destinations(r DueReminder, d Delivery, recipients []Recipient) []Destination {
	var all []Destination
	for i := range recipients {
		to := &recipients[i]
		same := func(d Destination) bool { return d.Channel == to.Channel && d.To == to.To }
		if to.takes(&d, c.at) && !slices.ContainsFunc(all, same) {
			all = append(all, Destination{
				ID: to.ID, Channel: to.Channel, To: to.To, Key: keyOfMessage(d.ID, to.ID),
				Message: reminder.MessageOf(d.Kind, r.Run), Unsubscribe: c.unsubscribeLink(to.ID),
			})
		}
	}
	return all
}

// keyOfMessage is the same whenever the same message goes to the same address.
func keyOfMessage(delivery, address uuid.UUID) string {
	return delivery.String() + "." + address.String()
}

// takes reports whether a delivery is to go to a recipient at an instant.
func (r *Recipient) takes(d *Delivery, at time.Time) bool {
	usable := !r.Verified.IsZero() && r.Failing.IsZero() && r.mayKnow()
	return usable && !d.Done(r.ID) && r.Wanted.wants(d.Kind, d.Night) && !r.Wanted.quietAt(at)
}

// mayKnow reports whether a recipient may know of the household.
func (r *Recipient) mayKnow() bool { return r.Withdrawn.IsZero() && r.Devices > 0 }

func (w *Wanted) wants(kind reminder.Kind, night practice.Night) bool {
	return slices.Contains(w.Kinds, string(kind)) && slices.Contains(w.Weekdays, night.Weekday())
}

// quietAt reports whether nothing is to come at an instant. Hours in a zone that is known no longer are none.
func (w *Wanted) quietAt(at time.Time) bool {
	zone, err := practice.LoadZone(w.Timezone)
	if w.Timezone == "" || err != nil {
		return false
	}
	local := at.In(zone)
	return practice.TimeOfDay(local.Hour()*60+local.Minute()).Between(w.QuietFrom, w.QuietUntil) //nolint:gosec // less than a day
}

// GoAheadAsk asks for the go-ahead to send what is held under a claim.
type GoAheadAsk struct {
	Claim uuid.UUID
	// Repeatable says that the channel recognises a message it has had, so that it may be given it again after a crash.
	Repeatable bool
	AsOf       time.Time // as in the claim; an instant that has passed is now
}

// GoAhead is the go-ahead to send.
type GoAhead struct {
	Within       time.Duration // how soon sending must begin; later, ask again
	Until        time.Time     // by when the outcome is to be reported
	Destinations []uuid.UUID   // those of the claim to which it is still to go
}

// GiveGoAhead gives the holder of a claim the go-ahead to send, if the reminder is still due: what has come in since the claim
// counts. Its faults are reminder.ErrNotHeld and reminder.ErrNotDue.
func (s *Service) GiveGoAhead(ctx context.Context, p access.Principal, id uuid.UUID, q GoAheadAsk, now time.Time) (GoAhead, error) {
	at, err := Question{AsOf: q.AsOf}.instant(p, now)
	if err != nil {
		return GoAhead{}, err
	}
	at = later(at, now) // what is known by now counts, whatever the caller's clock says
	var g GoAhead
	var refused error
	err = s.changes(ctx, p, "giveGoAhead", now, func(ctx context.Context, tx Tx, a *ask, note note) error {
		d, err := a.delivery(ctx, tx, id)
		if err != nil {
			return err
		}
		due, left, err := s.stillDue(ctx, tx, &d, at)
		if err != nil {
			return err
		}
		was := d.Told()
		var within time.Duration
		d.Delivery, within, refused = d.GoAhead(q.Claim, q.Repeatable, due, at)
		if errors.Is(refused, reminder.ErrNotHeld) {
			return refused
		}
		a.row.Note = string(d.State)
		if refused == nil && !was && !q.Repeatable {
			s.tell(note, &d)
		}
		g = GoAhead{Within: within, Until: d.Until, Destinations: left}
		return tx.SaveDeliveries(ctx, []Delivery{d})
	})
	return g, errors.Join(err, refused)
}

// delivery returns a delivery of the caller's clinic.
func (a *ask) delivery(ctx context.Context, view View, id uuid.UUID) (Delivery, error) {
	a.row.Thing = id
	d, err := view.Delivery(ctx, id)
	if err == nil {
		err = a.owns(owner{clinic: d.Clinic, household: d.Household})
	}
	if err != nil {
		return Delivery{}, notThere(err)
	}
	a.row.Learner, a.row.Household = d.Learner, d.Household
	return d, nil
}

// stillDue reports whether a delivery is due at an instant, by all that has come in, and where it is still to go.
func (s *Service) stillDue(ctx context.Context, tx Tx, d *Delivery, at time.Time) (bool, []uuid.UUID, error) {
	if d.Kind == reminder.Verification {
		to, err := codeRecipients(ctx, tx, d)
		return len(to) > 0, []uuid.UUID{d.Address}, err
	}
	reminders, err := s.remindersAt(ctx, tx, d, at)
	if err != nil {
		return false, nil, err
	}
	listed := slices.ContainsFunc(reminders, func(r ProjectedReminder) bool {
		return r.ID == d.ID && !at.Before(r.Due) && at.Before(r.Lapses)
	})
	recipients, err := tx.Recipients(ctx, []uuid.UUID{d.Household})
	if err != nil {
		return false, nil, err
	}
	left := []uuid.UUID{}
	for i := range recipients[d.Household] {
		if r := &recipients[d.Household][i]; r.takes(d, at) {
			left = append(left, r.ID)
		}
	}
	return listed, left, nil
}

// remindersAt returns a learner's reminders: those kept, unless they say nothing about the instant.
func (s *Service) remindersAt(ctx context.Context, tx Tx, d *Delivery, at time.Time) ([]ProjectedReminder, error) {
	kept, err := tx.RemindersOf(ctx, d.Learner)
	covers := func(r ProjectedReminder) bool { return r.ID == d.ID && at.Before(r.Lapses) }
	if err != nil || slices.ContainsFunc(kept, covers) {
		return kept, err
	}
	f, err := s.wholeIn(ctx, tx, d.Household)
	if err != nil {
		return nil, err
	}
	v := f.view(d.Learner, at)
	return projectedReminders(reminder.Next(&v, f.past[d.Learner]), f.past[d.Learner]), nil
}

// tell notes in the journal that a family may have been told, so that no older backup has it told again.
func (s *Service) tell(note note, d *Delivery) {
	if d.Learner != uuid.Nil {
		note(FamilyTold{Learner: d.Learner, Reminder: d.ID, Kind: string(d.Kind), Night: d.Night, Due: d.Due})
	}
}

func checkReport(report *reminder.Report) error {
	var r refusal
	outcome := func(pointer string, o reminder.Outcome) {
		known := []reminder.Outcome{reminder.WasSent, reminder.WasFailed, reminder.WasSkipped, reminder.WasUnclear}
		r.unless(slices.Contains(known, o), pointer, "Give sent, failed, skipped or unclear.")
	}
	outcome("/outcome", report.Outcome)
	r.text("/detail", report.Detail, maxDetail)
	r.unless(len(report.Parts) <= maxParts, "/destinations", fmt.Sprintf("Give at most %d destinations.", maxParts))
	for i, part := range report.Parts {
		at := fmt.Sprintf("/destinations/%d", i)
		outcome(at+"/outcome", part.Outcome)
		r.text(at+"/detail", part.Detail, maxDetail)
		r.text(at+"/channel", part.Channel, maxName)
	}
	return r.err()
}

// ReportReminder notes what became of a reminder that the caller claimed. Its fault is reminder.ErrNotHeld. A destination that will
// never take anything is marked as failing, and is used no more until it has been verified again.
func (s *Service) ReportReminder(
	ctx context.Context, p access.Principal, id, claim uuid.UUID, report reminder.Report, now time.Time,
) (Delivery, error) {
	if err := checkReport(&report); err != nil {
		return Delivery{}, err
	}
	var d Delivery
	err := s.changes(ctx, p, "reportReminder", now, func(ctx context.Context, tx Tx, a *ask, note note) error {
		var err error
		if d, err = a.delivery(ctx, tx, id); err != nil {
			return err
		}
		before := d.State
		if d.Delivery, err = d.Reported(claim, report, now); err != nil {
			return err
		}
		a.row.Note = string(report.Outcome)
		if d.State == before && before.Final() {
			return nil // a report that comes again
		}
		if before != reminder.Sending && d.Told() {
			s.tell(note, &d)
		}
		if err := s.markFailing(ctx, tx, &d, report.Parts, now); err != nil {
			return err
		}
		if err := tx.SaveDeliveries(ctx, []Delivery{d}); err != nil || d.Learner == uuid.Nil {
			return err
		}
		return s.refold(ctx, tx, d.Household, now) // what is to be reminded of next
	})
	return d, err
}

// markFailing marks the addresses of a household that will never take anything.
func (s *Service) markFailing(ctx context.Context, tx Tx, d *Delivery, parts []reminder.Try, now time.Time) error {
	for _, part := range parts {
		if part.Outcome != reminder.WasFailed || !part.Permanent {
			continue
		}
		address, err := tx.Address(ctx, part.Destination)
		if fault.KindOf(err) == fault.NotFound || (err == nil && address.Household != d.Household) {
			continue // removed since
		}
		if err != nil {
			return err
		}
		if address.Failing.IsZero() {
			address.Failing = now
			if err := tx.SetAddress(ctx, address); err != nil {
				return err
			}
		}
	}
	return nil
}
