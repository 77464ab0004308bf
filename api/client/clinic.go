package client

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"
)

// API makes the calls beside sync. A refusal is a *Problem, wrapped. Copies with another Token are cheap.
type API struct {
	Base  string       // such as http://127.0.0.1:8080
	HTTP  *http.Client // nil is http.DefaultClient
	Token string       // bearer token; empty for the calls that take none
}

// Page says which part of a list to give. The zero value is the first page of the usual size.
type Page struct {
	Limit  int    // 1 to 500; 0 is the server's 100
	Cursor string // from the page before
}

// As says how to look at a learner. The zero value is the present enrolment, now.
type As struct {
	Of        time.Time // the instant to look from; zero is now
	Enrolment string    // an enrolment's id; empty is the one begun last, else the first to come
}

// RosterQuery says which learners to list, in which order.
type RosterQuery struct {
	Page
	Status string // running, paused, ended, none; empty is all
	Flag   string
	// Verdict lets through one verdict, HeardBefore who was last heard from before an instant or never, MissedAtLeast who has
	// so many nights missed or unheard. Their zero values let through all.
	Verdict       string
	HeardBefore   time.Time
	MissedAtLeast int
	Order         string // needs_call, nickname, last_heard, missed, verdict
}

// Call makes any call of the API: in is sent as JSON unless nil, a 2xx answer is decoded into out unless nil.
func (a API) Call(ctx context.Context, method, path string, in, out any) error {
	return httpCall{client: a.HTTP, base: a.Base, token: a.Token, method: method, path: path, in: in}.do(ctx, out)
}

func get[T any](ctx context.Context, a API, path string, query url.Values) (T, error) {
	var out T
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	err := a.Call(ctx, http.MethodGet, path, nil, &out)
	return out, err
}

func post[T any](ctx context.Context, a API, path string, in any) (T, error) {
	var out T
	err := a.Call(ctx, http.MethodPost, path, in, &out)
	return out, err
}

func (p Page) query() url.Values {
	q := url.Values{}
	if p.Limit != 0 {
		q.Set("limit", strconv.Itoa(p.Limit))
	}
	setIf(q, "cursor", p.Cursor)
	return q
}

func (as As) query() url.Values {
	q := url.Values{}
	setIf(q, "enrolment", as.Enrolment)
	setInstant(q, "as_of", as.Of)
	return q
}

func setIf(q url.Values, name, value string) {
	if value != "" {
		q.Set(name, value)
	}
}

func setInstant(q url.Values, name string, at time.Time) {
	if !at.IsZero() {
		q.Set(name, at.Format(instantForm))
	}
}

func in(collection, id, rest string) string {
	return "/v1/" + collection + "/" + url.PathEscape(id) + rest
}

// SignIn returns a clinician's tokens. otp is the one-time code, empty where none is asked for.
func (a API) SignIn(ctx context.Context, email, password, otp string) (Pair, error) {
	return post[Pair](ctx, a, "/v1/auth/sign-in", signIn{Email: email, Password: password, OTP: otp})
}

// SecondFactor asks for a clinician's secret (otp empty), then confirms it with a code made from it.
func (a API) SecondFactor(ctx context.Context, email, password, otp string) (SecondFactor, error) {
	return post[SecondFactor](ctx, a, "/v1/auth/second-factor", signIn{Email: email, Password: password, OTP: otp})
}

// Refresh exchanges a refresh token, which then is spent, for a new pair.
func (a API) Refresh(ctx context.Context, refreshToken string) (Pair, error) {
	return post[Pair](ctx, a, "/v1/auth/refresh", map[string]string{"refresh_token": refreshToken})
}

// EnrolDevice redeems an invite code. It records consent to the text that ConsentText gives.
func (a API) EnrolDevice(ctx context.Context, enrolment DeviceEnrolment) (EnrolledDevice, error) {
	return post[EnrolledDevice](ctx, a, "/v1/devices/enrol", enrolment)
}

// ConsentText returns the text in force that a caregiver consents to.
func (a API) ConsentText(ctx context.Context) (ConsentText, error) {
	return get[ConsentText](ctx, a, "/v1/consent-text", nil)
}

// CreatePlan writes a plan, or the next version of one of that name. Parameters that are zero take their defaults.
func (a API) CreatePlan(ctx context.Context, name string, parameters PlanParameters) (Plan, error) {
	return post[Plan](ctx, a, "/v1/plans", newPlan{Name: name, Parameters: parameters})
}

// Plans returns a page of the clinic's plans, the built-in one first.
func (a API) Plans(ctx context.Context, page Page) (PlanPage, error) {
	return get[PlanPage](ctx, a, "/v1/plans", page.query())
}

// Plan returns one plan.
func (a API) Plan(ctx context.Context, id string) (Plan, error) {
	return get[Plan](ctx, a, in("plans", id, ""), nil)
}

// CreateHousehold opens a household and returns its id.
func (a API) CreateHousehold(ctx context.Context, label string) (string, error) {
	made, err := post[created](ctx, a, "/v1/households", map[string]string{"label": label})
	return made.ID, err
}

// Household returns a household with its people and devices.
func (a API) Household(ctx context.Context, id string) (Household, error) {
	return get[Household](ctx, a, in("households", id, ""), nil)
}

// CreateInvite issues a code for one device: of the named caregiver, or of a new one when caregiver is empty.
func (a API) CreateInvite(ctx context.Context, household, caregiver string) (Invite, error) {
	whom := map[string]string{}
	if caregiver != "" {
		whom["caregiver_id"] = caregiver
	}
	return post[Invite](ctx, a, in("households", household, "/invites"), whom)
}

// RevokeDevice ends what a device may read; it may still hand in what it holds, for review. Revoking it again changes
// nothing.
func (a API) RevokeDevice(ctx context.Context, device string) error {
	return a.Call(ctx, http.MethodPost, in("devices", device, "/revoke"), nil, nil)
}

// CreateLearner adds a learner and returns the id. birthMonth is YYYY-MM or empty.
func (a API) CreateLearner(ctx context.Context, household, nickname, birthMonth string) (string, error) {
	learner := map[string]string{"nickname": nickname}
	if birthMonth != "" {
		learner["birth_month"] = birthMonth
	}
	made, err := post[created](ctx, a, in("households", household, "/learners"), learner)
	return made.ID, err
}

// Screen records a screening.
func (a API) Screen(ctx context.Context, learner string, screening Screening) error {
	return a.Call(ctx, http.MethodPost, in("learners", learner, "/screening"), screening, nil)
}

// Enrol puts a learner on a plan.
func (a API) Enrol(ctx context.Context, learner string, enrolment NewEnrolment) (Enrolment, error) {
	return post[Enrolment](ctx, a, in("learners", learner, "/enrolments"), enrolment)
}

// SetEnrolmentStatus pauses, resumes or ends an enrolment: running, paused, ended.
func (a API) SetEnrolmentStatus(ctx context.Context, enrolment, status, note string) (Enrolment, error) {
	change := map[string]string{"status": status}
	if note != "" {
		change["note"] = note
	}
	return post[Enrolment](ctx, a, in("enrolments", enrolment, "/status"), change)
}

// Roster returns a page of the clinic's learners.
func (a API) Roster(ctx context.Context, query RosterQuery) (Roster, error) {
	q := query.query()
	setIf(q, "status", query.Status)
	setIf(q, "flag", query.Flag)
	setIf(q, "verdict", query.Verdict)
	if !query.HeardBefore.IsZero() {
		q.Set("heard_before", query.HeardBefore.Format(time.RFC3339Nano))
	}
	if query.MissedAtLeast > 0 {
		q.Set("missed_at_least", strconv.Itoa(query.MissedAtLeast))
	}
	setIf(q, "order", query.Order)
	return get[Roster](ctx, a, "/v1/roster", q)
}

// Summary returns the clinic's or, to a device, the family's view of a learner.
func (a API) Summary(ctx context.Context, learner string, as As) (Summary, error) {
	raw, err := get[json.RawMessage](ctx, a, in("learners", learner, "/summary"), as.query())
	if err != nil {
		return Summary{}, err
	}
	summary := Summary{Raw: raw}
	if err := json.Unmarshal(raw, &summary); err != nil {
		return Summary{}, fmt.Errorf("decode the summary: %w", err)
	}
	return summary, nil
}

// Nights returns the nights of a learner's enrolment, and what was practised before it.
func (a API) Nights(ctx context.Context, learner string, as As) (Nights, error) {
	return get[Nights](ctx, a, in("learners", learner, "/nights"), as.query())
}

// Entries returns a page of the original entries about a learner.
func (a API) Entries(ctx context.Context, learner string, page Page) (EntryPage, error) {
	return get[EntryPage](ctx, a, in("learners", learner, "/entries"), page.query())
}

// AddEntries adds a clinician's entries about a learner; see Pen for writing them.
func (a API) AddEntries(ctx context.Context, learner string, entries ...Entry) (AddedEntries, error) {
	return post[AddedEntries](ctx, a, in("learners", learner, "/entries"), map[string][]Entry{"entries": entries})
}

// OwnHousehold returns the device's own household.
func (a API) OwnHousehold(ctx context.Context) (OwnHousehold, error) {
	return get[OwnHousehold](ctx, a, "/v1/household", nil)
}

// Overdue returns a page of the reminders due at an instant; zero is now.
func (a API) Overdue(ctx context.Context, asOf time.Time, page Page) (OverduePage, error) {
	q := page.query()
	setInstant(q, "as_of", asOf)
	return get[OverduePage](ctx, a, "/v1/reminders/overdue", q)
}
