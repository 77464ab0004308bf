package main

import (
	"context"
	"fmt"
	"os"
	"text/tabwriter"

	"swallowtail/internal/clinic"
	"swallowtail/internal/judgement"
)

// trueRates are the rates for which a rule's errors are told: of the first two nobody should be called ready, of the last
// two everybody, and between lies a grey zone.
var trueRates = []float64{0.5, 0.7, 0.8, 0.9, 0.95}

// mostPlan is the octets that a plan's file may have.
const mostPlan = 64 << 10

// ruleCheck tells how often the rule of a plan errs, before anyone uses it.
func ruleCheck(_ context.Context, c *call) error {
	set := c.plainFlags()
	path := set.String("plan", "", "a file with the plan's parameters, as JSON; what it leaves out takes its default")
	if err := c.parse(set); err != nil {
		return err
	}
	p := clinic.DefaultParameters()
	if *path != "" {
		raw, err := readPlan(*path)
		if err != nil {
			return err
		}
		if p, err = clinic.ReadParameters(raw); err != nil {
			return fmt.Errorf("%s: %w", *path, err)
		}
	}
	return c.printRule(p)
}

func readPlan(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("read the plan: %w", err)
	}
	if info.Size() > mostPlan {
		return nil, fmt.Errorf("%s is no plan: it is longer than %d octets", path, mostPlan)
	}
	raw, err := os.ReadFile(path) //nolint:gosec // G304: the operator names it
	if err != nil {
		return nil, fmt.Errorf("read the plan: %w", err)
	}
	return raw, nil
}

// printRule writes the table, for people.
func (c *call) printRule(p clinic.PlanParameters) error {
	rule := p.Rule()
	fmt.Fprintf(c.out, "Recent success is met when, of the last %d tries in one position chosen beforehand, enough are swallowed\n"+
		"that the true rate exceeds %g %% with a probability of at least %g %%: %s.\n"+
		"One try a night for %d nights, looked at after %s.\n\n",
		rule.Tries, 100*rule.Rate, 100*rule.Enough, rule.Wanted(), p.Nights, looks(rule, p.Nights))
	w := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "true rate\tenough\tcan't tell\ttoo few\tenough at any look\tbest of five afterwards\t")
	for _, rate := range trueRates {
		e := rule.ErrorsOver(p.Nights, rate)
		fmt.Fprintf(w, "%g %%\t%.1f %%\t%.1f %%\t%.1f %%\t%.1f %%\t%.1f %%\t\n", 100*rate, 100*e.Answers[judgement.Enough],
			100*e.Answers[judgement.CannotSay], 100*e.Answers[judgement.TooFew], 100*e.Ever, 100*e.AnyOfFive)
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("write the table: %w", err)
	}
	_, err := fmt.Fprint(c.out, "\n\"Enough\" is what the last look says; later looks replace earlier ones. Stopping at the first look that says\n"+
		"enough, or taking whichever of five positions passes afterwards, errs as the last two columns say.\n"+
		"Nights are taken to be independent, which they are not. None of this is clinically validated: which error does\n"+
		"more harm is for a clinician to say.\n")
	return err
}

// looks names the numbers of tries after which looks are taken.
func looks(rule judgement.Rule, nights int) string {
	at := rule.LooksAt(nights)
	switch len(at) {
	case 0:
		return "no number of them: there are too few nights for any look"
	case 1:
		return fmt.Sprint(at[0])
	}
	text := ""
	for _, n := range at[:len(at)-1] {
		if text != "" {
			text += ", "
		}
		text += fmt.Sprint(n)
	}
	return text + " and " + fmt.Sprint(at[len(at)-1])
}
