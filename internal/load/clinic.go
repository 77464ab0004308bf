package load

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"sync"
	"time"

	"github.com/go-json-experiment/json"

	"swallowtail/api/client"
)

const (
	clinicLines = 8
	rosterPage  = 100
	largestPage = 500
)

// rosterOrders are all that the roster has.
func rosterOrders() []string {
	return []string{"needs_call", "nickname", "last_heard", "missed", "verdict"}
}

// Clinic is a clinic's clinicians, who are signed in.
type Clinic struct{ Staff []client.Pair }

// staff are clinicians who call in turn.
type staff []*client.Tokens

func (l *Load) staff(c Clinic) (staff, error) {
	if len(c.Staff) == 0 {
		return nil, errors.New("a clinic without anybody")
	}
	all := make(staff, len(c.Staff))
	for i, pair := range c.Staff {
		var err error
		if all[i], err = client.OpenTokens(&client.MemoryTokens{Pair: pair}, client.API{Base: l.Base}.Refresh); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// turns returns whose turn it is, each time it is asked, on the nth of several lines.
func (s staff) turns(nth, lines int) func() *client.Tokens {
	turn := nth
	return func() *client.Tokens {
		who := s[turn%len(s)]
		turn += lines
		return who
	}
}

// Settle has a clinician read the roster once, unmeasured, which waits until the server has worked out what uploads have left to be
// worked out.
func (l *Load) Settle(ctx context.Context, c Clinic) error {
	staff, err := l.staff(c)
	if err != nil {
		return err
	}
	on := l.newLine()
	defer on.end()
	return on.call(ctx, staff[0], request{method: http.MethodGet, path: "/v1/roster?limit=1"}, unread{})
}

// Summaries has clinicians read the summary of every learner, from eight connections or fewer.
func (l *Load) Summaries(ctx context.Context, c Clinic) (Measured, error) {
	staff, err := l.staff(c)
	if err != nil {
		return Measured{}, err
	}
	lines := l.lines(min(l.Connections, clinicLines))
	return l.together(ctx, "summary", lines, func(ctx context.Context, nth int, on *line) {
		next := staff.turns(nth, len(lines))
		share(ctx, l.phones, nth, len(lines), func(p *phone) {
			_ = on.call(ctx, next(), request{method: http.MethodGet, path: "/v1/learners/" + p.learner + "/summary"}, unread{}) // it is counted
		})
	}), nil
}

// again is how often each clinician reads one summary again: fewer times than the server lets anybody call without a pause, with what
// else they read.
const again = 100

// SummaryAgain has clinicians read one learner's summary over and over, from eight connections or fewer, after it was read once on each:
// what the server keeps of it is what makes the difference to Summaries.
func (l *Load) SummaryAgain(ctx context.Context, c Clinic) (Measured, error) {
	staff, err := l.staff(c)
	if err != nil {
		return Measured{}, err
	}
	lines := l.lines(min(l.Connections, clinicLines))
	r := request{method: http.MethodGet, path: "/v1/learners/" + l.phones[0].learner + "/summary"}
	if err := l.warm(ctx, lines, staff, r); err != nil {
		return Measured{}, err
	}
	return l.together(ctx, "one summary", lines, func(ctx context.Context, nth int, on *line) {
		next := staff.turns(nth, len(lines))
		share(ctx, make([]struct{}, again*len(staff)), nth, len(lines), func(struct{}) {
			_ = on.call(ctx, next(), r, unread{}) // it is counted
		})
	}), nil
}

// warm makes one call on every line, all at once, which is not counted: what connecting takes is not what is to be measured.
func (l *Load) warm(ctx context.Context, lines []*line, as staff, r request) error {
	failed := make([]error, len(lines))
	var all sync.WaitGroup
	for i, on := range lines {
		all.Go(func() { failed[i] = on.call(ctx, as[i%len(as)], r, unread{}) })
	}
	all.Wait()
	new(Measured).gather(lines, l.Now())
	return errors.Join(failed...)
}

// Roster has clinicians read the roster, from eight connections or fewer, each from its first page to its last in every one of its
// orders, after one page on each.
func (l *Load) Roster(ctx context.Context, c Clinic) (Measured, error) {
	staff, err := l.staff(c)
	if err != nil {
		return Measured{}, err
	}
	lines := l.lines(min(l.Connections, clinicLines))
	first := request{method: http.MethodGet, path: "/v1/roster?limit=" + strconv.Itoa(rosterPage)}
	if err := l.warm(ctx, lines, staff, first); err != nil {
		return Measured{}, err
	}
	return l.together(ctx, "roster page", lines, func(ctx context.Context, nth int, on *line) {
		next, orders := staff.turns(nth, len(lines)), rosterOrders()
		for i := range orders {
			query := url.Values{"order": {orders[(nth+i)%len(orders)]}, "limit": {strconv.Itoa(rosterPage)}}
			on.pages(ctx, next, "/v1/roster", query)
		}
	}), nil
}

// pages reads a list from its first page to its last.
func (l *line) pages(ctx context.Context, next func() *client.Tokens, path string, query url.Values) {
	for range maxPages {
		var got page
		err := l.call(ctx, next(), request{method: http.MethodGet, path: path + "?" + query.Encode()}, &got)
		if err != nil || got.cursor == nil || ctx.Err() != nil {
			return
		}
		query.Set("cursor", *got.cursor)
	}
}

// Scheduler is a program that sends reminders, and the instant as of which it looks for those that are due.
type Scheduler struct {
	Token string
	AsOf  time.Time
}

var errServiceToken = errors.New("a program's token is not renewed")

func (s Scheduler) tokens() (*client.Tokens, error) {
	return client.OpenTokens(&client.MemoryTokens{Pair: client.Pair{Access: s.Token}}, func(context.Context, string) (client.Pair, error) {
		return client.Pair{}, errServiceToken
	})
}

// Overdue has a scheduler read every page of what is due, in the largest pages there are.
func (l *Load) Overdue(ctx context.Context, s Scheduler) (Measured, error) {
	who, err := s.tokens()
	if err != nil {
		return Measured{}, err
	}
	return l.together(ctx, "overdue page", l.lines(1), func(ctx context.Context, _ int, on *line) {
		query := url.Values{"limit": {strconv.Itoa(largestPage)}, "as_of": {s.AsOf.UTC().Format(time.RFC3339)}}
		on.pages(ctx, func() *client.Tokens { return who }, "/v1/reminders/overdue", query)
	}), nil
}

// Claims has a scheduler claim all that is due, as much at a time as it may, and returns how many reminders that were.
func (l *Load) Claims(ctx context.Context, s Scheduler) (m Measured, claimed int, err error) {
	who, err := s.tokens()
	if err != nil {
		return m, 0, err
	}
	body, err := json.Marshal(map[string]any{"limit": largestPage, "as_of": s.AsOf.UTC()})
	if err != nil {
		return m, 0, fmt.Errorf("write a claim: %w", err)
	}
	m = l.together(ctx, "claim", l.lines(1), func(ctx context.Context, _ int, on *line) {
		for range maxPages {
			var got struct {
				Claimed []struct{} `json:"claimed"`
			}
			err := on.call(ctx, who, request{method: http.MethodPost, path: "/v1/reminders/claims", body: body}, &got)
			claimed += len(got.Claimed)
			if err != nil || len(got.Claimed) == 0 || ctx.Err() != nil {
				return
			}
		}
	})
	return m, claimed, nil
}
