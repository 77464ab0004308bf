package api

import (
	"errors"
	"log/slog"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"swallowtail/internal/fault"
)

// statuses is the one place where a kind of fault becomes a status.
var statuses = map[fault.Kind]int{
	fault.Internal:         http.StatusInternalServerError,
	fault.Unreadable:       http.StatusBadRequest,
	fault.Unauthenticated:  http.StatusUnauthorized,
	fault.Forbidden:        http.StatusForbidden,
	fault.NotFound:         http.StatusNotFound,
	fault.Conflict:         http.StatusConflict,
	fault.TooLarge:         http.StatusRequestEntityTooLarge,
	fault.UnsupportedMedia: http.StatusUnsupportedMediaType,
	fault.Invalid:          http.StatusUnprocessableEntity,
	fault.RateLimited:      http.StatusTooManyRequests,
	fault.Unavailable:      http.StatusServiceUnavailable,
	fault.OutOfSpace:       http.StatusInsufficientStorage,
}

// retryAfter is how many seconds a client waits before it tries again when the server is away or full.
const retryAfter = 30

// waitOf returns how many seconds a client waits before it tries again.
func waitOf(f *fault.Error) int {
	if f.Wait <= 0 {
		return retryAfter
	}
	return int((f.Wait + time.Second - 1) / time.Second) // so that the wait is over by then
}

// answerError answers a request that failed with a problem document (RFC 9457). What is not a fault is internal: it is
// logged, and nothing of it leaves the server.
func (s *server) answerError(err error, c echo.Context) {
	if c.Response().Committed {
		return
	}
	f := faultOf(err)
	status := statuses[f.Kind]
	if e, ok := errors.AsType[*echo.HTTPError](err); ok && e.Code == http.StatusMethodNotAllowed {
		status = e.Code
	}
	switch {
	case c.Request().Context().Err() != nil:
		// Whoever asked is gone, which is their network's doing and no failure of the server.
		s.Log.Info("call broken off", slog.String("route", c.Path()))
	case status >= http.StatusInternalServerError:
		s.Log.Error("request failed", slog.String("route", c.Path()), slog.String("error", err.Error()))
	}
	s.Metrics.refused(f.Problem)
	header := c.Response().Header()
	switch status {
	case http.StatusUnauthorized:
		header.Set("WWW-Authenticate", "Bearer")
	case http.StatusTooManyRequests, http.StatusServiceUnavailable, http.StatusInsufficientStorage:
		header.Set("Retry-After", strconv.Itoa(waitOf(f)))
	}
	instance, _ := withoutSecret(c.Request().URL)
	if err := c.Blob(status, "application/problem+json", encodeProblem(f, status, instance)); err != nil {
		s.Log.Warn("answer not delivered", slog.String("route", c.Path()))
	}
}

// ProblemOf returns the problem document with which an error of a use case is answered.
func ProblemOf(err error) []byte {
	f := faultOf(err)
	return encodeProblem(f, statuses[f.Kind], "")
}

func encodeProblem(f *fault.Error, status int, instance string) []byte {
	body, err := json.Marshal(problemOf(f, status, instance), json.Deterministic(true))
	if err != nil {
		return []byte(`{}`) // texts and numbers always encode
	}
	return body
}

// problemOf returns the problem document of a fault.
func problemOf(f *fault.Error, status int, instance string) map[string]any {
	doc := map[string]any{}
	for name, value := range f.Extra {
		doc[name] = value
	}
	doc["type"] = "/problems/" + f.Problem
	doc["title"] = titleOf(f.Problem)
	doc["status"] = status
	doc["detail"] = f.Detail
	doc["instance"] = instance
	if f.Wait > 0 {
		doc["retry_after"] = waitOf(f)
	}
	if len(f.Fields) > 0 {
		var places []map[string]string
		for _, field := range f.Fields {
			places = append(places, map[string]string{"pointer": field.Pointer, "detail": field.Detail})
		}
		doc["errors"] = places
	}
	return doc
}

// titleOf words a problem's slug: entry-invalid becomes "Entry invalid".
func titleOf(slug string) string {
	words := strings.ReplaceAll(slug, "-", " ")
	return strings.ToUpper(words[:1]) + words[1:]
}

// faultOf returns an error as a fault.
func faultOf(err error) *fault.Error {
	if f, ok := errors.AsType[*fault.Error](err); ok {
		return f
	}
	if e, ok := errors.AsType[*echo.HTTPError](err); ok {
		return faultOfRouting(e)
	}
	return fault.New(fault.Internal, "internal", "Something went wrong in the server: try again, and tell whoever runs it.")
}

// named finds the name of the parameter in what generated code says of one that it can't read. The rest of that text
// names Go types and is of no use to a client.
var named = regexp.MustCompile(`parameter ([a-z_]+)`)

func faultOfRouting(e *echo.HTTPError) *fault.Error {
	switch e.Code {
	case http.StatusNotFound:
		return fault.New(fault.NotFound, "not-found", "There is no such address.")
	case http.StatusMethodNotAllowed:
		return fault.New(fault.Unreadable, "method-not-allowed", "This address does not take this method.")
	case http.StatusBadRequest:
		detail := "A parameter can't be read."
		if text, ok := e.Message.(string); ok {
			if match := named.FindStringSubmatch(text); match != nil {
				detail = "The parameter " + match[1] + " can't be read: see its form in the API description."
			}
		}
		return fault.New(fault.Unreadable, "parameter-unreadable", detail)
	}
	return fault.New(fault.Internal, "internal", "Something went wrong in the server: try again, and tell whoever runs it.")
}
