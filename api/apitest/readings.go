package apitest

import (
	"cmp"
	"encoding/json"
	"maps"
	"net/url"
	"slices"
	"strconv"
)

// Callers ask for what one of each kind may read. One that is nil is nobody, who asks for nothing. They return the body of the answer.
type Callers struct {
	Lead, Scheduler, Device func(path string) []byte
	NoTrail                 bool // whether the trail is left out
}

// pages bounds how many pages of one list are read.
const pages = 40

// Readings asks for whatever of a clinic can be read, in every order, through every filter and page by page, and at two instants: as of
// now and as of the one given (RFC 3339). What is read leaves rows on the trail, which is read last.
func (d Description) Readings(by Callers, asOf string) {
	if by.Lead != nil {
		d.staffReads(by, asOf)
	}
	if by.Scheduler != nil {
		listed(by.Scheduler, "/v1/reminders/overdue", url.Values{}, 3)
		listed(by.Scheduler, "/v1/reminders/overdue", url.Values{"as_of": {asOf}}, 3)
	}
	if by.Device != nil {
		for _, path := range []string{
			"/v1/household", "/v1/devices", "/v1/consent", "/v1/reminder-addresses", "/v1/calendar-feeds",
		} {
			by.Device(path)
		}
		var home struct{ Learners []struct{ ID string } }
		_ = json.Unmarshal(by.Device("/v1/household"), &home) // a refusal has no learners
		for _, l := range home.Learners {
			by.Device("/v1/learners/" + l.ID + "/nights")
			by.Device("/v1/learners/" + l.ID + "/summary")
		}
	}
	if by.Lead != nil && !by.NoTrail {
		listed(by.Lead, "/v1/audit", url.Values{}, 50)
	}
}

func (d Description) staffReads(by Callers, asOf string) {
	as := by.Lead
	var plans struct{ Plans []struct{ ID string } }
	_ = json.Unmarshal(as("/v1/plans"), &plans) // a refusal has none
	for _, p := range plans.Plans {
		as("/v1/plans/" + p.ID)
	}
	for _, h := range listed(as, "/v1/households", url.Values{}, 2) {
		as("/v1/households/" + h)
	}
	as("/v1/cohort")
	listed(as, "/v1/follow-ups", url.Values{}, 2)
	learners := d.rosters(as, asOf)
	for _, l := range learners {
		at := "/v1/learners/" + l
		for _, what := range []string{"/nights", "/summary"} {
			as(at + what)
			as(at + what + "?" + url.Values{"as_of": {asOf}}.Encode())
		}
		listed(as, at+"/entries", url.Values{}, 9)
		if !by.NoTrail {
			as("/v1/audit?" + url.Values{"learner": {l}}.Encode())
		}
	}
}

// rosters reads the roster in every order and through every filter, and returns the learners in it.
func (d Description) rosters(as func(path string) []byte, asOf string) (learners []string) {
	for _, order := range d.enums["RosterOrder"] {
		learners = listed(as, "/v1/roster", url.Values{"order": {order}}, 2)
	}
	var whole struct{ Learners []struct{ Flags []string } }
	_ = json.Unmarshal(as("/v1/roster?limit=100"), &whole) // a refusal has nobody in it
	var flags []string
	for _, l := range whole.Learners {
		flags = append(flags, l.Flags...)
	}
	slices.Sort(flags)
	filters := []struct {
		name   string
		values []string
	}{
		{"status", d.enums["RosterStatus"]},
		{"flag", append(slices.Compact(flags), "nobody_has_this")},
		{"verdict", d.enums["Verdict"]},
		{"heard_before", []string{asOf}},
		{"missed_at_least", []string{"0", "1", "2", "5"}},
	}
	for _, f := range filters {
		for _, value := range f.values {
			as("/v1/roster?" + url.Values{f.name: {value}}.Encode())
		}
	}
	return learners
}

// listed reads a list page by page and returns the ids in it: an item's own, or a learner's.
func listed(as func(path string) []byte, path string, query url.Values, limit int) (ids []string) {
	query.Set("limit", strconv.Itoa(limit))
	for range pages {
		var page map[string]json.RawMessage
		if json.Unmarshal(as(path+"?"+query.Encode()), &page) != nil {
			return ids
		}
		for _, name := range slices.Sorted(maps.Keys(page)) {
			ids = append(ids, idsIn(page[name])...)
		}
		var cursor string
		if json.Unmarshal(page["cursor"], &cursor) != nil || cursor == "" {
			return ids
		}
		query.Set("cursor", cursor)
	}
	return ids
}

func idsIn(member json.RawMessage) (ids []string) {
	var items []struct {
		ID      string
		Learner struct{ ID string }
	}
	if json.Unmarshal(member, &items) != nil {
		return nil
	}
	for _, i := range items {
		if id := cmp.Or(i.ID, i.Learner.ID); id != "" {
			ids = append(ids, id)
		}
	}
	return ids
}
