package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// module is the module's path, as go.mod has it.
const module = "lintel"

// layers say which packages of the project a package may import: those of its own list, and nothing else. A prefix ends in "/...". The shape is one way:
// cmd ▶ api ▶ runner, deliver, ... ▶ engine ▶ rules, epc, layout, catalog.
var layers = []struct {
	pkg  string
	may  []string
	why  string
	pure bool // no clock, no randomness, no I/O, no goroutines, no logging
}{
	{"engine/epc", nil, "identity knows nothing but the standard", true},
	{"engine/estimate", nil, "estimators know nothing but numbers", true},
	{"engine/quality", []string{"engine/estimate"}, "numbers about rules know nothing of how alerts are kept", true},
	{"engine/sheet", []string{"engine/estimate"}, "tables know nothing of items", false},
	{"engine/presence", nil, "what went through a door is judged from reads, by numbers alone", true},
	{"rules/doc", nil, "documents are read before they mean anything", true},
	{"rules/hours", []string{"rules/doc"}, "hours know no shop", true},
	{"rules", []string{"rules/doc", "rules/hours"}, "rules see plain values only", true},
	{"engine/layout", []string{"rules/doc", "rules/hours"}, "documents of a shop stand alone", true},
	{"engine/catalog", []string{"engine/epc", "engine/layout", "rules/doc"}, "documents of a shop stand alone", false},
	{"engine", []string{"rules", "engine/epc", "engine/layout", "engine/catalog", "engine/estimate", "engine/presence"}, "the core may not know stores, networks or the loop around it", true},
	{"engine/walktest", []string{"engine", "engine/epc", "engine/layout"}, "a walk test judges reads and nothing else", true},
	{"engine/passages", []string{"engine", "engine/epc", "engine/layout", "engine/catalog", "rules/doc", "rules"}, "a passage is judged from its document and nothing else", true},
	{"engine/epcis", []string{"engine", "engine/epc", "engine/layout", "rules/doc"}, "a form of entries and facts", true},
	{"engine/sim/...", []string{"engine", "engine/...", "rules"}, "the simulator feeds the core and nothing else", false},
	{"engine/store/...", []string{"engine/store", "engine/store/..."}, "a store keeps bytes and knows no items", false},
	{"engine/trial", []string{"engine", "engine/epc", "engine/layout", "engine/catalog", "engine/estimate", "rules", "rules/doc"}, "a trial folds facts by the core", false},
	{"engine/cases", []string{"engine", "engine/epc", "engine/layout", "engine/catalog", "rules", "rules/doc", "rules/hours"}, "cases play in the core", false},
	{"engine/deliver", []string{"engine", "engine/store", "rules/doc", "rules/hours"}, "the sender knows deliveries and the store", false},
	{"engine/export", []string{"engine", "engine/...", "rules"}, "an export reads what the loop has folded", false},
	{"engine/runner", []string{"engine", "engine/epc", "engine/layout", "engine/catalog", "engine/store", "rules", "rules/doc"}, "the loop knows the core and the store", false},
	{"api/client", nil, "a client knows a server by its answers alone", false},
	{"api/...", []string{"api", "api/...", "engine", "engine/...", "rules", "rules/..."}, "the outside knows all within", false},
	{"api", []string{"engine", "engine/...", "rules", "rules/..."}, "the API does not know the process around it", false},
	{"cmd/...", []string{"api", "api/...", "engine", "engine/...", "rules", "rules/..."}, "commands are on top", false},
}

// impure are imports and calls that a pure package may not have.
var impureImports = []string{"os", "net", "net/...", "log", "log/...", "math/rand", "math/rand/v2", "crypto/rand", "os/...", "io/fs", "database/sql", "syscall", "testing"}
var impureCalls = []string{"time.Now", "time.Since", "time.Until", "time.Sleep", "time.After", "time.Tick", "time.NewTimer", "time.NewTicker", "time.AfterFunc", "fmt.Print", "fmt.Println", "fmt.Printf"}

// testHelpers are for tests only.
var testHelpers = []string{"engine/store/storetest", "engine/store/redistest"}

func matches(pattern, path string) bool {
	if prefix, ok := strings.CutSuffix(pattern, "/..."); ok {
		return path == prefix || strings.HasPrefix(path, prefix+"/")
	}
	return pattern == path
}

func matchesAny(patterns []string, path string) bool {
	return slices.ContainsFunc(patterns, func(p string) bool { return matches(p, path) })
}

type source struct {
	path string // from the module's root
	dir  string
	file *ast.File
	fset *token.FileSet
}

func sources(t *testing.T) []source {
	root := filepath.Join("..", "..")
	var all []source
	fset := token.NewFileSet()
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); path != root && (strings.HasPrefix(name, ".") && name != "." && name != ".." || name == "testdata" || name == "node_modules" || name == "bin") {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		f, err := parser.ParseFile(fset, path, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		all = append(all, source{path: filepath.ToSlash(rel), dir: filepath.ToSlash(filepath.Dir(rel)), file: f, fset: fset})
		return nil
	}))
	require.Greater(t, len(all), 50)
	return all
}

func TestImportsPointOneWay(t *testing.T) {
	for _, s := range sources(t) {
		k := slices.IndexFunc(layers, func(l struct {
			pkg  string
			may  []string
			why  string
			pure bool
		}) bool {
			return l.pkg == s.dir
		})
		if k < 0 {
			k = slices.IndexFunc(layers, func(l struct {
				pkg  string
				may  []string
				why  string
				pure bool
			}) bool {
				return matches(l.pkg, s.dir)
			})
		}
		if k < 0 {
			t.Errorf("%s: package %s has no place in the shape: give it one in layers, above what it may import", s.path, s.dir)
			continue
		}
		layer := layers[k]
		test := strings.HasSuffix(s.path, "_test.go")
		for _, imp := range s.file.Imports {
			path, err := strconv.Unquote(imp.Path.Value)
			require.NoError(t, err)
			if !test && (path == "testing" || strings.HasPrefix(path, "github.com/stretchr/testify")) && !matchesAny(testHelpers, s.dir) {
				t.Errorf("%s imports %s: helpers of tests don't belong into what is shipped", s.path, path)
			}
			own, isOwn := strings.CutPrefix(path, module+"/")
			if isOwn {
				if test || own == s.dir {
					continue
				}
				if matchesAny(testHelpers, own) && !matchesAny(testHelpers, s.dir) {
					t.Errorf("%s imports %s, which is for tests only", s.path, path)
				}
				if !matchesAny(layer.may, own) {
					t.Errorf("%s imports %s: %s", s.path, path, layer.why)
				}
				continue
			}
			if layer.pure && !test && matchesAny(impureImports, path) {
				t.Errorf("%s imports %s, but package %s is pure: equal inputs must give equal outputs, with no clock, chance or I/O", s.path, path, s.dir)
			}
		}
		if layer.pure && !test {
			requirePure(t, s)
		}
	}
}

// requirePure looks for calls and statements that make a package impure.
func requirePure(t *testing.T, s source) {
	ast.Inspect(s.file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			t.Errorf("%s: a goroutine in a pure package", s.fset.Position(n.Pos()))
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok {
				if call := fmt.Sprintf("%s.%s", x.Name, n.Sel.Name); slices.Contains(impureCalls, call) {
					t.Errorf("%s: %s in a pure package: time is data on the entry", s.fset.Position(n.Pos()), call)
				}
			}
		}
		return true
	})
}

func TestEveryPackageHasOneDocComment(t *testing.T) {
	docs := make(map[string][]string)
	packages := make(map[string]bool)
	for _, s := range sources(t) {
		if strings.HasSuffix(s.path, "_test.go") {
			continue
		}
		packages[s.dir] = true
		if s.file.Doc != nil {
			docs[s.dir] = append(docs[s.dir], s.path)
		}
	}
	for dir := range packages {
		if len(docs[dir]) != 1 {
			t.Errorf("package %s has its doc comment in %v; it must be in exactly one file", dir, docs[dir])
		}
	}
}

func TestFilesAreSplitByConcept(t *testing.T) {
	for _, s := range sources(t) {
		if lines := s.fset.Position(s.file.End()).Line; lines > 620 && !strings.HasSuffix(s.path, "_test.go") {
			t.Errorf("%s has %d lines: split it by concept", s.path, lines)
		}
	}
}
