package api

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/hashicorp/golang-lru/v2/simplelru"
	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// Rate is how often something may be done: a bucket that holds Burst and is filled at PerSecond. The zero value sets no bound.
type Rate struct {
	PerSecond float64 // above 0
	Burst     int     // at least 1
}

// String writes a rate as [Rate.UnmarshalText] reads it, "20/300", and no bound as "0".
func (r Rate) String() string {
	if r == (Rate{}) {
		return "0"
	}
	return strconv.FormatFloat(r.PerSecond, 'g', -1, 64) + "/" + strconv.Itoa(r.Burst)
}

// MarshalText implements encoding.TextMarshaler.
func (r Rate) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

var errRate = errors.New(`give how many a second and how many at once, such as "20/300", or 0 for no bound`)

// UnmarshalText reads a rate: how many a second, a slash and how many at once; or 0 for no bound.
func (r *Rate) UnmarshalText(text []byte) error {
	if string(text) == "0" {
		*r = Rate{}
		return nil
	}
	each, burst, _ := strings.Cut(string(text), "/")
	perSecond, err := strconv.ParseFloat(each, 64)
	if err != nil || !(perSecond > 0) || math.IsInf(perSecond, 0) {
		return errRate
	}
	atOnce, err := strconv.Atoi(burst)
	if err != nil || atOnce < 1 {
		return errRate
	}
	*r = Rate{PerSecond: perSecond, Burst: atOnce}
	return nil
}

// Limits bound how often is called. The zero value bounds nothing.
//
// An address is an IPv4 address or an IPv6 network of 64 bits, the least that one customer has (RFC 6177, section 2). Many
// families share one behind a carrier's translation (RFC 6888), and so do all of a clinic, hence two sorts of bound: tight ones
// on callers, who are known, and on guesses, which hardly anybody makes many of; and a wide one on addresses, against floods.
type Limits struct {
	// Address bounds all requests from one address, before anything else is done for them.
	Address Rate
	// Guess bounds from one address, each on its own account, what can be guessed at: passwords with their codes, refresh
	// tokens, codes of invites; and tokens that are none. Of the last the good are still let through: somebody's guesses at
	// a shared address are no reason to shut out who proves who they are.
	Guess Rate
	// Caller bounds the calls of one device, clinician or service token, wherever they come from.
	Caller Rate
	// Refused bounds how many of a caller's calls may be refused since they may not ask, or not about that: each leaves a row on
	// the audit trail, which is never cut. Beyond it they wait, whatever they ask for.
	Refused Rate
}

// UsualLimits never hurt who uses the service as it is meant, which is reckoned so:
//
//   - Address, 200 a second and 2,000 at once: ten people of a clinic at one address who all read 40 families in one go ask
//     10 × (1 roster + 40 × 4 documents) = 1,610 times. A thousand families behind one carrier's address, whose phones each
//     push and pull ten times within the same quarter of an hour, ask 11 times a second.
//   - Guess, 2 a second and 100 at once: ten people who sign in at eight, each once with a wrong password and once without the
//     code, are 30 calls. Of tokens only the bad ones count. The 172,900 guesses that this leaves a day meet 128 bits, or the
//     waits of a password or a short code.
//   - Caller, 20 a second and 300 at once: a phone with a fortnight pushes and pages in fewer than ten calls, a scheduler
//     with 10,100 reminders pages 101 times within a second, and with two calls for each sends 600 a minute; a clinician reads
//     40 families in 161.
//   - Refused, one in 10 seconds and 100 at once: nobody is refused who uses what they were given. At 260 octets a row, that is
//     2.2 MB a day of one caller's.
func UsualLimits() Limits {
	return Limits{Address: Rate{200, 2000}, Guess: Rate{2, 100}, Caller: Rate{20, 300}, Refused: Rate{0.1, 100}}
}

// maxBuckets is how many buckets a table holds, some 250 octets each. With more, the one that was used longest ago is forgotten
// and so full again: of all it is the likeliest to be full by now.
const maxBuckets = 1 << 15

// buckets is a table of buckets of one rate. Safe for concurrent use.
type buckets[K comparable] struct {
	rate Rate

	mu     sync.Mutex
	table  *simplelru.LRU[K, *rate.Limiter]
	latest time.Time // the latest that it was told
}

// setBack is how far a clock goes back when it has been set. Less is calls that overtake each other.
const setBack = time.Minute

// newBuckets returns nil, which bounds nothing, for no rate.
func newBuckets[K comparable](r Rate, most int) (*buckets[K], error) {
	if r == (Rate{}) {
		return nil, nil //nolint:nilnil // nil is a table: see take
	}
	if !(r.PerSecond > 0) || r.Burst < 1 {
		return nil, fmt.Errorf("rate %v: %w", r, errRate)
	}
	table, err := simplelru.NewLRU[K, *rate.Limiter](most, nil)
	if err != nil {
		return nil, fmt.Errorf("make table of buckets: %w", err)
	}
	return &buckets[K]{rate: r, table: table}, nil
}

// take takes one out of a bucket. It returns how long until there is one if there is none, and 0 otherwise.
func (b *buckets[K]) take(key K, now time.Time) (wait time.Duration) {
	if b == nil {
		return 0
	}
	b.mu.Lock()
	if now.Add(setBack).Before(b.latest) { // or nothing would be filled until it is that late again
		b.table.Purge()
		b.latest = now
	}
	b.latest = later(b.latest, now)
	now = b.latest
	bucket, has := b.table.Get(key)
	if !has {
		bucket = rate.NewLimiter(rate.Limit(b.rate.PerSecond), b.rate.Burst)
		b.table.Add(key, bucket)
	}
	b.mu.Unlock()
	if bucket.AllowN(now, 1) {
		return 0
	}
	missing := max(1-bucket.TokensAt(now), 0)
	return max(time.Duration(missing/b.rate.PerSecond*float64(time.Second)), 1)
}

// wait returns how long until there is one in a bucket, and takes none.
func (b *buckets[K]) wait(key K, now time.Time) time.Duration {
	if b == nil {
		return 0
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	bucket, has := b.table.Get(key)
	if !has {
		return 0
	}
	missing := 1 - bucket.TokensAt(later(b.latest, now))
	if missing <= 0 {
		return 0
	}
	return max(time.Duration(missing/b.rate.PerSecond*float64(time.Second)), 1)
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// secretKind is what an operation lets a stranger guess at.
type secretKind string

// guess is an address and what is guessed at from there.
type guess struct {
	from netip.Prefix
	at   secretKind
}

const badToken secretKind = "token"

// secretOf returns what an operation that is open to strangers lets them guess at, empty for nothing. A password and its second
// factor are one secret, and refresh tokens are one with access tokens; whatever else takes a body is a secret of its own. The
// way out of messages is called by mail programs, for many from one address, and what it takes can't be guessed.
func secretOf(op clinic.Operation) secretKind {
	switch op {
	case "setUpSecondFactor":
		return "signIn"
	case "refreshTokens", "signOut":
		return badToken
	case "unsubscribe":
		return ""
	}
	return secretKind(op)
}

// limiter holds callers to limits.
type limiter struct {
	address *buckets[netip.Prefix]
	guesses *buckets[guess]
	callers *buckets[string]
	refused *buckets[string]      // by caller
	secrets map[string]secretKind // by method and route
}

func newLimiter(l Limits, secrets map[string]secretKind) (*limiter, error) {
	address, err := newBuckets[netip.Prefix](l.Address, maxBuckets)
	if err != nil {
		return nil, err
	}
	guesses, err := newBuckets[guess](l.Guess, maxBuckets)
	if err != nil {
		return nil, err
	}
	callers, err := newBuckets[string](l.Caller, maxBuckets)
	if err != nil {
		return nil, err
	}
	refused, err := newBuckets[string](l.Refused, maxBuckets)
	return &limiter{address: address, guesses: guesses, callers: callers, refused: refused, secrets: secrets}, err
}

// callerKey tells callers apart. A service token counts by itself: a clinic may have several schedulers.
func callerKey(p access.Principal) string {
	switch {
	case p.DeviceID != uuid.Nil:
		return p.DeviceID.String()
	case p.ClinicianID != uuid.Nil:
		return p.ClinicianID.String()
	}
	return p.TokenID
}

// limited refuses what comes too often from an address, before any work is done for it.
func (s *server) limited(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, now := c.Request(), s.Now()
		from := access.Network(access.OriginFrom(r.Context()))
		if err := s.tooOften("address", s.limits.address.take(from, now)); err != nil {
			return err
		}
		at, is := s.limits.secrets[r.Method+" "+c.Path()]
		if is && at != badToken {
			if err := s.tooOften("guess", s.limits.guesses.take(guess{from, at}, now)); err != nil {
				return err
			}
		}
		err := next(c)
		if is && at == badToken && err != nil { // a good one is never held up by what others send from the same address
			return s.refusedToken(r.Context(), err)
		}
		return err
	}
}

// refusedToken counts a token that is refused against the address it came from. One that was good once is no guess.
func (s *server) refusedToken(ctx context.Context, err error) error {
	f, is := errors.AsType[*fault.Error](err)
	if !is || f.Kind != fault.Unauthenticated || f.Problem == "token-expired" {
		return err
	}
	if often := s.tooOften("guess", s.limits.guesses.take(guess{access.Network(access.OriginFrom(ctx)), badToken}, s.Now())); often != nil {
		return often
	}
	return err
}

// limitCaller refuses a caller who calls too often, or was refused too often of late.
func (s *server) limitCaller(p access.Principal) error {
	key, now := callerKey(p), s.Now()
	if err := s.tooOften("caller", s.limits.callers.take(key, now)); err != nil {
		return err
	}
	return s.tooOften("refused", s.limits.refused.wait(key, now))
}

// noteRefusal counts what a caller was refused since it is not theirs, and returns the refusal.
func (s *server) noteRefusal(p access.Principal, err error) error {
	if kind := fault.KindOf(err); err != nil && (kind == fault.Forbidden || kind == fault.NotFound) {
		s.limits.refused.take(callerKey(p), s.Now())
	}
	return err
}

var errTooOften = fault.New(fault.RateLimited, "rate-limited",
	"Too many requests in a short time: wait for as many seconds as Retry-After says.")

// tooOften refuses what has to wait because of a bound.
func (s *server) tooOften(bound string, wait time.Duration) error {
	if wait <= 0 {
		return nil
	}
	s.Metrics.tooOften(bound)
	return errTooOften.After(wait)
}

// secretsOf lists, by method and route, the operations that let strangers guess at something.
func secretsOf(operations []route, rights *clinic.Rights) map[string]secretKind {
	secrets := map[string]secretKind{}
	for _, op := range operations {
		rule, _ := rights.Rule(op.id)
		if secret := secretOf(op.id); op.method == http.MethodPost && rule.Open && secret != "" {
			secrets[op.method+" "+op.path] = secret
		}
	}
	return secrets
}
