package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// listing is an operation that answers in pages.
type listing struct {
	path, member string
	as           who
}

// listings gives every list at least three rows.
func listings(t *testing.T) (*world, []listing) {
	t.Helper()
	w := newWorld(t)
	for i := range 3 {
		w.clinician.post("/v1/plans", map[string]any{"name": fmt.Sprintf("Plan %d", i)}).ok(http.StatusCreated)
		f := w.site.newFamily(fmt.Sprintf("Vole %d", i))
		f.enrol("2027-03-01")
	}
	w.clock.set(inHalifax(t, "2027-03-01 19:45"))
	other := w.newSite("east") // whose schedulers fail
	for i := range 3 {
		other.newFamily(fmt.Sprintf("Shrew %d", i)).enrol("2027-03-01")
	}
	other.failed(other.claimed("tonight")...)
	return w, []listing{
		{"/v1/plans", "plans", w.clinician},
		{"/v1/households", "households", w.clinician},
		{"/v1/roster", "learners", w.clinician},
		{"/v1/roster?order=nickname", "learners", w.clinician},
		{"/v1/roster?order=last_heard", "learners", w.clinician},
		{"/v1/roster?order=missed", "learners", w.clinician},
		{w.family.path("entries"), "entries", w.clinician},
		{"/v1/reminders/overdue", "overdue", w.scheduler},
		{"/v1/follow-ups", "follow_ups", other.clinician},
	}
}

func (l listing) page(limit int, cursor string) reply {
	separator := "?"
	if strings.Contains(l.path, "?") {
		separator = "&"
	}
	path := fmt.Sprintf("%s%slimit=%d", l.path, separator, limit)
	if cursor != "" {
		path += "&cursor=" + url.QueryEscape(cursor)
	}
	return l.as.get(path)
}

// TestPages reads each list a row at a time, two at a time and whole.
func TestPages(t *testing.T) {
	t.Parallel()
	_, all := listings(t)
	for _, l := range all {
		whole := l.page(500, "").ok(http.StatusOK)
		assert.Nil(t, whole.at("cursor"), l.path)
		require.GreaterOrEqual(t, len(whole.list(l.member)), 3, l.path)
		assert.Equal(t, whole.list(l.member), l.as.get(l.path).ok(http.StatusOK).list(l.member), "the default limit")
		for _, limit := range []int{1, 2, len(whole.list(l.member))} {
			var rows []any
			cursor := ""
			for {
				page := l.page(limit, cursor).ok(http.StatusOK)
				rows = append(rows, page.list(l.member)...)
				if page.at("cursor") == nil {
					break
				}
				assert.Len(t, page.list(l.member), limit, l.path)
				cursor = page.text("cursor")
				require.LessOrEqual(t, len(rows), 100, "paging of %s does not end", l.path)
			}
			assert.Equal(t, whole.list(l.member), rows, "%s by %d", l.path, limit)
		}
	}
}

func TestPagesThatCannotBe(t *testing.T) {
	t.Parallel()
	w, all := listings(t)
	cursors := map[string]string{}
	for _, l := range all {
		cursors[l.path] = l.page(1, "").ok(http.StatusOK).text("cursor")
		for _, limit := range []int{0, -1, 501} {
			l.page(limit, "").refused(http.StatusUnprocessableEntity, "limit-invalid")
		}
		for _, limit := range []string{"x", "1.5", "99999999999999999999"} {
			separator := "?"
			if strings.Contains(l.path, "?") {
				separator = "&"
			}
			l.as.get(l.path+separator+"limit="+limit).refused(http.StatusBadRequest, "parameter-unreadable")
		}
	}
	for _, l := range all {
		own := cursors[l.path]
		altered := []string{own[:len(own)-1], own + "A", own[1:], "x", secret, "====", " " + own, own + "\n", own[:8]}
		for i := 0; i < len(own); i += 7 {
			letter := "A"
			if own[i] == 'A' {
				letter = "B"
			}
			altered = append(altered, own[:i]+letter+own[i+1:])
		}
		for path, cursor := range cursors {
			if path != l.path && path != "/v1/roster?order=needs_call" {
				altered = append(altered, cursor)
			}
		}
		for _, cursor := range altered {
			l.page(1, cursor).refused(http.StatusBadRequest, "cursor-invalid")
		}
	}
	// The entries of one learner are no list of another's.
	sibling := w.family.addLearner("Stoat")
	w.clinician.get("/v1/learners/"+sibling+"/entries?cursor="+cursors[w.family.path("entries")]).
		refused(http.StatusBadRequest, "cursor-invalid")
}

// TestParameters gives queries what they can't take.
func TestParameters(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clinician.get("/v1/roster?order="+secret).refused(http.StatusUnprocessableEntity, "order-invalid")
	w.clinician.get("/v1/roster?order=").refused(http.StatusUnprocessableEntity, "order-invalid")
	w.clinician.get("/v1/roster?status="+secret).refused(http.StatusUnprocessableEntity, "status-invalid")
	w.clinician.get("/v1/roster?verdict="+secret).refused(http.StatusUnprocessableEntity, "verdict-invalid")
	w.clinician.get("/v1/roster?missed_at_least=-1").refused(http.StatusUnprocessableEntity, "missed-at-least-invalid")
	w.clinician.get("/v1/roster?missed_at_least=61").refused(http.StatusUnprocessableEntity, "missed-at-least-invalid")
	w.clinician.get("/v1/roster?heard_before="+secret).refused(http.StatusBadRequest, "parameter-unreadable")
	assert.Empty(t, w.clinician.get("/v1/roster?flag="+secret+"%00").ok(http.StatusOK).list("learners"))
	late := w.clock.now().Add(24*time.Hour + time.Millisecond).Format(time.RFC3339Nano)
	latest := w.clock.now().Add(24 * time.Hour).Format(time.RFC3339Nano)
	for path, as := range map[string]who{
		w.family.path("summary"): w.clinician, w.family.path("nights"): w.lead, "/v1/reminders/overdue": w.scheduler,
	} {
		as.get(path + "?as_of=" + latest).ok(http.StatusOK)
		as.get(path+"?as_of="+late).refused(http.StatusUnprocessableEntity, "as-of-too-late")
		as.get(path+"?as_of=9999-12-31T23:59:59Z").refused(http.StatusUnprocessableEntity, "as-of-too-late")
		as.get(path + "?as_of=1600-01-01T00:00:00Z").ok(http.StatusOK)
		for _, text := range []string{secret, "2027-03-01T18:00:00", "2027-03-01T18:00:00+99:00", "1772400000"} {
			as.get(path+"?as_of="+text).refused(http.StatusBadRequest, "parameter-unreadable")
		}
	}
	for _, path := range []string{"summary", "nights"} {
		w.papa.get(w.family.path(path)+"?as_of="+w.clock.now().Format(time.RFC3339)).refused(http.StatusForbidden, "forbidden")
		w.papa.get(w.family.path(path) + "?enrolment=" + w.enrolment).ok(http.StatusOK)
	}
}
