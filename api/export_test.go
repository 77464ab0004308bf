package api

import (
	"github.com/labstack/echo/v4"

	"swallowtail/internal/clinic"
)

// GuardOf returns what stands before an operation that is not open, alone.
func GuardOf(c Config) (func(operation string, next echo.HandlerFunc) echo.HandlerFunc, error) {
	s := &server{Config: c}
	var err error
	s.limits, err = newLimiter(c.Limits, nil)
	return func(operation string, next echo.HandlerFunc) echo.HandlerFunc {
		return located(s.limited(s.guarded(clinic.Operation(operation))(next)))
	}, err
}
