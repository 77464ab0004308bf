package clinic

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/calendar"
	"swallowtail/internal/reminder"
)

// feedRefresh is how often a calendar program is asked to look again.
const feedRefresh = time.Hour

// feedSuffix is what calendar programs like an address to end with.
const feedSuffix = ".ics"

// CreatedFeed is a feed with its address, which is shown once and not kept.
type CreatedFeed struct {
	CalendarFeed
	URL string
}

// CreateCalendarFeed opens a calendar feed for the caregiver whose device asks.
func (s *Service) CreateCalendarFeed(ctx context.Context, p access.Principal, now time.Time) (CreatedFeed, error) {
	var random [17]byte
	if _, err := io.ReadFull(s.Random, random[:]); err != nil {
		return CreatedFeed{}, fmt.Errorf("make a feed's secret: %w", err)
	}
	secret := access.NewFeedSecret(random)
	feed := CalendarFeed{ID: s.NewID(), Household: p.HouseholdID, Caregiver: p.CaregiverID, Hash: s.Keys.HashFeed(secret), Created: now}
	err := s.changes(ctx, p, "createCalendarFeed", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		a.row.Thing = feed.ID
		if s.PublicURL == "" {
			return errNoPublicURL
		}
		known, err := tx.CalendarFeeds(ctx, a.CaregiverID)
		if err != nil {
			return err
		}
		if len(known) >= maxAddresses {
			return errTooManyAddresses
		}
		return tx.AddCalendarFeed(ctx, feed)
	})
	return CreatedFeed{CalendarFeed: feed, URL: s.feedURL(secret)}, err
}

func (s *Service) feedURL(secret string) string {
	return s.PublicURL + "/v1/calendars/" + secret + feedSuffix
}

// CalendarFeeds returns the feeds of the caregiver whose device asks, the oldest first.
func (s *Service) CalendarFeeds(ctx context.Context, p access.Principal, now time.Time) ([]CalendarFeed, error) {
	return looks(ctx, s, p, "listCalendarFeeds", now, func(ctx context.Context, view View, a *ask) ([]CalendarFeed, error) {
		feeds, err := view.CalendarFeeds(ctx, a.CaregiverID)
		slices.SortStableFunc(feeds, func(a, b CalendarFeed) int { return a.Created.Compare(b.Created) })
		return feeds, err
	})
}

// RevokeCalendarFeed closes a feed of the caregiver whose device asks.
func (s *Service) RevokeCalendarFeed(ctx context.Context, p access.Principal, id uuid.UUID, now time.Time) error {
	return s.changes(ctx, p, "revokeCalendarFeed", now, func(ctx context.Context, tx Tx, a *ask, note note) error {
		a.row.Thing = id
		feed, err := tx.CalendarFeed(ctx, id)
		if err == nil {
			err = a.owns(owner{clinic: a.ClinicID, household: feed.Household, caregiver: feed.Caregiver})
		}
		if err != nil {
			return notThere(err)
		}
		note(CalendarFeedRevoked{Feed: id})
		return tx.RemoveCalendarFeed(ctx, id)
	})
}

// Calendar returns the iCalendar document of a feed by the secret part of its address, at the zero instant of changes the same octets
// whenever it is asked for. A feed is served for as long as its caregiver's consent stands and one of their devices has not been
// revoked; otherwise it is not there. It tells when practice is, and nothing of how it goes. Calendar programs ask every few
// minutes, so nothing goes on the audit trail.
func (s *Service) Calendar(ctx context.Context, secret string, now time.Time) ([]byte, error) {
	secret = strings.ToLower(strings.TrimSuffix(secret, feedSuffix))
	feed := calendar.Feed{Source: s.feedURL(secret), Refresh: feedRefresh}
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		found, err := view.CalendarFeedByHash(ctx, s.Keys.HashFeed(secret))
		if err != nil {
			return notThere(err)
		}
		if err := s.mayStillRead(ctx, view, &found); err != nil {
			return err
		}
		f, err := s.loadFamily(ctx, view, found.Household)
		if err != nil {
			return err
		}
		feed.Events = f.events(now)
		return nil
	})
	if err != nil {
		return nil, err
	}
	var doc bytes.Buffer
	err = feed.Write(&doc)
	return doc.Bytes(), err
}

// mayStillRead returns ErrNotThere unless whoever opened a feed may still know of the household.
func (s *Service) mayStillRead(ctx context.Context, view View, feed *CalendarFeed) error {
	person, err := view.Caregiver(ctx, feed.Caregiver)
	if err != nil {
		return err
	}
	devices, err := view.Devices(ctx, feed.Household)
	if err != nil {
		return err
	}
	active := func(d Device) bool { return d.Caregiver == person.ID && d.Revoked.IsZero() }
	if !person.Withdrawn.IsZero() || !slices.ContainsFunc(devices, active) {
		return ErrNotThere
	}
	return nil
}

// events returns the evenings of a household's learners; of learners who practise at the same time one event.
func (f *family) events(now time.Time) []calendar.Event {
	var events []calendar.Event
	taken := map[time.Time]bool{}
	for _, learner := range f.learners {
		v := f.view(learner.ID, now)
		for _, e := range reminder.Evenings(&v) {
			at := e.At.UTC()
			if taken[at] {
				continue
			}
			taken[at] = true
			events = append(events, calendar.Event{UID: e.ID.String(), At: at, Changed: e.Set.UTC(), Sequence: e.Moves})
		}
	}
	slices.SortStableFunc(events, func(a, b calendar.Event) int { return a.At.Compare(b.At) })
	return events
}
