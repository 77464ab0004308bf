package main

import (
	"context"
	"log/slog"
	"regexp"
	"strings"
)

// discreet keeps out of the log what others wrote: errors of the standard library, and of those who follow its manner, quote the
// value that they are about, and net/http names addresses.
type discreet struct{ slog.Handler }

var (
	quoted = regexp.MustCompile("\"(?:[^\"\\\\]|\\\\.)*\"|`[^`]*`")
	// addressed finds an address with its port, IPv6 in brackets.
	addressed = regexp.MustCompile(`(\[[0-9a-fA-F:.%a-z0-9]+\]|\b\d{1,3}(?:\.\d{1,3}){3}):\d{1,5}\b`)
	// panicked is how net/http begins to tell of a panic; what it panicked with follows up to the stack.
	panicked = regexp.MustCompile(`(?s)(panic serving [^:\n]*: ).*?(\ngoroutine |$)`)
)

func withoutValues(text string) string {
	if !worthALook(text) {
		return text
	}
	return searched(text)
}

func searched(text string) string {
	text = addressed.ReplaceAllString(text, "(address)")
	text = panicked.ReplaceAllString(text, "${1}(value)${2}")
	return quoted.ReplaceAllString(text, `"…"`)
}

// worthALook tells whether a text may hold any of what is looked for, which hardly any does: a quotation mark, an address with a port, or
// what a panic was about. It is asked of every text of every line, and takes a hundredth of the time of the search.
func worthALook(text string) bool {
	for i := range len(text) {
		switch text[i] {
		case '"', '`':
			return true
		case ':':
			if i+1 < len(text) && '0' <= text[i+1] && text[i+1] <= '9' {
				return true
			}
		}
	}
	return strings.Contains(text, "panic serving ")
}

// Handle implements slog.Handler.
func (d discreet) Handle(ctx context.Context, r slog.Record) error {
	told := slog.NewRecord(r.Time, r.Level, withoutValues(r.Message), r.PC)
	r.Attrs(func(a slog.Attr) bool {
		told.AddAttrs(withoutValuesIn(a))
		return true
	})
	return d.Handler.Handle(ctx, told)
}

func withoutValuesIn(a slog.Attr) slog.Attr {
	switch value := a.Value.Resolve(); value.Kind() {
	case slog.KindString:
		return slog.String(a.Key, withoutValues(value.String()))
	case slog.KindAny:
		if err, is := value.Any().(error); is {
			return slog.String(a.Key, withoutValues(err.Error()))
		}
	case slog.KindGroup:
		var within []slog.Attr
		for _, each := range value.Group() {
			within = append(within, withoutValuesIn(each))
		}
		return slog.Attr{Key: a.Key, Value: slog.GroupValue(within...)}
	}
	return a
}

// WithAttrs implements slog.Handler.
func (d discreet) WithAttrs(attrs []slog.Attr) slog.Handler {
	told := make([]slog.Attr, len(attrs))
	for i, a := range attrs {
		told[i] = withoutValuesIn(a)
	}
	return discreet{d.Handler.WithAttrs(told)}
}

// WithGroup implements slog.Handler.
func (d discreet) WithGroup(name string) slog.Handler { return discreet{d.Handler.WithGroup(name)} }
