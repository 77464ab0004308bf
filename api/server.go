// Package api is the HTTP side of the service: requests in, answers and problem documents out, as openapi/openapi.yaml
// describes them. No rule of the trade is in it; those are the use cases' (internal/clinic) and the fold's
// (internal/practice).
package api

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/netip"
	"time"

	"github.com/labstack/echo/v4"

	"swallowtail/api/oas"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// Config is what the server works with. Every field must be set but those of the edges, whose zero value is said with each.
type Config struct {
	Service *clinic.Service
	Keys    *access.Keys
	Log     *slog.Logger
	Now     func() time.Time

	Limits  Limits         // none
	Proxies []netip.Prefix // none is trusted: the address is the connection's
	Origins []string       // none: no page of another origin may call (RFC 6454)
	Metrics *Metrics       // none
}

// server answers the operations of the description.
type server struct {
	Config
	limits *limiter
	docs   []byte
	paths  map[string]bool  // as echo spells them
	exact  func() time.Time // finer than the store keeps instants
}

// New returns the handler of the whole API.
func New(c Config) (http.Handler, error) {
	d, err := describe()
	if err != nil {
		return nil, fmt.Errorf("read the API description: %w", err)
	}
	clock := c.Now
	c.Now = func() time.Time { return clock().Truncate(time.Millisecond) } // as the store keeps instants
	s := &server{Config: c, docs: d.page, paths: map[string]bool{}, exact: clock}
	rights := clinic.NewRights()
	guards, err := s.guards(d.operations, rights)
	if err != nil {
		return nil, err
	}
	for _, op := range d.operations {
		s.paths[op.path] = true
	}
	if s.limits, err = newLimiter(c.Limits, secretsOf(d.operations, rights)); err != nil {
		return nil, fmt.Errorf("limits: %w", err)
	}
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.Logger.SetOutput(io.Discard) // what is logged is logged by the middleware, with ids only
	e.IPExtractor = addressOf(c.Proxies)
	e.Binder = binder{}
	e.HTTPErrorHandler = s.answerError
	e.Use(located, s.measured, s.logged, s.recovered, secured(d.page), shared(c.Origins), s.limited, compressed(), readBody)
	oas.RegisterHandlersWithOptions(e, oas.NewStrictHandler(s, nil), oas.RegisterHandlersOptions{
		OperationMiddlewares: guards,
	})
	return e, nil
}

// guards returns, for each operation, the check of who asks. It comes before the body is read into anything. An operation of
// which the table of rights says nothing is an error.
func (s *server) guards(operations []route, rights *clinic.Rights) (map[string][]echo.MiddlewareFunc, error) {
	guards := map[string][]echo.MiddlewareFunc{}
	for _, op := range operations {
		rule, known := rights.Rule(op.id)
		switch {
		case !known:
			return nil, fmt.Errorf("the table of rights says nothing of the operation %s", op.id)
		case !rule.Open:
			guards[string(op.id)] = []echo.MiddlewareFunc{s.guarded(op.id)}
		}
	}
	return guards, nil
}
