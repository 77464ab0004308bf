package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"

	"github.com/go-json-experiment/json"
)

// streams are what a command reads and writes. JSON for programs goes to out, what is said to people to err.
type streams struct {
	in  io.Reader
	out io.Writer
	err io.Writer
}

// command is one thing that the binary does.
type command struct {
	name  string // as typed, such as "clinic add"
	usage string // one line
	run   func(ctx context.Context, c *call) error
}

// call is one run of a command.
type call struct {
	streams
	command command
	args    []string
	getenv  func(string) string

	keys     *string  // what --keys names
	wanted   []string // what the command takes beside flags, as its help names it
	operands []string // as given, once parsed
}

func commands() []command {
	return []command{
		{"serve", "serve the API", serve},
		{"demo", "serve the API on a throw-away database filled with an invented clinic", demo},
		{"migrate", "bring a database to the newest schema", migrate},
		{"backup", "write a backup of a database into a new file, while a server runs or not", backup},
		{"restore", "put a backup in the place of a database, while a server runs or not", restore},
		{"transfer", "move a database from a file into an empty one of PostgreSQL", transferToPostgres},
		{"check", "verify a database: its file, chains, heads, entries, and each projection against a fresh fold", check},
		{"audit heads", "tell how far each clinic's audit trail goes, to be kept elsewhere", auditHeads},
		{"audit verify", "follow each clinic's audit trail from its first row, and look whether heads kept elsewhere are on it", auditVerify},
		{"clinic add", "add a clinic", addClinic},
		{"clinic set", "change who of a clinic must have a second factor, and how long its invites can be redeemed", setClinic},
		{"clinician add", "add a clinician to a clinic", addClinician},
		{"clinician list", "list a clinic's clinicians", listClinicians},
		{"clinician disable", "let a clinician sign in no more, and end their sessions", disableClinician},
		{"clinician enable", "let a disabled clinician sign in again", enableClinician},
		{"clinician set-password", "give a clinician another password, and end their sessions", setClinicianPassword},
		{"clinician reset-second-factor", "let a clinician who lost authenticator and recovery codes set up a second factor anew", resetSecondFactor},
		{"token issue", "issue a token to a program, such as a reminder scheduler", issueToken},
		{"token list", "list the tokens of a clinic's programs, revoked and expired ones too", listTokens},
		{"token revoke", "make a program's token good for nothing, from its next request on", revokeToken},
		{"keys list", "list the keys that sign and verify tokens, without their secrets", listKeys},
		{"keys rotate", "sign tokens with a new key from now on, beside running servers", rotateKeys},
		{"rule-check", "tell how often a plan's rule of recent success errs, before anyone uses it", ruleCheck},
		{"remind", "send the reminders that are due, as a client of a server; several may run", remind},
		{"load", "invent a clinic, and tell how fast and how well a server of it answers many callers at once", putUnderLoad},
		{"health", "ask a running server whether it is alive", health},
	}
}

// run runs the command that the arguments name.
func run(ctx context.Context, args []string, getenv func(string) string, s streams) error {
	for _, cmd := range commands() {
		words := strings.Fields(cmd.name)
		if len(args) < len(words) || strings.Join(args[:len(words)], " ") != cmd.name {
			continue
		}
		err := cmd.run(ctx, &call{streams: s, command: cmd, args: args[len(words):], getenv: getenv})
		if errors.Is(err, flag.ErrHelp) {
			return nil
		}
		return err
	}
	help(s.err)
	if len(args) == 0 || args[0] == "--help" || args[0] == "-h" || args[0] == "help" {
		return nil
	}
	return fmt.Errorf("there is no command %q", strings.Join(args, " "))
}

func help(w io.Writer) {
	fmt.Fprint(w, "Swallowtail keeps the record of evenings of swallowing practice.\n\nCommands, each with --help:\n\n")
	for _, cmd := range commands() {
		fmt.Fprintf(w, "  %-29s %s\n", cmd.name, cmd.usage)
	}
	fmt.Fprint(w, "\nEvery flag can also be set in the environment, as SWALLOWTAIL_ and its name: --second-factor is SWALLOWTAIL_SECOND_FACTOR.\n")
}

// flags returns the flag set of a command that works on a database. wanted names what it takes beside flags.
func (c *call) flags(wanted ...string) (set *flag.FlagSet, db *string) {
	set = c.plainFlags(wanted...)
	c.keys = set.String("keys", "", "the key file, where it is not the database's name and \""+keysBeside+"\"; needed with PostgreSQL")
	return set, set.String("db", "swallowtail.db", "the database: a file, sqlite:FILE, or postgres://… for PostgreSQL")
}

// plainFlags returns the flag set of a command that needs no database.
func (c *call) plainFlags(wanted ...string) *flag.FlagSet {
	c.wanted = wanted
	set := flag.NewFlagSet("swallowtail "+c.command.name, flag.ContinueOnError)
	set.SetOutput(c.err)
	set.Usage = func() {
		fmt.Fprintf(c.err, "swallowtail %s: %s\n\n", c.command.name, c.command.usage)
		if len(wanted) > 0 {
			fmt.Fprintf(c.err, "  swallowtail %s %s [flags]\n\n", c.command.name, strings.Join(wanted, " "))
		}
		set.PrintDefaults()
	}
	return set
}

// parse reads the operands, and the flags before, between and after them: from the arguments, else from the environment.
func (c *call) parse(set *flag.FlagSet) error {
	if err := set.Parse(c.args); err != nil {
		return err
	}
	for set.NArg() > 0 {
		if len(c.operands) == len(c.wanted) || set.Arg(0) == "" {
			return fmt.Errorf("%s takes no argument %q", c.command.name, set.Arg(0))
		}
		c.operands = append(c.operands, set.Arg(0))
		if err := set.Parse(set.Args()[1:]); err != nil {
			return err
		}
	}
	if len(c.operands) < len(c.wanted) {
		return fmt.Errorf("%s wants %s", c.command.name, strings.Join(c.wanted[len(c.operands):], " "))
	}
	given := map[string]bool{}
	set.Visit(func(f *flag.Flag) { given[f.Name] = true })
	var wrong error
	set.VisitAll(func(f *flag.Flag) {
		name := variableOf(f.Name)
		value := c.getenv(name)
		if given[f.Name] || value == "" || wrong != nil {
			return
		}
		if err := set.Set(f.Name, value); err != nil {
			wrong = fmt.Errorf("%s: %w", name, err)
		}
	})
	return wrong
}

// variableOf returns the environment's variable for a flag.
func variableOf(name string) string {
	return "SWALLOWTAIL_" + strings.ToUpper(strings.ReplaceAll(name, "-", "_"))
}

// print writes JSON for a program.
func (c *call) print(document any) error {
	encoded, err := json.Marshal(document, json.Deterministic(true))
	if err != nil {
		return fmt.Errorf("encode output: %w", err)
	}
	_, err = fmt.Fprintf(c.out, "%s\n", encoded)
	return err
}
