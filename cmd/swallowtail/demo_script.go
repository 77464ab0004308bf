package main

import (
	"fmt"
	"io/fs"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"

	"swallowtail/api/client"
)

// script is the demo scenario as testdata/demo tells it; what each member means is told there.
type script struct {
	clinic   clinicScript
	families []*familyScript // in the order in which they are shown
}

type clinicScript struct {
	Name      string `json:"name"`
	Timezone  string `json:"timezone"`
	Clinician struct {
		Name     string `json:"name"`
		Email    string `json:"email"`
		Password string `json:"password"`
	} `json:"clinician"`
	Families []string `json:"families"`
}

type familyScript struct {
	Learner    string            `json:"learner"`
	Age        int               `json:"age"`
	Shows      string            `json:"shows"`
	Home       string            `json:"home"`
	Caregivers []caregiverScript `json:"caregivers"`
	Story      []stepScript      `json:"story"`
}

type caregiverScript struct {
	Name     string `json:"name"`
	Phone    string `json:"phone"`
	HeardNow bool   `json:"heard_now"`
}

// eveningScript is an evening of practice. Evening is the tries.
type eveningScript struct {
	Day     int     `json:"day"`
	At      string  `json:"at"`
	Evening string  `json:"evening"`
	Medium  string  `json:"medium"`
	MM      float64 `json:"mm"`
	Setting string  `json:"setting"`
	Note    string  `json:"note"`
}

// stepScript is one thing that happened. The members after Offline name what; one of them, or Evening, is there.
type stepScript struct {
	eveningScript `json:",inline"`

	By       string          `json:"by"`
	Zone     string          `json:"zone"`
	Offline  bool            `json:"offline"`
	Open     bool            `json:"open"`
	Excuse   string          `json:"excuse"`
	Incident *incidentScript `json:"incident"`
	Settle   *settleScript   `json:"settle"`
	Enrol    *enrolScript    `json:"enrol"`
	Copy     *copyScript     `json:"copy"`
	Choose   string          `json:"choose"`
	End      string          `json:"end"`
}

type incidentScript struct {
	What string `json:"what"`
	Note string `json:"note"`
}

type settleScript struct {
	Day      int    `json:"day"`
	Position string `json:"position"`
	Outcome  string `json:"outcome"`
	Ease     int    `json:"ease"`
	Reason   string `json:"reason"`
}

type enrolScript struct {
	FirstNight int            `json:"first_night"`
	Reminder   string         `json:"reminder"`
	Positions  []string       `json:"positions"`
	Target     *client.Target `json:"target"`
	Screening  struct {
		Yes  []string `json:"yes"`
		Note string   `json:"note"`
	} `json:"screening"`
}

type copyScript struct {
	Witness string          `json:"witness"`
	Sheets  []eveningScript `json:"sheets"`
}

// readScript reads the scenario.
func readScript(files fs.FS) (script, error) {
	var s script
	if err := readStrictly(files, "clinic.json", &s.clinic); err != nil {
		return script{}, err
	}
	for _, name := range s.clinic.Families {
		family := &familyScript{}
		if err := readStrictly(files, name+".json", family); err != nil {
			return script{}, err
		}
		s.families = append(s.families, family)
	}
	return s, nil
}

func readStrictly(files fs.FS, name string, into any) error {
	text, err := fs.ReadFile(files, name)
	if err != nil {
		return fmt.Errorf("read scenario: %w", err)
	}
	if err := json.Unmarshal(text, into, json.RejectUnknownMembers(true)); err != nil {
		return fmt.Errorf("read %s: %w", name, err)
	}
	return nil
}

// tries reads the tries of an evening, such as "centre 3, right 1x gag, up -".
func (e eveningScript) tries() ([]client.Try, error) {
	var tries []client.Try
	for text := range strings.SplitSeq(e.Evening, ",") {
		words := strings.Fields(text)
		if len(words) < 2 {
			return nil, fmt.Errorf("a try wants a position and what came of it, not %q", text)
		}
		try := client.Try{Position: words[0], Medium: e.Medium, SizeMM: e.MM, Snags: words[2:]}
		var err error
		if try.Outcome, try.Ease, err = resultOf(words[1]); err != nil {
			return nil, err
		}
		tries = append(tries, try)
	}
	return tries, nil
}

// resultOf reads what came of a try: "3" is swallowed, "3x" is not, "-" is a refusal.
func resultOf(word string) (outcome string, ease int, err error) {
	if word == "-" {
		return "refused", 0, nil
	}
	digits, failed := strings.CutSuffix(word, "x")
	if ease, err = strconv.Atoi(digits); err != nil {
		return "", 0, fmt.Errorf("an ease is a number from 1 to 5, not %q: %w", word, err)
	}
	if failed {
		return "not_swallowed", ease, nil
	}
	return "swallowed", ease, nil
}
