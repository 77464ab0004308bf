package door

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

var update = flag.Bool("update", false, "write what the door says now into the files of testdata")

// Each file of testdata is a row of cases. A case is a line that begins with #, which says in what role and schema the
// entry is offered where that is not a caregiver's first; the entry as sent; a line of dashes; and what the door says.
const (
	caseMark = "# "
	saysMark = "\n----\n"
)

func TestGoldens(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("testdata/*.txt")
	require.NoError(t, err)
	require.Len(t, files, 4)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			content, err := os.ReadFile(file)
			require.NoError(t, err)
			now := answerAll(t, string(content))
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(now), 0o644))
				return
			}
			assert.Equal(t, string(content), now)
		})
	}
}

// answerAll returns the content of a golden file with what the door says now.
func answerAll(t *testing.T, content string) string {
	t.Helper()
	var now strings.Builder
	for _, part := range goldenCases(t, content) {
		fmt.Fprintf(&now, "%s%s\n%s%s%s\n", caseMark, part.title, part.input, saysMark, part.answer())
	}
	return now.String()
}

type goldenCase struct{ title, input string }

func goldenCases(t *testing.T, content string) []goldenCase {
	t.Helper()
	var cases []goldenCase
	for _, part := range strings.Split("\n"+content, "\n"+caseMark)[1:] {
		title, rest, found := strings.Cut(part, "\n")
		require.True(t, found, part)
		input, _, found := strings.Cut(rest, saysMark)
		require.True(t, found, part)
		cases = append(cases, goldenCase{title: title, input: input})
	}
	return cases
}

func (c goldenCase) examine() Offered {
	role, schema := practice.Caregiver, 1
	if strings.Contains(c.title, "clinician") {
		role = practice.Clinician
	}
	if strings.Contains(c.title, "schema 2") {
		schema = 2
	}
	return Examine([]byte(c.input), schema, role)
}

func (c goldenCase) answer() string {
	o := c.examine()
	var says strings.Builder
	fmt.Fprintf(&says, "%s", o.Status)
	if o.MayBeIncident {
		says.WriteString(", may be an incident")
	}
	fmt.Fprintf(&says, "\nid %s, kind %q\n", o.Entry.ID, o.Kind)
	for _, f := range o.Flaws {
		fmt.Fprintf(&says, "%q: %s\n", f.Pointer, f.Detail)
	}
	return says.String()
}
