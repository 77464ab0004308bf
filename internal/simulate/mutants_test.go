//go:build !race

package simulate

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A mutant is the program with one thing broken on purpose. The suite must catch every one: a suite that kills none proves
// nothing. Mutants are made of the sources as they are, by replacing a piece of text at build time; the program itself
// knows nothing of them.
type mutant struct {
	name    string
	changes []change
	every   int // where it is caught in quarrels, the other schedules are left out; 0 for none
}

// change is a piece of a source file, which must be there exactly once, and what stands in its place. It may ask
// mutated("name").
type change struct{ file, from, to string }

// mutantVariable says which mutant a test binary with all of them is.
const mutantVariable = "SWALLOWTAIL_TEST_MUTANT"

var mutants = []mutant{
	{name: "acknowledgement trusted from the push answer", changes: []change{{
		"api/client/state.go",
		"			next.Outbox[at].Status, next.Outbox[at].Problem = results[i].Status, results[i].Problem\n		}\n",
		"			next.Outbox[at].Status, next.Outbox[at].Problem = results[i].Status, results[i].Problem\n" +
			"			if mutated(`acknowledgement trusted from the push answer`) && results[i].Status == Accepted {\n" +
			"				next.Outbox = slices.Delete(next.Outbox, at, at+1)\n			}\n		}\n",
	}}},
	{name: "stale page applied", changes: []change{{
		"api/client/sync.go",
		"	if sent == state.Cursor && c.generation == state.Generation {\n",
		"	if mutated(`stale page applied`) || sent == state.Cursor && c.generation == state.Generation {\n",
	}}},
	{name: "own entries not offered again", changes: []change{{
		"api/client/state.go",
		"		if known.offeredBy(w) {\n",
		"		if known.offeredBy(w) && !mutated(`own entries not offered again`) {\n",
	}}},
	{name: "stamp not handed back", changes: []change{{
		"api/client/state.go",
		"			again = append(again, next.pending(known.Entry))\n",
		"			if mutated(`stamp not handed back`) {\n				known.Entry.Stamp = nil\n			}\n" +
			"			again = append(again, next.pending(known.Entry))\n",
	}}},
	{name: "cursor saved before its page", changes: []change{{
		"api/client/sync.go",
		"	if page.More {\n		return d.saveLocked(next)\n",
		"	if mutated(`cursor saved before its page`) {\n		early := d.state.clone()\n		early.Cursor = next.Cursor\n" +
			"		if err := d.saveLocked(early); err != nil {\n			return err\n		}\n	}\n" +
			"	if page.More {\n		return d.saveLocked(next)\n",
	}}},
	{name: "dedupe by counter", changes: []change{{
		"internal/simulate/phone.go",
		"p.world.phoneIDs.next().String() },\n		PageLimit",
		"p.nextID() },\n		PageLimit",
	}, {
		"internal/simulate/phone.go",
		"// now is what the phone's clock shows.\n",
		"func (p *phone) nextID() string {\n	if !mutated(`dedupe by counter`) {\n		return p.world.phoneIDs.next().String()\n	}\n" +
			"	p.counter++\n	return idOf(uint16(100+p.owner), uint64(p.disk.state.NextSeq)*100+p.counter).String()\n}\n\n" +
			"// now is what the phone's clock shows.\n",
	}, {
		"internal/simulate/phone.go",
		"	number    int\n",
		"	number    int\n	counter   uint64\n",
	}}},
	{name: "cursor from a sequence", changes: []change{{
		"internal/clinic/sync.go",
		"	for i := first; i < upTo; i++ {\n		a.Changes",
		"	for i := first; i < upTo; i++ {\n" +
			"		// What got its number early commits late: it is not there yet when the cursor passes it.\n" +
			"		if e := &f.stored[i]; mutated(`cursor from a sequence`) && e.Author != reader && e.ID[15]%5 == 0 && e.Received().Equal(a.now) {\n" +
			"			continue\n		}\n		a.Changes",
	}, {
		"internal/clinic/sync.go",
		"	o := &outcome{from: f}\n",
		"	o := &outcome{from: f, answer: SyncAnswer{now: c.now.UTC()}}\n",
	}, {
		"internal/clinic/sync.go",
		"	Digest     string\n",
		"	Digest     string\n	now        time.Time\n",
	}}},
	{name: "chain not checked", changes: []change{{
		"internal/clinic/cursor.go",
		"	if cursor != cursorAt(epoch, at, head) {\n",
		"	if cursor != cursorAt(epoch, at, head) && !mutated(`chain not checked`) {\n",
	}}},
	{name: "nights taken for told", changes: []change{{
		"internal/clinic/sync.go",
		"	if f.nightsAt(from) == after.told {\n",
		"	if f.nightsAt(from) == after.told || mutated(`nights taken for told`) {\n",
	}}},
	{name: "edition not looked at", changes: []change{{
		"internal/clinic/household.go",
		"	if edition == known.edition {\n",
		"	if edition == known.edition || mutated(`edition not looked at`) {\n",
	}, {
		"internal/clinic/sync.go",
		"	if c.comes != nil && c.comes.refused == nil {\n",
		"	if c.comes != nil && (c.comes.refused == nil || mutated(`edition not looked at`)) {\n",
	}, {
		"internal/clinic/sync.go",
		"!errors.Is(err, ErrChanged) {\n			if err != nil {\n",
		"!errors.Is(err, ErrChanged) || mutated(`edition not looked at`) {\n			if err != nil && !mutated(`edition not looked at`) {\n",
	}}},
	{name: "projection not recomputed", changes: []change{{
		"internal/clinic/project.go",
		"	// An upload may have been folded since",
		"	if mutated(`projection not recomputed`) && !before.Folded.IsZero() && now.Unix()%2 == 0 {\n		return renewed{Projection: before, view: f.view(learner.ID, now), before: r.before}, nil\n	}\n" +
			"	// An upload may have been folded since",
	}}},
	{name: "stamp ignored", changes: []change{{
		"internal/clinic/ingest.go",
		"stamp != nil && s.sealHolds(u, o) {\n",
		"stamp != nil && s.sealHolds(u, o) && !mutated(`stamp ignored`) {\n",
	}}},
	{name: "revoked phone reads on", changes: []change{{
		"internal/clinic/sync.go",
		"	if o.answer.UploadOnly = c.upload.setAside; !o.answer.UploadOnly {\n",
		"	if o.answer.UploadOnly = c.upload.setAside && !mutated(`revoked phone reads on`); !o.answer.UploadOnly {\n",
	}}},
	{name: "set aside counts at once", changes: []change{{
		"internal/practice/voice.go",
		"	case review == notReviewed:\n		return WhySetAside\n",
		"	case review == notReviewed && !mutated(`set aside counts at once`):\n		return WhySetAside\n",
	}}},
	{name: "delete wins", every: quarrelEvery, changes: []change{{
		"internal/practice/account.go",
		"		if len(a.heads) > 0 {\n",
		"		if mutated(`delete wins`) && len(retractions) > 0 {\n			a.heads = nil\n		}\n		if len(a.heads) > 0 {\n",
	}}},
	{name: "last writer wins by the clock", every: quarrelEvery, changes: []change{{
		"internal/practice/account.go",
		"	useful := false\n",
		"	for i := range accounts {\n		a := &accounts[i]\n		for mutated(`last writer wins by the clock`) && len(a.heads) > 1 {\n" +
			"			earlier := 0\n			if a.heads[1].recorded().unixMilli < a.heads[0].recorded().unixMilli {\n				earlier = 1\n			}\n" +
			"			a.heads = slices.Delete(a.heads, earlier, earlier+1)\n		}\n	}\n	useful := false\n",
	}}},
	{name: "anybody's edit replaces", every: quarrelEvery, changes: []change{{
		"internal/practice/account.go",
		"voices[n].Subject == voices[0].Subject && voices[n].speaker == voices[0].speaker {\n",
		"voices[n].Subject == voices[0].Subject && (voices[n].speaker == voices[0].speaker || mutated(`anybody's edit replaces`)) {\n",
	}}},
	{name: "mean instead of the most cautious", changes: []change{{
		"internal/practice/reading.go",
		"	t.take(t.Readings[0])\n	switch {\n",
		"	t.take(t.Readings[0])\n	if sum := 0; mutated(`mean instead of the most cautious`) {\n		for _, r := range t.Readings {\n			sum += int(r.Ease)\n		}\n" +
			"		t.Ease = Ease(sum / len(t.Readings))\n	}\n	switch {\n",
	}}},
	{name: "settlement that never reopens", every: quarrelEvery, changes: []change{{
		"internal/practice/reading.go",
		"	if heads != len(s.judged) {\n",
		"	if heads != len(s.judged) && !mutated(`settlement that never reopens`) {\n",
	}, {
		"internal/practice/reading.go",
		"		if !slices.Contains(s.judged, r.Entry) {\n",
		"		if !slices.Contains(s.judged, r.Entry) && !mutated(`settlement that never reopens`) {\n",
	}}},
	{name: "disagreement closed by the clinic's word", every: quarrelEvery, changes: []change{{
		"internal/practice/reading.go",
		"	return outcomeIsTheirs && lowest <= s.Ease && s.Ease <= highest\n",
		"	if mutated(`disagreement closed by the clinic's word`) {\n		return outcomeIsTheirs\n	}\n" +
			"	return outcomeIsTheirs && lowest <= s.Ease && s.Ease <= highest\n",
	}}},
	{name: "sitting joined across distinct", every: quarrelEvery, changes: []change{{
		"internal/practice/sitting.go",
		"	if a == b || g.apart[a][b] {\n",
		"	if a == b || (g.apart[a][b] && !mutated(`sitting joined across distinct`)) {\n",
	}}},
	{name: "order of arrival breaks ties", changes: []change{{
		"internal/practice/record.go",
		"	slices.SortFunc(r.entries, func(a, b *Stamped) int { return compareIDs(a.ID.UUID, b.ID.UUID) })\n",
		"	if !mutated(`order of arrival breaks ties`) {\n" +
			"		slices.SortFunc(r.entries, func(a, b *Stamped) int { return compareIDs(a.ID.UUID, b.ID.UUID) })\n	}\n",
	}}},
	{name: "incident withdrawn by its author", changes: []change{{
		"internal/practice/hold.go",
		"	cleared := f.cleared()\n",
		"	cleared := f.cleared()\n	for id, why := range f.record.idle {\n		cleared[id] = cleared[id] || (why == WhyWithdrawn && mutated(`incident withdrawn by its author`))\n	}\n",
	}}},
	{name: "journal not replayed", changes: []change{{
		"internal/clinic/replay.go",
		"	for i := range records {\n",
		"	for i := range records {\n		if mutated(`journal not replayed`) {\n			break\n		}\n",
	}}},
}

// seams are the packages that a mutant's text may ask mutated in.
var seams = map[string]string{
	"api/client": "client", "internal/clinic": "clinic", "internal/practice": "practice", "internal/simulate": "simulate",
}

// TestMutants builds the program with every mutant in it and lets each, by its name, play the ordinary schedules.
func TestMutants(t *testing.T) {
	t.Parallel()
	binary := buildMutants(t)
	t.Run("none", func(t *testing.T) {
		t.Parallel()
		output, err := runMutant(t, binary, mutant{name: "none of them"}, 60)
		require.NoError(t, err, "without a mutant nothing fails: %s", output)
	})
	for _, m := range mutants {
		t.Run(m.name, func(t *testing.T) {
			t.Parallel()
			output, err := runMutant(t, binary, m, inMemory)
			var failed *exec.ExitError
			require.ErrorAs(t, err, &failed, "the mutant lives: %s", output)
			caught := regexp.MustCompile(`schedule (\d+) fails`).FindStringSubmatch(output)
			require.NotNil(t, caught, "the mutant fails, but not by an invariant: %s", output)
			broken := regexp.MustCompile(`simulate_test.go:\d+:     (.*?):`).FindStringSubmatch(output)
			require.NotNil(t, broken, output)
			t.Logf("caught in schedule %s: %s", caught[1], broken[1])
		})
	}
}

func runMutant(t *testing.T, binary string, m mutant, schedules int) (string, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, binary, "-test.run", "^TestSchedules$", "-test.v")
	cmd.Env = append(os.Environ(), mutantVariable+"="+m.name, fmt.Sprintf("%s=%d", countVariable, schedules),
		fmt.Sprintf("%s=%d", everyVariable, max(m.every, 1)), "GOMAXPROCS=1")
	output, err := cmd.CombinedOutput()
	return string(output), err
}

// buildMutants builds a test binary in which every mutant can be chosen by its name.
func buildMutants(t *testing.T) (binary string) {
	t.Helper()
	goCommand, err := exec.LookPath("go")
	if err != nil {
		t.Skip("NOT TESTED: mutants are built with the go command, which is not here")
	}
	module, err := filepath.Abs("../..")
	require.NoError(t, err)
	folder := t.TempDir()
	overlay := map[string]string{}
	for file, text := range mutatedSources(t, module) {
		patched := filepath.Join(folder, strings.ReplaceAll(file, "/", "_"))
		require.NoError(t, os.WriteFile(patched, []byte(text), 0o600))
		overlay[filepath.Join(module, file)] = patched
	}
	replace, err := json.Marshal(map[string]any{"Replace": overlay})
	require.NoError(t, err)
	list := filepath.Join(folder, "overlay.json")
	require.NoError(t, os.WriteFile(list, replace, 0o600))

	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	binary = filepath.Join(folder, "mutants.test")
	build := exec.CommandContext(ctx, goCommand, "test", "-c", "-vet=off", "-overlay", list, "-o", binary, "./internal/simulate")
	build.Dir = module
	output, err := build.CombinedOutput()
	require.NoError(t, err, "%s", output)
	return binary
}

// mutatedSources returns the sources that hold mutants, by file, and in each package the function they ask.
func mutatedSources(t *testing.T, module string) map[string]string {
	t.Helper()
	sources := map[string]string{}
	for _, m := range mutants {
		for _, c := range m.changes {
			text, known := sources[c.file]
			if !known {
				read, err := os.ReadFile(filepath.Join(module, c.file))
				require.NoError(t, err)
				text = string(read)
			}
			require.Equal(t, 1, strings.Count(text, c.from), "%s: in %s this is to be there once: %s", m.name, c.file, c.from)
			sources[c.file] = strings.Replace(text, c.from, c.to, 1)
		}
	}
	for folder, name := range seams {
		sources[folder+"/mutated.go"] = "package " + name + "\n\nimport \"os\"\n\n" +
			"var chosenMutant = os.Getenv(\"" + mutantVariable + "\")\n\nfunc mutated(name string) bool { return chosenMutant == name }\n"
	}
	return sources
}

func TestMutantsHaveNamesOfTheirOwn(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, m := range mutants {
		assert.False(t, seen[m.name], m.name)
		seen[m.name] = true
	}
	assert.GreaterOrEqual(t, len(mutants), 10)
}
