package memory

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

var (
	errAbsent = fault.New(fault.NotFound, "not-found", "There is no such thing here.")
	errTaken  = fault.New(fault.Conflict, "conflict", "It exists already.")
)

func absent(what string) error { return fmt.Errorf("find %s: %w", what, errAbsent) }

func taken(what string) error { return fmt.Errorf("add %s: %w", what, errTaken) }

// kept is an instant as the store keeps it.
func kept(t time.Time) time.Time { return time.UnixMilli(t.UnixMilli()).UTC() }

// document is bytes as the store gives them out.
func document(b []byte) []byte {
	if len(b) == 0 {
		return nil
	}
	return b
}

func compareIDs(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) }

// place returns where the item of an id is in a list in the order of ids, or where it would be.
func place[T any](list []T, id uuid.UUID, idOf func(*T) uuid.UUID) (int, bool) {
	for i := range list {
		if order := compareIDs(idOf(&list[i]), id); order >= 0 {
			return i, order == 0
		}
	}
	return len(list), false
}

// with returns a list with an item at a place and leaves the one it was given as it is.
func with[T any](list []T, at int, item T) []T { return slices.Insert(slices.Clip(list), at, item) }

// without returns a list without the item at a place and leaves the one it was given as it is.
func without[T any](list []T, at int) []T { return slices.Delete(slices.Clone(list), at, at+1) }

// changed returns a list with another item at a place and leaves the one it was given as it is.
func changed[T any](list []T, at int, item T) []T {
	list = slices.Clone(list)
	list[at] = item
	return list
}

// first returns at most the first few of a list; nil where there are none.
func first[T any](list []T, limit int) []T {
	if len(list) == 0 || limit <= 0 {
		return nil
	}
	return list[:min(limit, len(list))]
}

// listed returns what something makes of each item of a list; nil where there are none.
func listed[T, U any](list []T, of func(T) U) []U {
	if len(list) == 0 {
		return nil
	}
	made := make([]U, len(list))
	for i := range list {
		made[i] = of(list[i])
	}
	return made
}

// page returns what follows a place in a list of ids.
func page(ids []uuid.UUID, p clinic.Page) []uuid.UUID {
	ids = slices.DeleteFunc(ids, func(id uuid.UUID) bool { return compareIDs(id, p.After) <= 0 })
	slices.SortFunc(ids, compareIDs)
	return first(ids, p.Limit)
}

func copyOfScreening(s clinic.Screening) clinic.Screening {
	s.Answers = maps.Clone(s.Answers)
	return s
}

func copyOfEnrolment(e clinic.Enrolment) clinic.Enrolment {
	e.Positions = slices.Clone(e.Positions)
	return e
}

func copyOfProjection(p clinic.Projection) clinic.Projection {
	p.Flags, p.Nights = slices.Clone(p.Flags), slices.Clone(p.Nights)
	p.Reminders, p.Concerns = slices.Clone(p.Reminders), slices.Clone(p.Concerns)
	return p
}

func copyOfAddress(a clinic.Address) clinic.Address {
	a.Wanted.Kinds, a.Wanted.Weekdays = slices.Clone(a.Wanted.Kinds), slices.Clone(a.Wanted.Weekdays)
	return a
}

func copyOfDelivery(d *clinic.Delivery) clinic.Delivery {
	c := *d
	c.Tries = slices.Clone(d.Tries)
	return c
}
