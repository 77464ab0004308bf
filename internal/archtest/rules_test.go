package archtest

import (
	"fmt"
	"go/ast"
	"path"
	"slices"
	"strings"
)

const module = "swallowtail"

// A rule looks at the module and returns what is wrong, one sentence each, beginning with where.
type rule func([]source) []string

// layers maps directories, with all below them, to their height; the longest prefix counts. A package may import what
// is no higher than itself. What lies in internal without a line of its own is as high as judgement and its like.
var layers = map[string]int{
	"migrations":        0,
	"openapi":           0,
	"testdata":          0, // what the program itself shows
	"internal/practice": 1,
	"internal":          2,
	"internal/clinic":   3,
	"internal/store":    4,
	"internal/journal":  4, // beside the store
	"api/oas":           5,
	"api/client":        5,
	"api":               6,
	"internal/simulate": 6, // plays devices through api/client
	"internal/load":     6, // the same
	"cmd":               7,
}

// layerOf returns the height of a directory; false when no line covers it.
func layerOf(dir string) (int, bool) {
	for d := dir; d != "."; d = path.Dir(d) {
		if height, ok := layers[d]; ok {
			return height, true
		}
	}
	return 0, false
}

// within tells whether name is one of the prefixes or lies below one.
func within(name string, prefixes ...string) bool {
	return slices.ContainsFunc(prefixes, func(p string) bool { return name == p || strings.HasPrefix(name, p+"/") })
}

// ours returns the directory of a package of this module.
func ours(imported string) (dir string, ok bool) {
	if imported == module {
		return ".", true
	}
	return strings.CutPrefix(imported, module+"/")
}

// eachImport collects what check finds wrong with the imports; an empty complaint is none.
func eachImport(sources []source, tests bool, check func(s source, imported string) string) []string {
	var wrong []string
	for _, s := range sources {
		if s.test && !tests {
			continue
		}
		for _, imported := range s.imports {
			if complaint := check(s, imported); complaint != "" {
				wrong = append(wrong, fmt.Sprintf("%s: imports %s: %s", s.path(), imported, complaint))
			}
		}
	}
	return wrong
}

func arrowsPointDown(sources []source) []string {
	wrong := eachImport(sources, false, func(s source, imported string) string {
		dir, own := ours(imported)
		if !own {
			return ""
		}
		from, known := layerOf(s.dir)
		to, knownTo := layerOf(dir)
		if known && (!knownTo || to > from) {
			return "lies above"
		}
		return ""
	})
	for _, s := range sources {
		if _, known := layerOf(s.dir); !known {
			wrong = append(wrong, s.path()+": belongs to no layer")
		}
	}
	return wrong
}

func practiceIsPure(sources []source) []string {
	return eachImport(sources, false, func(s source, imported string) string {
		first, _, _ := strings.Cut(imported, "/")
		standard := !strings.Contains(first, ".") && first != module
		if !within(s.dir, "internal/practice") || standard || within(imported, "github.com/google/uuid") ||
			within(imported, module+"/internal/practice") {
			return ""
		}
		return "practice needs only the standard library and google/uuid"
	})
}

// outside is HTTP, SQL and what speaks either.
var outside = []string{
	"net/http", "database/sql", "github.com/labstack/echo", "modernc.org/sqlite", "github.com/jackc/pgx",
}

// inside are the packages that must not know of them.
var inside = []string{
	"internal/practice", "internal/judgement", "internal/stats", "internal/reminder", "internal/fault",
	"internal/access", "internal/clinic", "internal/channel", "internal/calendar",
}

// leaves are packages that stand alone: they import nothing of the module but what lies in them.
var leaves = []string{"internal/channel", "internal/calendar"}

func insideKnowsNoHTTPNorSQL(sources []source) []string {
	return eachImport(sources, false, func(s source, imported string) string {
		if within(s.dir, inside...) && within(imported, outside...) {
			return "HTTP and SQL belong to api and store"
		}
		return ""
	})
}

func onlyAPIImportsGenerated(sources []source) []string {
	return eachImport(sources, true, func(s source, imported string) string {
		if within(imported, module+"/api/oas") && s.dir != "api" && !within(s.dir, "api/oas") {
			return "only api may"
		}
		return ""
	})
}

func memoryIsForTests(sources []source) []string {
	return eachImport(sources, false, func(s source, imported string) string {
		if within(imported, module+"/internal/store/memory") && !within(s.dir, "internal/simulate") {
			return "it keeps nothing: only tests and the simulator may"
		}
		return ""
	})
}

func sqlitetestIsForTests(sources []source) []string {
	return eachImport(sources, false, func(s source, imported string) string {
		if within(imported, module+"/internal/store/sqlite/sqlitetest") {
			return "it fails tests: only they may"
		}
		return ""
	})
}

func leavesStandAlone(sources []source) []string {
	return eachImport(sources, false, func(s source, imported string) string {
		for _, leaf := range leaves {
			if _, own := ours(imported); own && within(s.dir, leaf) && !within(imported, module+"/"+leaf) {
				return leaf + " stands alone"
			}
		}
		return ""
	})
}

func channeltestIsForTests(sources []source) []string {
	return eachImport(sources, false, func(s source, imported string) string {
		if within(imported, module+"/internal/channel/channeltest") {
			return "it does what an address tells it to: only tests may"
		}
		return ""
	})
}

// clockReaders are the functions of package time that look at the clock.
var clockReaders = []string{"Now", "Since", "Until"}

func clockIsAnArgument(sources []source) []string {
	var wrong []string
	for _, s := range sources {
		if s.test || s.generated || s.dir == "api" || within(s.dir, "cmd") {
			continue
		}
		names := importNames(s.syntax, "time")
		if slices.Contains(names, ".") {
			wrong = append(wrong, s.path()+": imports time with a dot, which hides readings of the clock")
		}
		ast.Inspect(s.syntax, func(n ast.Node) bool {
			selector, ok := n.(*ast.SelectorExpr)
			if !ok || !slices.Contains(clockReaders, selector.Sel.Name) {
				return true
			}
			if pkg, ok := selector.X.(*ast.Ident); ok && slices.Contains(names, pkg.Name) {
				wrong = append(wrong, fmt.Sprintf("%s:%d: time.%s: take the instant as an argument",
					s.path(), s.line(n.Pos()), selector.Sel.Name))
			}
			return true
		})
	}
	return wrong
}

// importNames returns the names under which a file knows a package.
func importNames(file *ast.File, imported string) []string {
	var names []string
	for _, spec := range file.Imports {
		switch {
		case spec.Path.Value != `"`+imported+`"`:
		case spec.Name != nil:
			names = append(names, spec.Name.Name)
		default:
			names = append(names, path.Base(imported))
		}
	}
	return names
}

const (
	maxBody = 80  // lines between the braces of a function; the length of a test is that of its table
	maxFile = 600 // lines
)

func sizesAreKept(sources []source) []string {
	var wrong []string
	for _, s := range sources {
		if s.generated {
			continue
		}
		if s.lines > maxFile {
			wrong = append(wrong, fmt.Sprintf("%s: has %d lines, at most %d", s.path(), s.lines, maxFile))
		}
		for _, declaration := range s.syntax.Decls {
			function, ok := declaration.(*ast.FuncDecl)
			if !ok || function.Body == nil || s.test {
				continue
			}
			lines := s.line(function.Body.Rbrace) - s.line(function.Body.Lbrace) - 1
			if lines > maxBody {
				wrong = append(wrong, fmt.Sprintf("%s: %s has %d lines, at most %d", s.path(), function.Name.Name, lines, maxBody))
			}
		}
	}
	return wrong
}

func packagesAreCommented(sources []source) []string {
	commented := map[string]bool{}
	for _, s := range sources {
		if s.test {
			continue
		}
		commented[s.dir] = commented[s.dir] || hasPackageComment(s.syntax)
	}
	var wrong []string
	for dir, ok := range commented {
		if !ok {
			wrong = append(wrong, dir+": no file has a comment that begins \"Package …\", or \"Command …\" for a main")
		}
	}
	slices.Sort(wrong)
	return wrong
}

func hasPackageComment(file *ast.File) bool {
	if file.Name.Name == "main" {
		return strings.HasPrefix(file.Doc.Text(), "Command ")
	}
	return strings.HasPrefix(file.Doc.Text(), "Package "+file.Name.Name+" ")
}
