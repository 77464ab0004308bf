// Package api is the HTTP side of the service: requests in, answers and problem documents out, as openapi/openapi.yaml
// describes them. No rule of the trade is in it; those are the use cases' (internal/clinic) and the fold's
// (internal/practice).
package api

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"swallowtail/api/oas"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// Config is what the server works with. Every field must be set.
type Config struct {
	Service *clinic.Service
	Keys    *access.Keys
	Log     *slog.Logger
	Now     func() time.Time
}

// server answers the operations of the description.
type server struct {
	Config
	docs []byte
}

// New returns the handler of the whole API.
func New(c Config) (http.Handler, error) {
	d, err := describe()
	if err != nil {
		return nil, fmt.Errorf("read the API description: %w", err)
	}
	clock := c.Now
	c.Now = func() time.Time { return clock().Truncate(time.Millisecond) } // as the store keeps instants
	s := &server{Config: c, docs: d.page}
	guards, err := s.guards(d.operations)
	if err != nil {
		return nil, err
	}
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.Logger.SetOutput(io.Discard) // what is logged is logged by the middleware, with ids only
	e.IPExtractor = echo.ExtractIPDirect()
	e.Binder = binder{}
	e.HTTPErrorHandler = s.answerError
	e.Use(located, s.logged, s.recovered, secured, compressed(), readBody)
	oas.RegisterHandlersWithOptions(e, oas.NewStrictHandler(s, nil), oas.RegisterHandlersOptions{
		OperationMiddlewares: guards,
	})
	return e, nil
}

// guards returns, for each operation, the check of who asks. It comes before the body is read into anything. An operation of
// which the table of rights says nothing is an error.
func (s *server) guards(operations []clinic.Operation) (map[string][]echo.MiddlewareFunc, error) {
	rights := clinic.NewRights()
	guards := map[string][]echo.MiddlewareFunc{}
	for _, op := range operations {
		rule, known := rights.Rule(op)
		switch {
		case !known:
			return nil, fmt.Errorf("the table of rights says nothing of the operation %s", op)
		case !rule.Open:
			guards[string(op)] = []echo.MiddlewareFunc{s.guarded(op)}
		}
	}
	return guards, nil
}
