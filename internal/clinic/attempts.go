package clinic

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
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

// attempts slows down whoever guesses at passwords and codes. An account's failures are counted by the network from which they
// come and, over all networks from which it has not been signed in to within 30 days, together. So guesses from anywhere can't
// hold up the clinic's own people where they always are, and changing the network gains a guesser nothing. That is one of the
// techniques which NIST SP 800-63B-4 names in section 3.2.2 (from memory); it also bounds the failures in a row at 100. Here the
// total over strange networks reaches 21 within the first two days and then grows by one a day, so that 100 take 80 days without
// one sign-in from a new network; from one that is known, 24 a day, and a sign-in there begins the count anew.
//
// Who shares a network with an attacker, or is at a new one, shows that they are none: by what the last sign-in gave their browser
// (access.KnownDevice), or by the session in which they ask. Such tries are counted for that browser or session alone. And another
// password begins all counts of an account anew, so an operator who sets one lets somebody in who has nothing of the kind.
//
// What is known lies in the store or with its owner, and so outlives restarts and holds for all servers over it. The counts do not:
// see access.Throttle.
type attempts struct {
	byPlace   *access.Throttle // by account and network, browser or session
	strangers *access.Throttle // by account, over all networks that are not known
}

func newAttempts() *attempts {
	limits := access.ThrottleLimits{
		Free: 10, First: time.Minute, Growth: 2, Ceiling: time.Hour, Remember: 24 * time.Hour, Keys: keysKept,
	}
	total := limits
	total.Ceiling, total.Remember = 24*time.Hour, 30*24*time.Hour
	return &attempts{byPlace: access.NewThrottle(limits), strangers: access.NewThrottle(total)}
}

// errTooMany says nothing of whether there is such an account.
var errTooMany = fault.New(fault.RateLimited, "too-many-attempts",
	"Too many attempts have failed: wait before the next, or ask whoever runs the service for another password.")

// place is from where somebody tries.
type place struct {
	name  string // of the network, browser or session
	known bool   // to the account
}

// attempt is one try at an account, counted as a failure until it is known how it ends.
type attempt []counted

// counted is one count of a try.
type counted struct {
	by  *access.Throttle
	key string
}

// begin counts a try at an account, which is named with what its password is. A fault of kind RateLimited says how long to wait.
func (a *attempts) begin(account string, from place, now time.Time) (attempt, error) {
	counts := attempt{{a.byPlace, from.name + " " + account}}
	if !from.known {
		counts = append(counts, counted{a.strangers, account})
	}
	for i, c := range counts {
		if wait := c.by.Take(c.key, now); wait > 0 {
			counts[:i].takeBack()
			return nil, errTooMany.After(wait)
		}
	}
	return counts, nil
}

func (t attempt) takeBack() {
	for _, c := range t {
		c.by.Return(c.key)
	}
}

// end says how the try ended. Only a wrong password or code is a failure; that a code is still to come is none, and no success
// either, so that a password that was found out does not begin the count of codes anew.
func (t attempt) end(err error) {
	switch {
	case err == nil:
		for _, c := range t {
			c.by.Clear(c.key)
		}
	case fault.KindOf(err) != fault.Unauthenticated || isNeedsSecond(err):
		t.takeBack()
	}
}

// try is who is tried to be, and by what operation.
type try struct {
	op      Operation
	email   string
	device  string    // what the browser has kept of an earlier sign-in; empty for nothing
	session uuid.UUID // the one in which it is tried; zero without one
}

// trying runs fn as one try. member is the zero one where there is no such account, which makes no difference to be seen: a failure
// is answered at a multiple of FailureTime, however much is done about it. Where there is an account, a try that did not let
// anybody in goes on the clinic's trail.
func (s *Service) trying(ctx context.Context, t try, now time.Time, fn func(m Member, known bool) error) error {
	beat := s.failureBeat()
	defer beat.stop()
	var member Member
	from := place{name: "session " + t.session.String(), known: t.session != uuid.Nil}
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		if member, err = view.MemberByEmail(ctx, normalEmail(t.email)); err != nil || from.known {
			return err
		}
		from, err = s.placeOf(ctx, view, member, t.device, now)
		return err
	})
	if fault.KindOf(err) == fault.NotFound {
		from, err = place{name: access.Network(access.OriginFrom(ctx)).String()}, nil
	}
	if err != nil {
		return err
	}
	counts, err := s.attempts.begin(normalEmail(t.email)+" "+passwordMark(member), from, now)
	if err != nil {
		return err
	}
	err = fn(member, from.known)
	counts.end(err)
	if kind := fault.KindOf(err); err == nil || (kind != fault.Unauthenticated && !isSecondSet(err)) {
		return err
	}
	if member.ID != uuid.Nil {
		row := rowOf(ctx, principalOf(member), string(t.op), now)
		row.Outcome = fault.ProblemOf(err)
		if failed := s.witness(ctx, row); failed != nil {
			s.Log.ErrorContext(ctx, "a failed sign-in is not on the trail", "member", member.ID, "error", failed)
		}
	}
	if fault.ProblemOf(err) == errWrongCredentials.Problem {
		beat.wait(ctx)
	}
	return err
}

// passwordMark stands for a member's password in the names of counts, so that another begins them anew.
func passwordMark(m Member) string {
	sum := sha256.Sum256([]byte(m.PasswordHash))
	return hex.EncodeToString(sum[:8])
}

// beat is what failures are answered at.
type beat struct{ ticker *time.Ticker }

func (s *Service) failureBeat() beat {
	if s.FailureTime <= 0 {
		return beat{}
	}
	return beat{time.NewTicker(s.FailureTime)}
}

func (b beat) stop() {
	if b.ticker != nil {
		b.ticker.Stop()
	}
}

// wait waits for the next beat, not for one that has passed.
func (b beat) wait(ctx context.Context) {
	if b.ticker == nil {
		return
	}
	select {
	case <-b.ticker.C:
	default:
	}
	select {
	case <-b.ticker.C:
	case <-ctx.Done():
	}
}

// principalOf returns who a clinician is once they are signed in.
func principalOf(m Member) access.Principal {
	return access.Principal{Role: access.Role(m.Role), ClinicID: m.Clinic, ClinicianID: m.ID}
}

// placeOf returns from where a try at a member comes: the browser where it is known, else the network.
func (s *Service) placeOf(ctx context.Context, view View, m Member, device string, now time.Time) (place, error) {
	if d, ok := s.Keys.OpenKnownDevice(device, m.ID, m.PasswordHash, now); ok {
		return place{name: "device " + d.ID.String(), known: true}, nil
	}
	network := access.Network(access.OriginFrom(ctx))
	known, err := s.knows(ctx, view, m, network, now)
	return place{name: network.String(), known: known}, err
}

// knownDevice returns what the browser keeps of a sign-in: what it has, renewed, or something new.
func (s *Service) knownDevice(m Member, has string, now time.Time) (string, error) {
	d, ok := s.Keys.OpenKnownDevice(has, m.ID, m.PasswordHash, now)
	if !ok {
		var err error
		if d, err = access.NewKnownDevice(s.Random, now); err != nil {
			return "", err
		}
	}
	return s.Keys.SealKnownDevice(d.Renewed(now), m.ID, m.PasswordHash), nil
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
