package client

import (
	"context"
	"errors"
	"fmt"
	"net/http"
)

var (
	// ErrAnswer is wrapped by the errors of answers that break the contract; nothing of them was applied.
	ErrAnswer = errors.New("the server's answer breaks the contract")
	// ErrDigest says that after pulling from the beginning what is known still does not give the server's digest.
	ErrDigest = errors.New("what is known does not give the server's digest")
	// ErrRounds says that a Sync made as many calls as it may before it was done. The next one goes on from there.
	ErrRounds = errors.New("not in step after the most calls allowed")
)

// Report says what a Sync did, also when it ended in an error.
type Report struct {
	Calls       int  // calls made
	Pushed      int  // entries that the server answered for
	Pulled      int  // changes applied
	StartedOver int  // times the pull started over
	Overtaken   int  // answers dropped because another call was faster
	UploadOnly  bool // the device is revoked: it may hand in, but reads nothing
}

// Sync pushes the outbox and pulls the feed until the device is in step. It changes only what it saves, so it can be
// broken off at any moment and may run beside others. A refusal it cannot deal with itself is returned as a *Problem,
// wrapped: 429, 503 and 507 with RetryAfter, 401 after the transport's attempt to refresh its tokens.
func (d *Device) Sync(ctx context.Context) (Report, error) {
	r := &run{
		device: d, offered: map[int64]bool{}, limit: batchLimit{entries: maxBatchEntries, bytes: maxBatchBytes},
	}
	for range d.maxRounds {
		done, err := r.round(ctx)
		if err != nil {
			return r.report, fmt.Errorf("sync: %w", err)
		}
		if done {
			return r.report, nil
		}
	}
	return r.report, fmt.Errorf("sync: %w", ErrRounds)
}

// run is one Sync.
type run struct {
	device  *Device
	limit   batchLimit
	offered map[int64]bool // items that the server has answered for in this run, by Seq
	report  Report
}

// call is what was sent, and where the device stood then.
type call struct {
	request    Request
	items      []Pending // the items of request.Entries
	generation int64
}

func (r *run) round(ctx context.Context) (done bool, err error) {
	c, err := r.prepare()
	if err != nil {
		return false, err
	}
	r.report.Calls++
	answer, err := r.device.transport.Sync(ctx, c.request)
	if err != nil {
		return false, r.refused(c, err)
	}
	return r.answered(c, answer)
}

func (r *run) prepare() (call, error) {
	d := r.device
	d.mu.Lock()
	defer d.mu.Unlock()
	items, err := d.state.batch(r.limit, r.offered)
	if err != nil {
		return call{}, err
	}
	c := call{items: items, generation: d.state.Generation, request: Request{
		Schema: Schema, SentAt: d.pen.now(), Limit: d.pageLimit, Entries: make([]Entry, 0, len(items)),
	}}
	if d.state.Cursor != "" {
		cursor := d.state.Cursor
		c.request.Cursor = &cursor
	}
	for _, item := range items {
		c.request.Entries = append(c.request.Entries, item.Entry)
	}
	return c, nil
}

// overtakenLocked tells whether the device has moved on since the call was sent.
func (r *run) overtakenLocked(c call) bool {
	sent := ""
	if c.request.Cursor != nil {
		sent = *c.request.Cursor
	}
	state := r.device.state
	if sent == state.Cursor && c.generation == state.Generation {
		return false
	}
	r.report.Overtaken++
	return true
}

// refused deals with a refusal; nil means to call again.
func (r *run) refused(c call, err error) error {
	problem := AsProblem(err)
	switch {
	case problem == nil:
		return err
	case problem.Type == TypeDiverged && c.request.Cursor != nil:
		return r.startOver(c, problem.Epoch())
	case problem.Status == http.StatusRequestEntityTooLarge && len(c.items) > 1:
		r.limit = batchLimit{entries: len(c.items), bytes: r.limit.bytes}.halved()
		return nil
	case problem.Status == http.StatusRequestEntityTooLarge && len(c.items) == 1:
		return r.tooLarge(c, problem)
	}
	return err
}

func (r *run) startOver(c call, epoch string) error {
	d := r.device
	d.mu.Lock()
	defer d.mu.Unlock()
	if r.overtakenLocked(c) {
		return nil
	}
	return r.saveStartLocked(d.state.startedOver(epoch, d.writer))
}

// saveStartLocked saves the state of a pull that starts over. What the server answered for before counts for nothing.
func (r *run) saveStartLocked(next State) error {
	if err := r.device.saveLocked(next); err != nil {
		return err
	}
	r.report.StartedOver++
	clear(r.offered)
	return nil
}

// tooLarge marks an entry that does not fit into a call of its own, so that it is not in the way of the others.
func (r *run) tooLarge(c call, problem *Problem) error {
	d := r.device
	d.mu.Lock()
	defer d.mu.Unlock()
	results := []Result{{ID: c.items[0].Entry.ID, Status: TooLarge, Problem: problem}}
	return d.saveLocked(d.state.withResults(c.items, results))
}

func (r *run) answered(c call, answer Response) (done bool, err error) {
	if err := checkAnswer(c, answer); err != nil {
		return false, err
	}
	d := r.device
	d.mu.Lock()
	defer d.mu.Unlock()
	if r.overtakenLocked(c) {
		return false, nil
	}
	r.noteAnswered(c, len(answer.Changes))
	if answer.Cursor == nil {
		r.report.UploadOnly = true
		err = d.saveLocked(d.state.withHandedIn(c.items, answer.Results))
	} else {
		err = r.applyLocked(c, answer)
	}
	if err != nil {
		return false, err
	}
	return r.doneLocked(answer)
}

// applyLocked saves a page together with its cursor. After the last page the digest decides whether to start over.
func (r *run) applyLocked(c call, page Response) error {
	d := r.device
	next, err := d.state.withResults(c.items, page.Results).withPage(page, d.writer)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrAnswer, err)
	}
	if page.More {
		return d.saveLocked(next)
	}
	digest, err := next.Digest()
	if err != nil {
		return fmt.Errorf("%w: %w", ErrAnswer, err)
	}
	if digest == page.Digest {
		next.Doubted = false
		return d.saveLocked(next)
	}
	if next.Doubted {
		return errors.Join(ErrDigest, d.saveLocked(next))
	}
	next = next.startedOver(next.Epoch, d.writer)
	next.Doubted = true
	return r.saveStartLocked(next)
}

func (r *run) noteAnswered(c call, changes int) {
	for _, item := range c.items {
		r.offered[item.Seq] = true
	}
	r.report.Pushed += len(c.items)
	r.report.Pulled += changes
}

// doneLocked tells whether nothing is left to pull or to offer.
func (r *run) doneLocked(answer Response) (bool, error) {
	state := r.device.state
	if answer.More || (answer.Cursor != nil && state.Cursor != *answer.Cursor) {
		return false, nil
	}
	left, err := state.batch(r.limit, r.offered)
	return len(left) == 0, err
}

// checkAnswer refuses an answer that cannot be one to the call.
func checkAnswer(c call, answer Response) error {
	switch {
	case answer.Results == nil || len(answer.Results) != len(c.items):
		return fmt.Errorf("%w: %d results for %d entries", ErrAnswer, len(answer.Results), len(c.items))
	case answer.Cursor == nil && len(answer.Changes) > 0, answer.Cursor != nil && *answer.Cursor == "":
		return fmt.Errorf("%w: a page without a cursor", ErrAnswer)
	}
	for i, item := range c.items {
		if answer.Results[i].ID != item.Entry.ID {
			return fmt.Errorf("%w: result %d is not for the entry that was sent", ErrAnswer, i)
		}
	}
	return nil
}
