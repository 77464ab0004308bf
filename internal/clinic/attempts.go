package clinic

import (
	"bytes"
	"context"
	"net/netip"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

const (
	// knownFor is how long an address counts as known after the last sign-in from it.
	knownFor = 30 * 24 * time.Hour
	// addressesKept is how many addresses are kept of a member: those used last.
	addressesKept = 20
	// keysKept bounds the memory of each throttle, to some 20 MB.
	keysKept = 1 << 16
)

// attempts slows down whoever guesses at passwords and codes. An account's failures are counted by the address from which they
// come and, over all addresses from which it has not been signed in to within 30 days, together. So guesses from anywhere can't
// hold up the clinic's own people where they always are, and changing the address gains a guesser nothing. That is one of the
// techniques which NIST SP 800-63B-4 names in section 3.2.2 (from memory); it also bounds the failures in a row at 100. Here the
// total over strange addresses reaches 21 within the first two days and then grows by one a day, so that 100 take 80 days without
// one sign-in from a new address; from an address that is known, 24 a day, and a sign-in there begins the count anew.
//
// What is known lies in the store, and so outlives restarts and holds for all servers over it. The counts do not: see
// access.Throttle.
type attempts struct {
	byAddress *access.Throttle
	strangers *access.Throttle // by account, over all addresses that are not known
}

func newAttempts() *attempts {
	limits := access.ThrottleLimits{
		Free: 10, First: time.Minute, Growth: 2, Ceiling: time.Hour, Remember: 24 * time.Hour, Keys: keysKept,
	}
	total := limits
	total.Ceiling, total.Remember = 24*time.Hour, 30*24*time.Hour
	return &attempts{byAddress: access.NewThrottle(limits), strangers: access.NewThrottle(total)}
}

// errTooMany says nothing of whether there is such an account.
var errTooMany = fault.New(fault.RateLimited, "too-many-attempts",
	"Too many attempts have failed: wait before the next, or sign in from where you have signed in before.")

// attempt is one try at an account, counted as a failure until it is known how it ends.
type attempt struct {
	of      *attempts
	account string
	pair    string // the account and the network
	known   bool
}

// begin counts a try. A fault of kind RateLimited says how long to wait.
func (a *attempts) begin(email string, network netip.Prefix, known bool, now time.Time) (*attempt, error) {
	account := normalEmail(email)
	t := &attempt{of: a, account: account, pair: network.String() + " " + account, known: known}
	if wait := a.byAddress.Take(t.pair, now); wait > 0 {
		return nil, errTooMany.After(wait)
	}
	if known {
		return t, nil
	}
	if wait := a.strangers.Take(t.account, now); wait > 0 {
		a.byAddress.Return(t.pair)
		return nil, errTooMany.After(wait)
	}
	return t, nil
}

// end says how the try ended. Only a wrong password or code is a failure; that a code is still to come is none, and no success
// either, so that a password that was found out does not begin the count of codes anew.
func (t *attempt) end(err error) {
	switch {
	case err == nil:
		t.of.byAddress.Clear(t.pair)
		if !t.known {
			t.of.strangers.Clear(t.account)
		}
	case fault.KindOf(err) != fault.Unauthenticated || isNeedsSecond(err):
		t.of.byAddress.Return(t.pair)
		if !t.known {
			t.of.strangers.Return(t.account)
		}
	}
}

// trying runs fn as one try at an account by an operation. member is the zero one where there is none, which makes no difference
// to be seen: a failure takes as long as FailureTime says, however much is done about it. Where there is an account it goes on
// the clinic's trail.
func (s *Service) trying(ctx context.Context, op Operation, email string, now time.Time, fn func(m Member, known bool) error) error {
	answered := time.NewTimer(s.FailureTime)
	defer answered.Stop()
	var member Member
	network, known := access.Network(access.OriginFrom(ctx)), false
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		if member, err = view.MemberByEmail(ctx, normalEmail(email)); err != nil {
			return err
		}
		known, err = s.knows(ctx, view, member, network, now)
		return err
	})
	if err != nil && fault.KindOf(err) != fault.NotFound {
		return err
	}
	t, err := s.attempts.begin(email, network, known, now)
	if err != nil {
		return err
	}
	err = fn(member, known)
	t.end(err)
	if fault.KindOf(err) != fault.Unauthenticated || isNeedsSecond(err) {
		return err
	}
	if member.ID != uuid.Nil {
		row := rowOf(ctx, principalOf(member), string(op), now)
		row.Outcome = fault.ProblemOf(err)
		if failed := s.witness(ctx, row); failed != nil {
			s.Log.ErrorContext(ctx, "a failed sign-in is not on the trail", "member", member.ID, "error", failed)
		}
	}
	select {
	case <-answered.C:
	case <-ctx.Done():
	}
	return err
}

// principalOf returns who a clinician is once they are signed in.
func principalOf(m Member) access.Principal {
	return access.Principal{Role: access.Role(m.Role), ClinicID: m.Clinic, ClinicianID: m.ID}
}

// knows reports whether a member has signed in from a network of late.
func (s *Service) knows(ctx context.Context, view View, m Member, network netip.Prefix, now time.Time) (bool, error) {
	addresses, err := view.KnownAddresses(ctx, m.ID)
	hash := s.Keys.HashNetwork(m.ID, network)
	for _, a := range addresses {
		if bytes.Equal(a.Hash, hash) {
			return now.Sub(a.Last) < knownFor, err
		}
	}
	return false, err
}

// remember keeps from where a member has signed in, and forgets what is more than can be kept.
func (s *Service) remember(ctx context.Context, tx Tx, m Member, now time.Time) error {
	network := access.Network(access.OriginFrom(ctx))
	if err := tx.KeepAddress(ctx, m.ID, KnownAddress{Hash: s.Keys.HashNetwork(m.ID, network), Last: now}); err != nil {
		return err
	}
	addresses, err := tx.KnownAddresses(ctx, m.ID)
	if err != nil || len(addresses) <= addressesKept {
		return err
	}
	for _, a := range addresses[addressesKept:] {
		if err := tx.ForgetAddress(ctx, m.ID, a.Hash); err != nil {
			return err
		}
	}
	return nil
}
