// Package archtest holds the rules of the house as tests: who may import whom,
// and why; and that the migrations follow each other without a gap.
package archtest

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const (
	module = "nextprobe"
	root   = "../.."
)

// rule says what a package may import. Every package of the module has one: a
// new package is a decision that is written down here.
type rule struct {
	pkg string   // below the module; a final /... takes in what lies below
	own []string // our packages it may import
	why string
	// closed packages import from outside the standard library only what outside
	// lists; open ones (outside "*") what they like.
	outside []string
	pure    bool
}

var pureOutside = []string{"gonum.org/v1/gonum", "github.com/expr-lang/expr", "go.yaml.in/yaml/v3"}

const (
	anything = "*"
	pureWhy  = "pure: the same input gives the same answer to the last digit; time and seeds are passed in"
)

var rules = []rule{
	{pkg: "internal/problem", why: "everybody speaks of errors in it, so it knows nobody", pure: true},
	{pkg: "internal/units", own: []string{"internal/problem"}, why: pureWhy, pure: true},
	{pkg: "internal/measure", own: []string{"internal/problem", "internal/units"}, why: pureWhy, outside: pureOutside, pure: true},
	{pkg: "internal/diagnosis", own: []string{"internal/problem"}, why: pureWhy + "; works on indices, not on a library", outside: pureOutside, pure: true},
	{pkg: "internal/faultlib", own: []string{"internal/problem", "internal/units", "internal/measure", "internal/diagnosis"}, why: pureWhy, outside: pureOutside, pure: true},
	{pkg: "internal/reliability", own: []string{"internal/problem"}, why: pureWhy, outside: pureOutside, pure: true},
	{pkg: "internal/learning", own: []string{"internal/problem", "internal/diagnosis"}, why: pureWhy, outside: pureOutside, pure: true},
	{pkg: "internal/shop", own: pureRooms, why: "the domain knows no database and no HTTP; it declares the store it needs",
		outside: []string{"github.com/google/uuid", "github.com/alexedwards/argon2id", "gonum.org/v1/gonum"}},
	{pkg: "internal/demo", own: append([]string{"internal/shop"}, pureRooms...), why: "fills a shop through its use cases, as a user would",
		outside: []string{"github.com/google/uuid"}},
	{pkg: "internal/config", own: []string{"internal/problem"}, why: "settings only",
		outside: []string{"github.com/spf13/viper", "github.com/spf13/pflag"}},
	{pkg: "internal/httpkit", own: []string{"internal/problem"}, why: "what api and web share must know neither", outside: []string{anything}},
	{pkg: "internal/workbook", own: append([]string{"internal/shop"}, pureRooms...), why: "the spreadsheet that api and web both hand out",
		outside: []string{"github.com/xuri/excelize/v2"}},
	{pkg: "internal/archtest", why: "tests only"},
	{pkg: "internal/testsummary", why: "a tool of the Makefile"},
	{pkg: "migrations", why: "files only"},
	{pkg: "store", own: append([]string{"internal/shop", "migrations"}, pureRooms...), why: "the only place that knows Postgres", outside: []string{anything}},
	{pkg: "store/pgserver", own: []string{"internal/problem"}, why: "runs a server, knows no table", outside: []string{"github.com/jackc/pgx/v5", "golang.org/x/sys"}},
	{pkg: "store/pgtest/...", own: []string{"store/pgserver", "store/pgtest"}, why: "store's own tests use it", outside: []string{"github.com/jackc/pgx/v5"}},
	{pkg: "store/storetest", own: append([]string{"store", "store/pgtest", "store/pgserver", "migrations", "internal/shop"}, pureRooms...), why: "a migrated store for the tests of others", outside: []string{anything}},
	{pkg: "api", own: append([]string{"internal/shop", "internal/httpkit", "internal/workbook"}, pureRooms...), why: "REST speaks to the use cases, never to the database or the pages", outside: []string{anything}},
	{pkg: "web", own: append([]string{"internal/shop", "internal/httpkit", "internal/workbook"}, pureRooms...), why: "pages speak to the use cases, never to the database or REST", outside: []string{anything}},
	{pkg: "cmd/nextprobe", own: []string{anything}, why: "wires all", outside: []string{anything}},
	{pkg: "deploy/...", own: []string{anything}, why: "benchmarks and tools around the program", outside: []string{anything}},
}

var pureRooms = []string{"internal/problem", "internal/units", "internal/measure", "internal/diagnosis", "internal/faultlib", "internal/reliability", "internal/learning"}

// ban forbids an import everywhere but in the packages excepted.
type ban struct {
	path   string
	except []string
	why    string
}

var bans = []ban{
	{module + "/internal/config", []string{"cmd/nextprobe"}, "only cmd reads the configuration; others are told"},
	{"github.com/spf13/viper", []string{"internal/config"}, "only config reads settings"},
	{"github.com/spf13/cobra", []string{"cmd/nextprobe"}, "only cmd has commands"},
	{"github.com/jackc/pgx/v5", []string{"store", "store/pgserver", "store/pgtest/...", "store/storetest", "cmd/nextprobe", "deploy/..."}, "only store speaks to Postgres"},
	{"database/sql", []string{"store"}, "pgx is used directly; golang-migrate alone wants database/sql"},
	{"testing", []string{"store/pgtest/...", "store/storetest"}, "test code does not belong in the program"},
	{"log", nil, "log/slog, which has levels and fields"},
	{"math/rand", nil, "math/rand/v2 with a seed, or crypto/rand"},
	{"github.com/pkg/errors", nil, "the standard library wraps errors"},
	{"unsafe", nil, "nothing here needs it"},
}

// impure is what a pure package must not import.
var impure = []string{"time", "context", "os", "math/rand", "math/rand/v2", "crypto/rand", "log", "log/slog", "net", "net/http", "sync/atomic", "runtime", "syscall", "io/ioutil"}

// imported is one import in one file.
type imported struct {
	pkg, file, path string
	test            bool
}

func TestImportsFollowTheRules(t *testing.T) {
	t.Parallel()
	list := imports(t)
	unruled := map[string]bool{}
	for _, imp := range list {
		if imp.test {
			continue // Tests may set up what they test with whatever serves.
		}
		r := ruleOf(imp.pkg)
		if r == nil {
			if !unruled[imp.pkg] {
				t.Errorf("package %s (%s) has no rule; add one to the table in internal/archtest", imp.pkg, imp.file)
			}
			unruled[imp.pkg] = true
			continue
		}
		if msg := r.judge(imp.path); msg != "" {
			t.Errorf("%s imports %s: %s (%s: %s)", imp.file, imp.path, msg, r.pkg, r.why)
		}
		for _, b := range bans {
			if under(imp.path, b.path) && !excepted(b, imp.pkg) {
				t.Errorf("%s imports %s: %s", imp.file, imp.path, b.why)
			}
		}
	}
	if len(list) < 100 {
		t.Fatalf("only %d imports found: the test looks in the wrong place", len(list))
	}
}

// Tests of api must not reach into web, nor the other way round: what they share
// would grow there unseen.
func TestApiAndWebStayApartInTestsToo(t *testing.T) {
	t.Parallel()
	for _, imp := range imports(t) {
		if (imp.pkg == "api" && under(imp.path, module+"/web")) || (imp.pkg == "web" && under(imp.path, module+"/api")) {
			t.Errorf("%s imports %s", imp.file, imp.path)
		}
	}
}

// The table itself must be able to refuse.
func TestTheRulesRefuse(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		pkg, path string
		ok        bool
	}{
		{"internal/diagnosis", "math", true},
		{"internal/diagnosis", "time", false},
		{"internal/diagnosis", "os/exec", false},
		{"internal/diagnosis", module + "/internal/units", false},
		{"internal/diagnosis", "gonum.org/v1/gonum/stat/distuv", true},
		{"internal/measure", module + "/internal/units", true},
		{"internal/shop", module + "/store", false},
		{"internal/shop", "github.com/labstack/echo/v4", false},
		{"web", module + "/api", false},
		{"api", module + "/internal/shop", true},
		{"store/pgtest/cmd/pgteststop", module + "/store/pgtest", true},
	} {
		if got := ruleOf(tc.pkg).judge(tc.path) == ""; got != tc.ok {
			t.Errorf("%s importing %s: allowed %v, want %v", tc.pkg, tc.path, got, tc.ok)
		}
	}
	if ruleOf("internal/shop/sub") != nil {
		t.Error("a package without a rule got one")
	}
}

// judge says why the import is not allowed, or "".
func (r *rule) judge(imp string) string {
	switch {
	case imp == module || strings.HasPrefix(imp, module+"/"):
		if !slices.Contains(r.own, anything) && !slices.Contains(r.own, strings.TrimPrefix(imp, module+"/")) {
			return "not among the packages of ours that it may import"
		}
	case standard(imp):
		if r.pure && slices.ContainsFunc(impure, func(p string) bool { return under(imp, p) }) {
			return "a pure package has no clock, environment, randomness or network"
		}
	case !slices.Contains(r.outside, anything) && !slices.ContainsFunc(r.outside, func(p string) bool { return under(imp, p) }):
		return "not among the libraries that it may import"
	}
	return ""
}

func ruleOf(pkg string) *rule {
	for i := range rules {
		if matches(rules[i].pkg, pkg) {
			return &rules[i]
		}
	}
	return nil
}

func excepted(b ban, pkg string) bool {
	return slices.ContainsFunc(b.except, func(p string) bool { return matches(p, pkg) })
}

func matches(pattern, pkg string) bool {
	if base, ok := strings.CutSuffix(pattern, "/..."); ok {
		return within(pkg, base)
	}
	return pattern == pkg
}

// under reports whether imp is p or lies below it. In the standard library the
// path is no tree of meaning ("log/slog" is not "log"), except for os.
func under(imp, p string) bool {
	if standard(p) && p != "os" {
		return imp == p
	}
	return within(imp, p)
}

func within(path, base string) bool { return path == base || strings.HasPrefix(path, base+"/") }

func standard(imp string) bool {
	first, _, _ := strings.Cut(imp, "/")
	return !strings.Contains(first, ".") && first != module
}

// imports reads every Go file of the module.
func imports(t *testing.T) []imported {
	t.Helper()
	var list []imported
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); file != root && (strings.HasPrefix(name, ".") || name == "testdata" || name == "node_modules" || name == "bin" || name == "data") {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(file, ".go") {
			return nil
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, file)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		for _, spec := range parsed.Imports {
			list = append(list, imported{pkg: path.Dir(rel), file: rel, path: strings.Trim(spec.Path.Value, `"`), test: strings.HasSuffix(rel, "_test.go")})
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}
