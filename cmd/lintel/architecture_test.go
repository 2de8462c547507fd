package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// module is the module's path, as go.mod has it.
const module = "lintel"

// layer is a package and the packages of the project that it may import: exactly those, so that an
// arrow that nobody uses any more is taken away here, too.
type layer struct {
	pkg  string
	may  []string
	why  string
	pure bool // no clock, no randomness, no I/O, no goroutines, no logging
}

// layers are all packages. The shape is one way:
// cmd ▶ api ▶ api/kit, runner, deliver, ... ▶ engine ▶ rules, epc, layout, catalog.
var layers = []layer{
	{"engine/epc", nil, "identity knows nothing but the standard", true},
	{"engine/event", []string{"engine/epc"}, "nouns and closed sets know nothing but identity", true},
	{"engine/estimate", nil, "estimators know nothing but numbers", true},
	{"engine/quality", []string{"engine/estimate"}, "numbers about rules know nothing of how alerts are kept", true},
	{"engine/sheet", []string{"rules/doc"}, "tables know nothing of items", false},
	{"engine/presence", []string{"engine/epc", "engine/event", "engine/layout"},
		"where items are and what passed is judged from reads alone", true},
	{"rules/doc", nil, "documents are read before they mean anything", true},
	{"rules/hours", []string{"rules/doc"}, "hours know no shop", true},
	{"rules", []string{"engine/epc", "engine/event", "rules/doc", "rules/hours"},
		"rules see plain values only, and know a wrong GTIN", true},
	{"engine/layout", []string{"engine/event", "rules/doc", "rules/hours"}, "documents of a shop stand alone", true},
	{"engine/catalog", []string{"engine/epc", "engine/event", "engine/layout", "rules/doc"},
		"documents of a shop stand alone", false},
	{"engine/least", nil, "a page of many values knows nothing but values", true},
	{"engine/stock", []string{"engine/catalog", "engine/event", "engine/least"},
		"stock is handed moves, a catalogue and zones", true},
	{"engine/stocktake", []string{"engine/epc", "engine/estimate", "engine/event", "engine/layout"},
		"a count is handed its reads, what it expects and a site to ask", true},
	{"engine/alert", []string{"engine/epc", "engine/event", "rules"},
		"alerts know facts and what a rule sees, not where it comes from", true},
	{"engine", []string{"engine/alert", "engine/catalog", "engine/epc", "engine/event", "engine/layout",
		"engine/least", "engine/presence", "engine/stock", "engine/stocktake", "rules"},
		"the core may not know stores, networks or the loop around it", true},
	{"engine/walktest", []string{"engine/epc", "engine/event", "engine/layout"},
		"a walk test judges reads and nothing else", true},
	{"engine/passages", []string{"engine", "engine/catalog", "engine/epc", "engine/event", "engine/layout",
		"engine/presence", "rules", "rules/doc"},
		"a passage is judged from its document and nothing else", true},
	{"engine/epcis", []string{"engine/epc", "engine/event", "engine/layout", "rules/doc"},
		"a form of entries and facts", true},
	{"engine/sim", []string{"engine/catalog", "engine/epc", "engine/event", "engine/layout"}, simFeeds, false},
	{"engine/sim/doors", []string{"engine/catalog", "engine/epc", "engine/event", "engine/sim"}, simFeeds, false},
	{"engine/sim/learn", []string{"engine/event", "engine/layout", "engine/presence", "engine/sim/doors"},
		simFeeds, false},
	{"engine/sim/measure", []string{"engine", "engine/event", "engine/layout", "engine/sim/doors", "rules"},
		simFeeds, false},
	{"engine/store", nil, keepsBytes, false},
	{"engine/store/internal/docs", []string{"engine/store"}, keepsBytes, false},
	{"engine/store/internal/lease", nil, keepsBytes, false},
	{"engine/store/internal/upgrade", []string{"engine/store"}, keepsBytes, false},
	{"engine/store/internal/wake", []string{"engine/store"}, keepsBytes, false},
	{"engine/store/boltstore", []string{"engine/store", "engine/store/internal/docs", "engine/store/internal/lease",
		"engine/store/internal/upgrade", "engine/store/internal/wake"},
		keepsBytes, false},
	{"engine/store/memory", []string{"engine/store", "engine/store/internal/lease", "engine/store/internal/wake"},
		keepsBytes, false},
	{"engine/store/redisstore", []string{"engine/store", "engine/store/internal/docs",
		"engine/store/internal/upgrade", "engine/store/internal/wake"},
		keepsBytes, false},
	{"engine/store/redistest", nil, keepsBytes, false},
	{"engine/store/storetest", []string{"engine/store", "engine/store/memory"}, keepsBytes, false},
	{"engine/trial", []string{"engine", "engine/epc", "engine/estimate", "engine/event", "rules", "rules/doc"},
		"a trial folds facts by the core", false},
	{"engine/cases", []string{"engine", "engine/alert", "engine/catalog", "engine/epc", "engine/event",
		"engine/layout", "engine/stock", "rules", "rules/doc", "rules/hours"},
		"cases play in the core", false},
	{"engine/deliver", []string{"engine/event", "engine/store", "rules/doc", "rules/hours"},
		"the sender knows deliveries and the store", false},
	{"engine/export", []string{"engine", "engine/catalog", "engine/epc", "engine/event", "engine/runner",
		"engine/sheet", "engine/stock", "engine/store"},
		"an export reads what the loop has folded", false},
	{"engine/runner", []string{"engine", "engine/catalog", "engine/epc", "engine/event", "engine/layout",
		"engine/store", "rules", "rules/doc"},
		"the loop knows the core and the store", false},
	{"api/kit", []string{"engine/event", "engine/layout", "engine/store", "rules/doc"},
		"the kit knows no resource: keys and problems need ids of sites, hints and the store", false},
	{"api/client", nil, "a client knows a server by its answers alone", false},
	{"api/client/folder", []string{"api", "api/client", "engine", "engine/layout", "rules/doc"},
		"a folder of documents is applied over HTTP", false},
	{"api/authority", nil, "certificates know nothing of who uses them", false},
	{"api/oidc", []string{"api/kit", "rules/doc"}, "who signs people in knows what a session is, and no resource", false},
	{"api/oidc/oidctest", nil, "a provider for tests is somebody else's", false},
	{"api", []string{"api/kit", "api/oidc", "engine", "engine/alert", "engine/cases", "engine/catalog",
		"engine/deliver", "engine/epc", "engine/epcis", "engine/estimate", "engine/event", "engine/layout",
		"engine/passages", "engine/quality", "engine/runner", "engine/sheet", "engine/stock", "engine/stocktake",
		"engine/store", "engine/trial", "engine/walktest", "rules", "rules/doc", "rules/hours"},
		"the API does not know the process around it", false},
	{"api/console", nil, "files for browsers know nothing of the API that their pages call", false},
	{"api/console/build", nil, "the bundler is in a program of its own, so that the server has none of it", false},
	{"api/app", []string{"api", "api/console", "api/kit", "api/oidc", "engine/deliver", "engine/event",
		"engine/export", "engine/runner", "engine/store", "engine/store/boltstore", "engine/store/redisstore"},
		"the process puts the parts together", false},
	{"api/bench", []string{"api/app", "api/kit", "engine/epc"}, "the benchmark drives a whole process", false},
	{"api/demo", []string{"api", "api/app", "api/console", "api/kit", "engine/catalog", "engine/deliver",
		"engine/epc", "engine/event", "engine/layout", "engine/sim", "engine/store", "engine/store/boltstore", "rules"},
		"the demonstration drives a whole process", false},
	{"cmd/lintel", []string{"api", "api/app", "api/authority", "api/bench", "api/client", "api/client/folder",
		"api/demo", "api/kit", "api/oidc", "engine", "engine/cases", "engine/catalog", "engine/deliver", "engine/epc",
		"engine/event", "engine/layout", "engine/passages", "engine/sim/doors", "engine/sim/measure", "engine/store",
		"engine/store/boltstore", "engine/trial", "engine/walktest", "rules", "rules/doc", "rules/hours"},
		"commands are on top", false},
}

const (
	simFeeds   = "the simulator feeds the core and nothing else"
	keepsBytes = "a store keeps bytes and knows no items"
)

// layerOf returns the layer of a package.
func layerOf(pkg string) (layer, bool) {
	k := slices.IndexFunc(layers, func(l layer) bool { return l.pkg == pkg })
	if k < 0 {
		return layer{}, false
	}
	return layers[k], true
}

// impure are imports and calls that a pure package may not have.
var impureImports = []string{"os", "net", "net/...", "log", "log/...", "math/rand", "math/rand/v2", "crypto/rand",
	"os/...", "io/fs", "database/sql", "syscall", "testing"}
var impureCalls = []string{"time.Now", "time.Since", "time.Until", "time.Sleep", "time.After", "time.Tick",
	"time.NewTimer", "time.NewTicker", "time.AfterFunc", "fmt.Print", "fmt.Println", "fmt.Printf"}

// testHelpers are for tests only.
var testHelpers = []string{"engine/store/storetest", "engine/store/redistest", "api/oidc/oidctest"}

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
			if name := d.Name(); path != root && (strings.HasPrefix(name, ".") && name != "." && name != ".." ||
				name == "testdata" || name == "node_modules" || name == "bin") {
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
	type arrow struct{ from, to string }
	used := make(map[arrow]bool)
	seen := make(map[string]bool)
	for _, s := range sources(t) {
		layer, ok := layerOf(s.dir)
		if !ok {
			t.Errorf("%s: package %s has no place in the shape: give it one in layers, above what it may import", s.path, s.dir)
			continue
		}
		seen[s.dir] = true
		if strings.HasSuffix(s.path, "_test.go") {
			continue
		}
		for _, path := range s.imports(t) {
			if (path == "testing" || strings.HasPrefix(path, "github.com/stretchr/testify")) && !slices.Contains(testHelpers, s.dir) {
				t.Errorf("%s imports %s: helpers of tests don't belong into what is shipped", s.path, path)
			}
			own, isOwn := strings.CutPrefix(path, module+"/")
			if !isOwn {
				if layer.pure && matchesAny(impureImports, path) {
					t.Errorf("%s imports %s, but package %s is pure: equal inputs must give equal outputs, with no "+
						"clock, chance or I/O", s.path, path, s.dir)
				}
				continue
			}
			used[arrow{s.dir, own}] = true
			if slices.Contains(testHelpers, own) && !slices.Contains(testHelpers, s.dir) {
				t.Errorf("%s imports %s, which is for tests only", s.path, own)
			}
			if !slices.Contains(layer.may, own) {
				t.Errorf("%s imports %s: %s", s.path, path, layer.why)
			}
		}
		if layer.pure {
			for _, fault := range impurities(t, s) {
				t.Error(fault)
			}
		}
	}
	for _, l := range layers {
		if !seen[l.pkg] {
			t.Errorf("there is no package %s: take it out of layers", l.pkg)
		}
		for _, to := range l.may {
			if !used[arrow{l.pkg, to}] {
				t.Errorf("%s may import %s and does not: take it out of layers", l.pkg, to)
			}
		}
	}
}

// imports returns the paths that a file imports, by the names that they have in it.
func (s *source) imports(t *testing.T) map[string]string {
	paths := make(map[string]string)
	for _, imp := range s.file.Imports {
		path, err := strconv.Unquote(imp.Path.Value)
		require.NoError(t, err)
		name := path[strings.LastIndexByte(path, '/')+1:]
		if imp.Name != nil {
			name = imp.Name.Name
		}
		if name == "_" || name == "." { // several may have these names
			name += path
		}
		paths[name] = path
	}
	return paths
}

// impurities lists the calls and statements of a file that make a package impure.
func impurities(t *testing.T, s source) (faults []string) {
	paths := s.imports(t)
	for name, path := range paths {
		if strings.HasPrefix(name, ".") && slices.ContainsFunc(impureCalls,
			func(call string) bool { return strings.HasPrefix(call, path+".") }) {
			faults = append(faults, fmt.Sprintf("%s: a pure package imports %s under no name, so that its calls "+
				"can't be told apart", s.path, path))
		}
	}
	ast.Inspect(s.file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			faults = append(faults, fmt.Sprintf("%s: a goroutine in a pure package", s.fset.Position(n.Pos())))
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok {
				if call := paths[x.Name] + "." + n.Sel.Name; slices.Contains(impureCalls, call) {
					faults = append(faults, fmt.Sprintf("%s: %s in a pure package: time is data on the entry",
						s.fset.Position(n.Pos()), call))
				}
			}
		}
		return true
	})
	return faults
}

// TestAnAliasHidesNoClock holds the check of pure packages against files that go round about.
func TestAnAliasHidesNoClock(t *testing.T) {
	for text, want := range map[string]int{
		"import \"time\"\nvar a = time.Now()":                           1,
		"import clock \"time\"\nvar a = clock.Now()":                    1,
		"import clock \"time\"\nvar a = clock.Since\nvar b = clock.Now": 2,
		"import . \"time\"\nvar a = Now()":                              1,
		"import \"fmt\"\nvar a, _ = fmt.Println()":                      1,
		"func f() { go f() }":                                           1,
		"import \"time\"\nvar a = time.Unix(0, 0)":                      0,
		"var time struct{ Now int }\nvar a = time.Now":                  0,
		"import time \"example.test/hours\"\nvar a = time.Now()":        0,
	} {
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, "x.go", "package x\n"+text, parser.SkipObjectResolution)
		require.NoError(t, err, text)
		require.Len(t, impurities(t, source{path: "x.go", file: f, fset: fset}), want, text)
	}
}

// TestWhatRunsAlone holds the packages whose tests .ci/run plays without the race detector against their sources:
// nothing in them, tests included, may run beside anything.
func TestWhatRunsAlone(t *testing.T) {
	script, err := os.ReadFile(filepath.Join("..", "..", ".ci", "run"))
	require.NoError(t, err)
	_, list, _ := strings.Cut(string(script), "\nalone=\"")
	list, _, _ = strings.Cut(list, "\"")
	alone := strings.Fields(list)
	require.NotEmpty(t, alone)
	found := map[string]bool{}
	for _, s := range sources(t) {
		if !slices.Contains(alone, s.dir) {
			continue
		}
		found[s.dir] = true
		for _, path := range s.imports(t) {
			if slices.Contains([]string{"testing/synctest", "net/http", "golang.org/x/sync/errgroup"}, path) {
				t.Errorf("%s imports %s: take %s out of the list in .ci/run, or the import out of it", s.path, path, s.dir)
			}
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			_, begins := n.(*ast.GoStmt)
			if sel, ok := n.(*ast.SelectorExpr); ok && sel.Sel.Name == "Go" { // as of a sync.WaitGroup
				begins = true
			}
			if begins {
				t.Errorf("%s: a goroutine: take %s out of the list in .ci/run", s.fset.Position(n.Pos()), s.dir)
			}
			return true
		})
	}
	require.Len(t, found, len(alone))
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
