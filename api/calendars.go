package api

import (
	"context"
	"crypto/sha256"
	"net/http"
	"strings"

	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
)

// CreateCalendarFeed makes a calendar feed for the caregiver who asks.
func (s *server) CreateCalendarFeed(ctx context.Context, _ oas.CreateCalendarFeedRequestObject) (oas.CreateCalendarFeedResponseObject, error) {
	f, err := s.Service.CreateCalendarFeed(ctx, caller(ctx), s.Now())
	return oas.CreateCalendarFeed201JSONResponse{ID: f.ID.String(), URL: f.URL, CreatedAt: f.Created.UTC()}, err
}

// ListCalendarFeeds lists the feeds of the caregiver who asks.
func (s *server) ListCalendarFeeds(ctx context.Context, _ oas.ListCalendarFeedsRequestObject) (oas.ListCalendarFeedsResponseObject, error) {
	feeds, err := s.Service.CalendarFeeds(ctx, caller(ctx), s.Now())
	if err != nil {
		return nil, err
	}
	doc := oas.ListCalendarFeeds200JSONResponse{Feeds: []oas.CalendarFeed{}}
	for _, f := range feeds {
		doc.Feeds = append(doc.Feeds, oas.CalendarFeed{ID: f.ID.String(), CreatedAt: f.Created.UTC()})
	}
	return doc, nil
}

// RevokeCalendarFeed ends a feed.
func (s *server) RevokeCalendarFeed(ctx context.Context, r oas.RevokeCalendarFeedRequestObject) (oas.RevokeCalendarFeedResponseObject, error) {
	id, err := pathID(r.Feed)
	if err != nil {
		return nil, err
	}
	return oas.RevokeCalendarFeed204Response{}, s.Service.RevokeCalendarFeed(ctx, caller(ctx), id, s.Now())
}

// calendarKind is the media type of a calendar (RFC 5545, section 8.1).
const calendarKind = "text/calendar; charset=utf-8"

// calendar is a calendar, or word that it is the one that the caller has. The caller may keep it, and asks each time whether it
// still holds.
type calendar struct{ taggedAnswer }

// VisitGetCalendarResponse implements oas.GetCalendarResponseObject.
func (c calendar) VisitGetCalendarResponse(w http.ResponseWriter) error {
	w.Header().Set("Cache-Control", "private, no-cache")
	return c.write(w)
}

// GetCalendar gives the calendar of a feed to whoever has its address.
func (s *server) GetCalendar(ctx context.Context, r oas.GetCalendarRequestObject) (oas.GetCalendarResponseObject, error) {
	secret := strings.TrimSuffix(r.Secret, ".ics")
	if !secretForm.MatchString(secret) {
		return nil, clinic.ErrNotThere
	}
	body, err := s.Service.Calendar(ctx, secret, s.Now())
	if err != nil {
		return nil, err
	}
	return calendar{taggedAnswer{
		answer: answer{status: http.StatusOK, body: body, kind: calendarKind},
		tag:    tagOf(sha256.Sum256(body)), known: textOr(r.Params.IfNoneMatch),
	}}, nil
}
