package clinic

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
	"swallowtail/internal/watch"
)

// Config is what the use cases work with. Every field but Hints, InviteLink, PublicURL, FailureTime and Listening must be set; Check, Rebuild,
// VerifyAudit, BeginAnew, TakeFolds and BeginElsewhere, which work on a store that nobody is served from, need Store, NewID and Log alone.
type Config struct {
	Store        Store
	Journal      Journal
	Keys         *access.Keys
	Random       io.Reader
	NewID        func() uuid.UUID // for whatever the server names
	PasswordCost access.PasswordCost
	Log          *slog.Logger
	Hints        Hints // nil where a server hears only of what it does itself, and looks for the rest
	// InviteLink is the address at which the family's app takes the code of an invite, behind a #; empty where there is none.
	InviteLink string
	// PublicURL is where families' programs and mail readers reach this service, such as https://practice.example.org, without a
	// slash at its end. Without it there are neither addresses for reminders nor calendar feeds.
	PublicURL string
	// FailureTime is how long a failed sign-in takes to be answered, unless it takes longer, so that how long it takes does not
	// tell which accounts there are. It may be zero where nobody measures.
	FailureTime time.Duration
	Listening   watch.Limits // its zero value has the defaults
}

// Service is the use cases. Each method takes the caller, where there must be one, and the instant at which it happens.
type Service struct {
	Config
	hashing   *hashing
	attempts  *attempts
	changed   chan struct{} // holds something once a family's record or enrolment may have changed
	weighing  chan struct{} // held by the one who weighs
	families  families
	summaries summaries
	listeners *watch.Hub
	rights    *Rights
	codes     codeTries
	messages  *access.Throttle // codes sent to addresses, by caregiver
	trail     trail
}

// New returns the use cases over a store.
func New(c Config) *Service {
	s := &Service{
		Config: c, hashing: newHashing(), attempts: newAttempts(), codes: newCodeTries(), messages: newMessages(), changed: make(chan struct{}, 1), weighing: make(chan struct{}, 1),
		rights: NewRights(),
	}
	s.listeners = watch.New(watch.Config{Look: s.look, Log: c.Log, Limits: c.Listening})
	return s
}

// Prepare writes what a store must hold: the plan built in, and which journal lies beside it.
func (s *Service) Prepare(ctx context.Context, now time.Time) error {
	return s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		if err := s.adoptJournal(ctx, tx); err != nil {
			return err
		}
		_, err := tx.Plan(ctx, BuiltinPlan)
		if fault.KindOf(err) != fault.NotFound {
			return err
		}
		return tx.AddPlan(ctx, builtinPlan(now))
	})
}

// Ready reports whether the service can work.
func (s *Service) Ready(ctx context.Context) error { return s.Store.Ready(ctx) }

// refusal gathers what is wrong with an input.
type refusal struct{ fields []fault.Field }

func (r *refusal) at(pointer, detail string) {
	r.fields = append(r.fields, fault.Field{Pointer: pointer, Detail: detail})
}

func (r *refusal) unless(fine bool, pointer, detail string) {
	if !fine {
		r.at(pointer, detail)
	}
}

// name checks a name, a label or a nickname.
func (r *refusal) name(pointer, name string) {
	n := utf8.RuneCountInString(name)
	if n > maxName || strings.TrimSpace(name) == "" || strings.ContainsFunc(name, isControl) || !utf8.ValidString(name) {
		r.at(pointer, fmt.Sprintf("Give 1 to %d characters, none of them a control character and not only spaces.", maxName))
	}
}

// text checks a short text of one line, which may be empty.
func (r *refusal) text(pointer, text string, longest int) {
	if utf8.RuneCountInString(text) > longest || strings.ContainsFunc(text, isControl) {
		r.at(pointer, fmt.Sprintf("Give at most %d characters, none of them a control character.", longest))
	}
}

func isControl(r rune) bool { return r < ' ' || r == 0x7f }

// note checks a text of several lines.
func (r *refusal) note(pointer, text string) {
	bad := func(c rune) bool { return isControl(c) && c != '\n' && c != '\t' && c != '\r' }
	if utf8.RuneCountInString(text) > maxNote || strings.ContainsFunc(text, bad) {
		r.at(pointer, fmt.Sprintf("Give at most %d characters, none of them a control character but line ends and tabs.", maxNote))
	}
}

func (r *refusal) err() error {
	if len(r.fields) == 0 {
		return nil
	}
	e := fault.New(fault.Invalid, "invalid-input", "Some of what was sent is wrong: see the places named.")
	e.Fields = r.fields
	return e
}

// tonightIn returns the night that runs in a zone at an instant, with the day turning as the plan built in has it.
func tonightIn(zone *time.Location, at time.Time) practice.Night {
	return practice.NightAt(at, practice.DefaultPlan().TurnsAt, zone)
}
