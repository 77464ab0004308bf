package archtest

import (
	"os"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var rules = map[string]rule{
	"arrows point down":            arrowsPointDown,
	"practice is pure":             practiceIsPure,
	"inside knows no HTTP nor SQL": insideKnowsNoHTTPNorSQL,
	"only api imports generated":   onlyAPIImportsGenerated,
	"memory is for tests":          memoryIsForTests,
	"channeltest is for tests":     channeltestIsForTests,
	"sqlitetest is for tests":      sqlitetestIsForTests,
	"leaves stand alone":           leavesStandAlone,
	"the clock is an argument":     clockIsAnArgument,
	"sizes are kept":               sizesAreKept,
	"packages are commented":       packagesAreCommented,
}

func TestTheHouse(t *testing.T) {
	t.Parallel()
	sources, err := load(os.DirFS("../.."))
	require.NoError(t, err)
	seen := false
	for _, s := range sources {
		seen = seen || s.path() == "internal/archtest/archtest_test.go"
	}
	require.True(t, seen, "the walk must begin at the module's root")

	for name, check := range rules {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			wrong := check(sources)
			assert.Empty(t, wrong, strings.Join(wrong, "\n"))
		})
	}
}

// fabricate parses an invented module of one file.
func fabricate(t *testing.T, path, content string) []source {
	t.Helper()
	sources, err := load(fstest.MapFS{path: {Data: []byte(content)}})
	require.NoError(t, err)
	require.Len(t, sources, 1)
	return sources
}

func TestImportRules(t *testing.T) {
	t.Parallel()
	cases := []struct {
		rule     string
		path     string
		imported string
		allowed  bool
	}{
		{"arrows point down", "cmd/swallowtail/run.go", "swallowtail/api", true},
		{"arrows point down", "api/server.go", "swallowtail/internal/clinic", true},
		{"arrows point down", "api/server.go", "swallowtail/openapi", true},
		{"arrows point down", "internal/access/token.go", "swallowtail/internal/fault", true},
		{"arrows point down", "internal/store/sqlite/tx.go", "swallowtail/internal/clinic", true},
		{"arrows point down", "internal/newcomer/a.go", "swallowtail/internal/practice", true},
		{"arrows point down", "internal/practice/a.go", "swallowtail/internal/practice/deep", true},
		{"arrows point down", "internal/clinic/a_test.go", "swallowtail/internal/store/sqlite", true},
		{"arrows point down", "api/server.go", "swallowtail/cmd/swallowtail", false},
		{"arrows point down", "internal/clinic/a.go", "swallowtail/api", false},
		{"arrows point down", "internal/clinic/a.go", "swallowtail/internal/store/sqlite", false},
		{"arrows point down", "internal/access/a.go", "swallowtail/internal/clinic", false},
		{"arrows point down", "internal/newcomer/a.go", "swallowtail/internal/clinic", false},
		{"arrows point down", "internal/practice/a.go", "swallowtail/internal/fault", false},
		{"arrows point down", "api/client/a.go", "swallowtail/api", false},
		{"arrows point down", "migrations/a.go", "swallowtail/internal/practice", false},
		{"arrows point down", "internal/clinic/a.go", "swallowtail", false},
		{"arrows point down", "tools/a.go", "fmt", false},

		{"practice is pure", "internal/practice/a.go", "time", true},
		{"practice is pure", "internal/practice/a.go", "encoding/json", true},
		{"practice is pure", "internal/practice/a.go", "github.com/google/uuid", true},
		{"practice is pure", "internal/practice/a_test.go", "github.com/stretchr/testify/assert", true},
		{"practice is pure", "internal/practised/a.go", "golang.org/x/text/language", true},
		{"practice is pure", "internal/practice/a.go", "golang.org/x/text/language", false},
		{"practice is pure", "internal/practice/deep/a.go", "github.com/google/uuidx", false},
		{"practice is pure", "internal/practice/a.go", "swallowtail/openapi", false},

		{"inside knows no HTTP nor SQL", "api/a.go", "net/http", true},
		{"inside knows no HTTP nor SQL", "internal/store/sqlite/a.go", "database/sql", true},
		{"inside knows no HTTP nor SQL", "internal/clinic/a.go", "net/url", true},
		{"inside knows no HTTP nor SQL", "internal/practice/a.go", "net/http", false},
		{"inside knows no HTTP nor SQL", "internal/clinic/a.go", "database/sql", false},
		{"inside knows no HTTP nor SQL", "internal/access/a.go", "github.com/labstack/echo/v4", false},
		{"inside knows no HTTP nor SQL", "internal/judgement/a.go", "net/http/httptest", false},
		{"inside knows no HTTP nor SQL", "internal/channel/a.go", "net", true},
		{"inside knows no HTTP nor SQL", "internal/calendar/a.go", "net/http", false},

		{"only api imports generated", "api/a.go", "swallowtail/api/oas", true},
		{"only api imports generated", "api/a_test.go", "swallowtail/api/oas", true},
		{"only api imports generated", "api/client/a.go", "swallowtail/api/oas", false},
		{"only api imports generated", "cmd/swallowtail/a.go", "swallowtail/api/oas", false},
		{"only api imports generated", "api/client/a_test.go", "swallowtail/api/oas", false},

		{"memory is for tests", "internal/clinic/a_test.go", "swallowtail/internal/store/memory", true},
		{"memory is for tests", "internal/simulate/a.go", "swallowtail/internal/store/memory", true},
		{"memory is for tests", "internal/simulate/deep/a.go", "swallowtail/internal/store/memory", true},
		{"memory is for tests", "cmd/swallowtail/a.go", "swallowtail/internal/store/sqlite", true},
		{"memory is for tests", "cmd/swallowtail/a.go", "swallowtail/internal/store/memory", false},
		{"memory is for tests", "api/a.go", "swallowtail/internal/store/memory", false},
		{"memory is for tests", "internal/store/storetest/a.go", "swallowtail/internal/store/memory", false},

		{"channeltest is for tests", "internal/channel/a_test.go", "swallowtail/internal/channel/channeltest", true},
		{"channeltest is for tests", "cmd/swallowtail/a_test.go", "swallowtail/internal/channel/channeltest", true},
		{"channeltest is for tests", "cmd/swallowtail/a.go", "swallowtail/internal/channel", true},
		{"channeltest is for tests", "cmd/swallowtail/a.go", "swallowtail/internal/channel/channeltest", false},
		{"channeltest is for tests", "internal/channel/a.go", "swallowtail/internal/channel/channeltest", false},

		{"sqlitetest is for tests", "api/a_test.go", "swallowtail/internal/store/sqlite/sqlitetest", true},
		{"sqlitetest is for tests", "api/a.go", "swallowtail/internal/store/sqlite", true},
		{"sqlitetest is for tests", "api/a.go", "swallowtail/internal/store/sqlite/sqlitetest", false},

		{"leaves stand alone", "internal/channel/a.go", "github.com/wneessen/go-mail", true},
		{"leaves stand alone", "internal/channel/channeltest/a.go", "swallowtail/internal/channel", true},
		{"leaves stand alone", "internal/channel/a_test.go", "swallowtail/internal/practice", true},
		{"leaves stand alone", "internal/channels/a.go", "swallowtail/internal/practice", true},
		{"leaves stand alone", "internal/channel/a.go", "swallowtail/internal/practice", false},
		{"leaves stand alone", "internal/calendar/a.go", "swallowtail/internal/channel", false},
	}
	for _, c := range cases {
		t.Run(c.rule+": "+c.path+" to "+c.imported, func(t *testing.T) {
			t.Parallel()
			wrong := rules[c.rule](fabricate(t, c.path, "package a\n\nimport _ \""+c.imported+"\"\n"))
			if c.allowed {
				assert.Empty(t, wrong)
				return
			}
			require.Len(t, wrong, 1)
			assert.True(t, strings.HasPrefix(wrong[0], c.path+": "), wrong[0])
		})
	}
}

func TestSourceRules(t *testing.T) {
	t.Parallel()
	const (
		clock     = "package a\n\nimport \"time\"\n\n"
		generated = "// Code generated by hand. DO NOT EDIT.\n\n"
	)
	body := func(lines int) string { return "package a\n\nfunc F() {\n" + strings.Repeat("\tF()\n", lines) + "}\n" }
	file := func(lines int) string { return "package a\n" + strings.Repeat("\n", lines-1) }
	cases := map[string]struct {
		rule, path, content, wrong string
	}{
		"clock read":            {"the clock is an argument", "internal/a/a.go", clock + "var t = time.Now()\n", "internal/a/a.go:5: time.Now"},
		"clock handed on":       {"the clock is an argument", "api/client/a.go", clock + "var now = time.Now\n", "api/client/a.go:5: time.Now"},
		"clock under a name":    {"the clock is an argument", "internal/a/a.go", "package a\nimport clock \"time\"\nvar t = clock.Since(x)\n", "a.go:3: time.Since"},
		"clock by a dot":        {"the clock is an argument", "internal/a/a.go", "package a\nimport . \"time\"\nvar t = Now()\n", "with a dot"},
		"clock in cmd":          {"the clock is an argument", "cmd/swallowtail/a.go", clock + "var t = time.Now()\n", ""},
		"clock in api":          {"the clock is an argument", "api/a.go", clock + "var t = time.Now()\n", ""},
		"clock in a test":       {"the clock is an argument", "internal/a/a_test.go", clock + "var t = time.Now()\n", ""},
		"another Now":           {"the clock is an argument", "internal/a/a.go", clock + "var t = config.Now()\nvar d time.Time\n", ""},
		"a Now in a comment":    {"the clock is an argument", "internal/a/a.go", clock + "// time.Now() is for others.\nvar d time.Time\n", ""},
		"body of 80":            {"sizes are kept", "internal/a/a.go", body(80), ""},
		"body of 81":            {"sizes are kept", "internal/a/a.go", body(81), "F has 81 lines"},
		"body of 81, test":      {"sizes are kept", "internal/a/a_test.go", body(81), ""},
		"body of 81, generated": {"sizes are kept", "api/oas/a.go", generated + body(81), ""},
		"file of 600":           {"sizes are kept", "internal/a/a.go", file(600), ""},
		"file of 601":           {"sizes are kept", "internal/a/a.go", file(601), "has 601 lines"},
		"file of 601, test":     {"sizes are kept", "internal/a/a_test.go", file(601), "has 601 lines"},
		"file, generated":       {"sizes are kept", "api/oas/a.go", generated + file(601), ""},
		"package comment":       {"packages are commented", "internal/a/a.go", "// Package a is here.\npackage a\n", ""},
		"command comment":       {"packages are commented", "cmd/a/a.go", "// Command a runs.\npackage main\n", ""},
		"no comment":            {"packages are commented", "internal/a/a.go", "package a\n", "internal/a: "},
		"comment set apart":     {"packages are commented", "internal/a/a.go", "// Package a is here.\n\npackage a\n", "internal/a: "},
		"comment of another":    {"packages are commented", "internal/a/a.go", "// Package ab is here.\npackage a\n", "internal/a: "},
		"only tests":            {"packages are commented", "internal/a/a_test.go", "package a\n", ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			wrong := rules[c.rule](fabricate(t, c.path, c.content))
			if c.wrong == "" {
				assert.Empty(t, wrong)
				return
			}
			require.Len(t, wrong, 1)
			assert.Contains(t, wrong[0], c.wrong)
		})
	}
}

func TestOnePackageCommentIsEnough(t *testing.T) {
	t.Parallel()
	sources, err := load(fstest.MapFS{
		"internal/a/a.go":   {Data: []byte("package a\n")},
		"internal/a/doc.go": {Data: []byte("// Package a is here.\npackage a\n")},
		"internal/a/z.go":   {Data: []byte("package a\n")},
	})
	require.NoError(t, err)
	assert.Empty(t, packagesAreCommented(sources))
}

func TestLoadLeavesOutWhatIsNotOurs(t *testing.T) {
	t.Parallel()
	broken := &fstest.MapFile{Data: []byte("not Go")}
	sources, err := load(fstest.MapFS{
		"internal/a/a.go":          {Data: []byte("package a\n")},
		"internal/a/testdata/b.go": broken,
		".ci/c.go":                 broken,
		"_old/d.go":                broken,
		"fhir/go.mod":              {Data: []byte("module fhir\n")},
		"fhir/e.go":                broken,
		"README.md":                broken,
	})
	require.NoError(t, err)
	require.Len(t, sources, 1)
	assert.Equal(t, "internal/a/a.go", sources[0].path())

	_, err = load(fstest.MapFS{"internal/a/a.go": broken})
	require.Error(t, err, "a file that cannot be parsed is not passed over")
}
