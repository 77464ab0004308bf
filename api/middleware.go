package api

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"net/netip"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// located notes where a request comes from.
func located(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		from, err := netip.ParseAddr(c.RealIP())
		if err != nil {
			from = netip.Addr{} // no network, as in tests without a connection
		}
		r := c.Request()
		c.SetRequest(r.WithContext(access.WithOrigin(r.Context(), from)))
		return next(c)
	}
}

// logged writes one line for each request: what was asked by route, never by address or content.
func (s *server) logged(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		began := s.Now()
		err := next(c)
		if err != nil {
			c.Error(err)
		}
		s.Log.LogAttrs(c.Request().Context(), slog.LevelInfo, "request",
			slog.String("method", methodOf(c.Request())), slog.String("route", c.Path()),
			slog.Int("status", c.Response().Status), slog.Int64("bytes", c.Response().Size),
			slog.Duration("took", s.Now().Sub(began).Round(time.Microsecond)))
		return nil
	}
}

// recovered turns a panic into an internal error, so that one request can't end the server.
func (s *server) recovered(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		defer func() {
			r := recover()
			if r == nil {
				return
			}
			if r == http.ErrAbortHandler { //nolint:errorlint // net/http asks for exactly this value
				panic(r)
			}
			// Of what it panicked with only the type: the rest may be what was sent.
			s.Log.Error("panic", slog.String("route", c.Path()), slog.String("with", fmt.Sprintf("%T", r)),
				slog.String("stack", string(debug.Stack())))
			err = fmt.Errorf("panic in %s", c.Path())
		}()
		return next(c)
	}
}

// compressed compresses answers that are worth it. A stream is not: it would hold a compressor for each listener, and events
// back.
func compressed() echo.MiddlewareFunc {
	stream := func(c echo.Context) bool { return c.Path() == streamPath }
	return middleware.GzipWithConfig(middleware.GzipConfig{MinLength: 1024, Skipper: stream})
}

var (
	errTooLarge = fault.New(fault.TooLarge, "too-large", "The body is too large, after decompression: hand in less at a time.").
			With("limits", map[string]int{"bytes": clinic.MaxBody, "entries": clinic.MaxEntries})
	errNotJSON     = fault.New(fault.UnsupportedMedia, "unsupported-media-type", "Send JSON, with the content type application/json.")
	errEncoding    = fault.New(fault.UnsupportedMedia, "unsupported-encoding", "Send the body as it is or compressed with gzip.")
	errUncompress  = fault.New(fault.Unreadable, "body-unreadable", "The body is not the gzip that its Content-Encoding says it is.")
	errInterrupted = fault.New(fault.Unreadable, "body-unreadable", "The body could not be read to its end.")

	errNotForm   = fault.New(fault.UnsupportedMedia, "unsupported-media-type", "Send a form with List-Unsubscribe=One-Click, or no body.")
	errLargeForm = fault.New(fault.TooLarge, "too-large", "The body is too large: send a form with List-Unsubscribe=One-Click, or no body.").
			With("limits", map[string]int{"bytes": maxForm})
)

// maxForm is how many octets the form of a mail program may have. What it must hold is 26 (RFC 8058, section 3.1).
const maxForm = 4096

// readBody reads a body whole, decompressed and within its bound, before anything looks at it.
func readBody(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		if r.Method == http.MethodPost && c.Path() == unsubscribeRoute {
			if err := passOver(r); err != nil {
				return err
			}
		}
		if r.Method != http.MethodPost || r.ContentLength == 0 {
			return next(c)
		}
		kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
		if err != nil || kind != "application/json" {
			return errNotJSON
		}
		body, err := inflated(r)
		if err != nil {
			return err
		}
		r.Body = &wholeBody{Reader: bytes.NewReader(body), octets: body}
		r.ContentLength = int64(len(body))
		r.Header.Del("Content-Encoding")
		return next(c)
	}
}

// passOver takes the form that a mail program sends off a request. Nothing is read of it: that it was sent says all.
func passOver(r *http.Request) error {
	size, err := io.Copy(io.Discard, io.LimitReader(r.Body, maxForm+1))
	switch {
	case size > maxForm:
		return errLargeForm
	case err != nil:
		return errInterrupted.Because(err)
	}
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if form := kind == "application/x-www-form-urlencoded" || kind == "multipart/form-data"; size > 0 && (err != nil || !form) {
		return errNotForm
	}
	r.Body, r.ContentLength = http.NoBody, 0
	r.Header.Del("Content-Type")
	return nil
}

// wholeBody is a body that has been read already.
type wholeBody struct {
	*bytes.Reader
	octets []byte
}

// Close implements io.Closer.
func (*wholeBody) Close() error { return nil }

// usualBody is room for an evening, and more than most bodies need. Only as much is taken before there is that much: what a body says
// of its own length may be anything.
const usualBody = 8 << 10

func inflated(r *http.Request) ([]byte, error) {
	var from io.Reader = r.Body
	room := min(r.ContentLength, usualBody)
	switch strings.ToLower(r.Header.Get("Content-Encoding")) {
	case "", "identity":
	case "gzip":
		// What hardly compresses grows a little, so the bound that tells is the one after decompression.
		unzipped, err := inflaterOf(io.LimitReader(r.Body, 2*clinic.MaxBody))
		if err != nil {
			return nil, errUncompress.Because(err)
		}
		defer giveBack(unzipped)
		from, room = unzipped, usualBody
	default:
		return nil, errEncoding
	}
	body := bytes.NewBuffer(make([]byte, 0, max(room, 0)+bytes.MinRead))
	_, err := body.ReadFrom(io.LimitReader(from, clinic.MaxBody+1))
	switch {
	case body.Len() > clinic.MaxBody:
		return nil, errTooLarge
	case errors.Is(err, gzip.ErrChecksum) || errors.Is(err, gzip.ErrHeader):
		return nil, errUncompress.Because(err)
	case err != nil:
		return nil, errInterrupted.Because(err)
	}
	return body.Bytes(), nil
}

// inflaters are kept for the next body, since each has a window of 32 KiB (RFC 1951, section 2).
var inflaters sync.Pool

// inflaterOf returns an inflater that has read the header of what it is to inflate.
func inflaterOf(from io.Reader) (*gzip.Reader, error) {
	kept, ok := inflaters.Get().(*gzip.Reader)
	if !ok {
		return gzip.NewReader(from)
	}
	if err := kept.Reset(from); err != nil {
		giveBack(kept)
		return nil, err
	}
	return kept, nil
}

// giveBack keeps an inflater, but nothing of what it has inflated: Reset begins all anew, whatever came of the last body.
func giveBack(inflater *gzip.Reader) {
	_ = inflater.Reset(bytes.NewReader(nil)) // in which there is no header
	inflaters.Put(inflater)
}

var errNoToken = fault.New(fault.Unauthenticated, "token-required", "Send an access token: Authorization: Bearer and the token.")

// guarded lets a request through to an operation that its caller may ask for.
func (s *server) guarded(op clinic.Operation) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			r := c.Request()
			scheme, token, found := strings.Cut(r.Header.Get("Authorization"), " ")
			if !found || !strings.EqualFold(scheme, "Bearer") || token == "" {
				return s.refusedToken(r.Context(), errNoToken)
			}
			p, err := s.Service.Authenticate(r.Context(), token, op, s.Now())
			if err != nil {
				return s.refusedToken(r.Context(), err)
			}
			if err := s.limitCaller(p); err != nil {
				return err
			}
			if err := s.Service.Admit(r.Context(), p, op, s.Now()); err != nil {
				return s.noteRefusal(p, err)
			}
			c.SetRequest(r.WithContext(access.WithPrincipal(r.Context(), p)))
			err = next(c)
			if p.Unproven {
				err = s.refusedToken(r.Context(), s.Service.Refusal(r.Context(), p, err))
			}
			return s.noteRefusal(p, err)
		}
	}
}
