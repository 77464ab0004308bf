package api

import (
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"regexp"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// What browsers are told. None of it matters to a phone.

const (
	// answerPolicy lets a browser do nothing with an answer (OWASP, REST Security Cheat Sheet, security headers).
	answerPolicy = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	// buttonPolicy lets it send a form to us besides.
	buttonPolicy = "default-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
	// noFeatures switches off what a page could ask a browser for.
	noFeatures = "accelerometer=(), camera=(), display-capture=(), geolocation=(), gyroscope=(), microphone=(), midi=(), payment=(), usb=()"
	// stayWithTLS is a year (RFC 6797, section 6.1.1). It says nothing of other names below the server's.
	stayWithTLS = "max-age=31536000"

	docsPath = "/docs"
)

// preflightAge, in seconds, is how long a browser remembers what it may send.
const preflightAge = 600

// secured sets the headers that keep browsers from doing more with an answer than reading it. The page for people has its one
// style sheet, which is told by its hash.
func secured(page []byte) echo.MiddlewareFunc {
	pagePolicy := answerPolicy + "; style-src " + styleHash(page)
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			h := c.Response().Header()
			h.Set("X-Content-Type-Options", "nosniff")
			h.Set("X-Frame-Options", "DENY")
			h.Set("Referrer-Policy", "no-referrer")
			h.Set("Permissions-Policy", noFeatures)
			h.Set("Cross-Origin-Opener-Policy", "same-origin")
			h.Set("Cross-Origin-Resource-Policy", "same-origin")
			h.Set("Cache-Control", "no-store")
			h.Set("Content-Security-Policy", answerPolicy)
			if c.Path() == docsPath {
				h.Set("Content-Security-Policy", pagePolicy)
			}
			if c.Request().TLS != nil { // otherwise it must not be said (RFC 6797, section 7.2)
				h.Set("Strict-Transport-Security", stayWithTLS)
			}
			return next(c)
		}
	}
}

var sheet = regexp.MustCompile(`(?s)<style>(.*?)</style>`)

// styleHash returns the source expression of a page's style sheet (CSP Level 3, section 2.3.1).
func styleHash(page []byte) string {
	found := sheet.FindSubmatch(page)
	if found == nil {
		return "'none'"
	}
	hash := sha256.Sum256(found[1])
	return "'sha256-" + base64.StdEncoding.EncodeToString(hash[:]) + "'"
}

// shared lets pages of the origins named call from a browser: with a token, never with cookies, of which there are none. What
// ends in a secret is for programs and for our own page, so no other has business with it.
func shared(origins []string) echo.MiddlewareFunc {
	if len(origins) == 0 {
		return func(next echo.HandlerFunc) echo.HandlerFunc { return next }
	}
	secret := func(c echo.Context) bool {
		_, is := withoutSecret(c.Request().URL)
		return is
	}
	return middleware.CORSWithConfig(middleware.CORSConfig{
		Skipper:       secret,
		AllowOrigins:  origins,
		AllowMethods:  []string{http.MethodGet, http.MethodPost},
		AllowHeaders:  []string{"Authorization", "Content-Type", "Content-Encoding", "If-None-Match"},
		ExposeHeaders: []string{"ETag", "Retry-After"},
		MaxAge:        preflightAge,
	})
}
