package archtest

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"strconv"
	"strings"
)

// source is one parsed Go file of the module.
type source struct {
	dir       string // slash-separated, relative to the module's root; "." for the root
	name      string
	test      bool
	generated bool
	imports   []string
	lines     int
	syntax    *ast.File
	positions *token.FileSet
}

func (s source) path() string { return path.Join(s.dir, s.name) }

// line returns the line number of a position in the file.
func (s source) line(pos token.Pos) int { return s.positions.Position(pos).Line }

// load parses every Go file of the module whose root is fsys, leaving out what the go command leaves out: testdata,
// directories that begin with a dot or an underscore, and modules of their own.
func load(fsys fs.FS) ([]source, error) {
	var sources []source
	err := fs.WalkDir(fsys, ".", func(name string, entry fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case entry.IsDir() && skipped(fsys, name):
			return fs.SkipDir
		case entry.IsDir() || path.Ext(name) != ".go":
			return nil
		}
		s, err := parse(fsys, name)
		if err != nil {
			return err
		}
		sources = append(sources, s)
		return nil
	})
	return sources, err
}

func skipped(fsys fs.FS, dir string) bool {
	if dir == "." {
		return false
	}
	base := path.Base(dir)
	if base == "testdata" || base == "node_modules" || strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_") {
		return true
	}
	_, err := fs.Stat(fsys, path.Join(dir, "go.mod"))
	return err == nil
}

func parse(fsys fs.FS, name string) (source, error) {
	data, err := fs.ReadFile(fsys, name)
	if err != nil {
		return source{}, err
	}
	positions := token.NewFileSet()
	syntax, err := parser.ParseFile(positions, name, data, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return source{}, err
	}
	s := source{
		dir: path.Dir(name), name: path.Base(name), test: strings.HasSuffix(name, "_test.go"),
		generated: ast.IsGenerated(syntax), lines: strings.Count(string(data), "\n"), syntax: syntax, positions: positions,
	}
	for _, spec := range syntax.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return source{}, fmt.Errorf("%s: import %s: %w", name, spec.Path.Value, err)
		}
		s.imports = append(s.imports, imported)
	}
	return s, nil
}
