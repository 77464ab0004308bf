package main

import (
	"context"
	"fmt"
	"net"
	"strings"
	"text/template"
	"time"

	"swallowtail/api/client"
	"swallowtail/internal/practice"
)

// guideText is what the demo says, for whoever looks at it first, who may be no programmer.
const guideText = `Swallowtail serves at http://{{.Address}}

{{.Clinic.Name}}: {{len .Families}} families, every one of them invented. What is shown
supports a decision of a clinician and never makes one; nothing here is medical advice. This is how they stand at
the start; the demo goes on by the real clock.

{{range .Families}}  {{printf "%-9s" .Learner}} {{.Shows}}
{{end}}
Where to look
  what can be asked, to read:  {{.Base}}/docs
  to sign in:                  {{.Clinic.Clinician.Email}}, password {{.Clinic.Clinician.Password}}

What to try: paste into a terminal, from the top. Put | python3 -m json.tool behind a line to spread its answer out.

# Sign in as {{.Clinic.Clinician.Name}}. It lasts for 15 minutes: paste it again then.
BASE={{.Base}}
CLINICIAN=$(curl -sS "$BASE/v1/auth/sign-in" -H "Content-Type: application/json" -d '{"email": "{{.Clinic.Clinician.Email}}", "password": "{{.Clinic.Clinician.Password}}"}' | sed 's/.*"access_token":"\([^"]*\)".*/\1/')
# Everybody on one list, who needs a call first on top.
curl -sSw '\n' "$BASE/v1/roster" -H "Authorization: Bearer $CLINICIAN"
# Who has not practised for three evenings or more: since when, and what was tried.
curl -sSw '\n' "$BASE/v1/follow-ups" -H "Authorization: Bearer $CLINICIAN"
# {{.Summed.Name}} summed up: which criteria are met, and what each rests on.
curl -sSw '\n' "$BASE/v1/learners/{{.Summed.Learner}}/summary" -H "Authorization: Bearer $CLINICIAN"
# {{.Doubted.Name}} looks ready on a bare percentage and is not: look for recent_success.
curl -sSw '\n' "$BASE/v1/learners/{{.Doubted.Learner}}/summary" -H "Authorization: Bearer $CLINICIAN"
# The nights of {{.Family.Name}} in two homes: look for disagreed and settled.
curl -sSw '\n' "$BASE/v1/learners/{{.Family.Learner}}/nights" -H "Authorization: Bearer $CLINICIAN"
# Whom to remind at eight this evening, clinic time. The token of the scheduler reads nothing about health.
SCHEDULER={{.Scheduler}}
curl -sSw '\n' "$BASE/v1/reminders/overdue?as_of={{.AsOf}}" -H "Authorization: Bearer $SCHEDULER"
# What the family of {{.Family.Name}} sees on a phone: nothing of readiness. This token lasts for 15 minutes, too.
DEVICE={{.Device.Access}}
curl -sSw '\n' "$BASE/v1/learners/{{.Family.Learner}}/summary" -H "Authorization: Bearer $DEVICE"

When the token of the phone has run out, this gets the next one, once:

DEVICE=$(curl -sS "$BASE/v1/auth/refresh" -H "Content-Type: application/json" -d '{"refresh_token": "{{.Device.Refresh}}"}' | sed 's/.*"access_token":"\([^"]*\)".*/\1/')

Ctrl-C stops the demo and throws everything away.
`

// Who the guide points at.
const (
	guideSummed  = "Lynx" // whose summary it shows
	guideDoubted = "Teal" // and whose readiness
	guideFamily  = "Wren" // whose nights and family's view it shows
)

// reminderHour is the time of day, at the clinic, for which the guide asks whom to remind: after the reminder times of
// the families there, and before quiet hours.
const reminderHour = practice.TimeOfDay(20 * 60)

// guide is what guideText is filled with.
type guide struct {
	Address   string
	Base      string
	Clinic    clinicScript
	Families  []*familyScript
	Summed    guided
	Doubted   guided
	Family    guided
	Device    client.Pair
	Scheduler string
	AsOf      string
}

// guided is a learner whom the guide points at.
type guided struct {
	Name    string
	Learner string // the id
}

// guide returns what to say. It gets a fresh token for a family's phone.
func (p *player) guide(ctx context.Context, address, scheduler string) (string, error) {
	summed, doubted, family := p.find(guideSummed), p.find(guideDoubted), p.find(guideFamily)
	if summed == nil || doubted == nil || family == nil {
		return "", fmt.Errorf("the scenario lacks %s, %s or %s", guideSummed, guideDoubted, guideFamily)
	}
	carer := family.script.Caregivers[0]
	device, err := p.freshPair(ctx, family.phones[carer.Name])
	if err != nil {
		return "", fmt.Errorf("refresh the token of %s: %w", carer.Phone, err)
	}
	asOf, err := p.thisEvening()
	if err != nil {
		return "", err
	}
	text, err := template.New("guide").Parse(guideText)
	if err != nil {
		return "", fmt.Errorf("read the guide: %w", err)
	}
	var b strings.Builder
	err = text.Execute(&b, guide{
		Address: address, Base: p.base, Clinic: p.script.clinic, Families: p.script.families,
		Summed:  guided{Name: guideSummed, Learner: summed.learner},
		Doubted: guided{Name: guideDoubted, Learner: doubted.learner},
		Family:  guided{Name: guideFamily, Learner: family.learner},
		Device:  device, Scheduler: scheduler, AsOf: asOf.UTC().Format(time.RFC3339),
	})
	if err != nil {
		return "", fmt.Errorf("write the guide: %w", err)
	}
	return b.String(), nil
}

func (p *player) find(learner string) *family {
	for _, f := range p.families {
		if f.script.Learner == learner {
			return f
		}
	}
	return nil
}

// freshPair makes a call on a phone, whose token has run out since its last evening, so that it is refreshed.
func (p *player) freshPair(ctx context.Context, ph *phone) (client.Pair, error) {
	err := ph.tokens.Do(ctx, func(access string) error {
		_, err := client.API{Base: p.base, HTTP: p.http, Token: access}.OwnHousehold(ctx)
		return err
	})
	return ph.kept.Pair, err
}

// thisEvening returns the reminder hour of the night that runs at the clinic, which is less than a day away either way.
func (p *player) thisEvening() (time.Time, error) {
	c, err := calendarAt(p.script.clinic.Timezone, p.now)
	if err != nil {
		return time.Time{}, err
	}
	return practice.InstantAt(c.tonight, reminderHour, c.home), nil
}

// reachable returns the URL by which this machine reaches a server that listens at an address, maybe at every one.
func reachable(address string) string {
	host, port, err := net.SplitHostPort(address)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		address = net.JoinHostPort("127.0.0.1", port)
	}
	return "http://" + address
}
