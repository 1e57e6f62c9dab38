package main

import (
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// row of the package map: what a package may import of ours, and why.
type row struct {
	may []string
	why string
}

// packageMap is the map of the house. A package that is not here does not belong; a row whose
// package is gone is stale. "*" is everything.
var packageMap = map[string]row{
	"cmd/bayledger":      {[]string{"*"}, "flags, signals, exit codes"},
	"agent":              {[]string{"*"}, "the process: wires the parts"},
	"agent/sitefile":     {[]string{"agent/site", "drivers/modbus", "historian/journal", "historian/influx", "agent/relay", "agent/page", "agent/notice", "agent/water"}, "builds every part's Options"},
	"agent/site":         {nil, "the vocabulary imports nothing of ours"},
	"agent/words":        {[]string{"agent/site"}, "how a site's people are spoken to"},
	"agent/clock":        {nil, "clocks know nothing of courts"},
	"agent/water":        {[]string{"agent/site"}, "the account"},
	"agent/watch":        {[]string{"agent/site", "agent/water"}, "tests and rules over the account"},
	"agent/alarm":        {[]string{"agent/site", "agent/words"}, "the life of an alarm, told in the site's language"},
	"agent/certs":        {nil, "certificates of clients: broker, hub and mail read them alike"},
	"agent/relay":        {[]string{"agent/site", "agent/clock", "agent/certs"}, "MQTT out"},
	"agent/page":         {[]string{"agent/site", "agent/water", "agent/alarm", "agent/procedure", "agent/report", "agent/access", "agent/words"}, "what people look at"},
	"agent/access":       {[]string{"agent/site"}, "who may change something"},
	"agent/notice":       {[]string{"agent/site", "agent/clock", "agent/words", "agent/certs"}, "the daemon's own notices"},
	"agent/hub":          {[]string{"agent/site", "agent/certs", "agent/series"}, "many sites over MQTT"},
	"agent/series":       {[]string{"agent/site"}, "what a site's /metrics and a hub's both serve, named once"},
	"agent/report":       {[]string{"agent/site", "agent/water", "agent/words"}, "day, week and season"},
	"agent/procedure":    {[]string{"agent/site", "agent/water", "agent/clock", "agent/words"}, "resumable steps with checks, told in the site's language"},
	"agent/servertest":   {nil, "real servers for tests"},
	"agent/browsertest":  {[]string{"agent/servertest"}, "a real browser for tests; apart, because it is large"},
	"drivers/modbus":     {[]string{"agent/site", "agent/clock"}, "lines, planning, decoding, probe"},
	"drivers/virtual":    {[]string{"agent/site", "agent/clock"}, "its own physics, shared with nobody"},
	"drivers/recorded":   {[]string{"agent/site", "agent/clock"}, "the CSV of recorded data"},
	"drivers/drivertest": {[]string{"agent/site", "agent/clock"}, "the contract of a driver"},
	"historian/journal":  {[]string{"agent/site", "agent/clock"}, "what is never lost"},
	"historian/influx":   {[]string{"agent/site", "agent/clock"}, "the forwarder"},
}

// inTests may be imported by tests beyond the map.
var inTests = []string{"agent/words", "agent/servertest", "agent/browsertest", "drivers/drivertest", "historian/journal"}

// neverTogether are packages that must not see each other even in tests, or the account would
// be tested against itself.
var neverTogether = [][2]string{{"drivers/virtual", "agent/water"}, {"drivers/virtual", "agent/watch"}}

type listed struct {
	ImportPath, Dir, Doc               string
	GoFiles                            []string
	Imports, TestImports, XTestImports []string
}

func listPackages(t *testing.T) []listed {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Dir,Doc,GoFiles,Imports,TestImports,XTestImports", "./...")
	cmd.Dir = filepath.Join("..", "..")
	out, err := cmd.Output()
	require.NoError(t, err)
	var all []listed
	dec := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else {
			require.NoError(t, err)
		}
		all = append(all, p)
	}
}

func TestPackageMap(t *testing.T) {
	found := map[string]bool{}
	for _, p := range listPackages(t) {
		name := strings.TrimPrefix(p.ImportPath, "bayledger/")
		found[name] = true
		r, ok := packageMap[name]
		if !ok {
			t.Errorf("%s is not on the package map", name)
			continue
		}
		if len(p.GoFiles) > 0 && p.Doc == "" {
			t.Errorf("%s has no package comment", name)
		}
		check := func(imports, also []string, where string) {
			for _, i := range imports {
				ours, is := strings.CutPrefix(i, "bayledger/")
				if !is || ours == name || slices.Contains(r.may, "*") || slices.Contains(r.may, ours) || slices.Contains(also, ours) {
					continue
				}
				t.Errorf("%s imports %s%s, which the map does not allow (%s)", name, ours, where, r.why)
			}
		}
		check(p.Imports, nil, "")
		check(p.TestImports, inTests, " in a test")
		check(p.XTestImports, inTests, " in a test")
		for _, pair := range neverTogether {
			for a, b := range map[string]string{pair[0]: pair[1], pair[1]: pair[0]} {
				if name == a && slices.Contains(slices.Concat(p.Imports, p.TestImports, p.XTestImports), "bayledger/"+b) {
					t.Errorf("%s must not see %s, even in a test", a, b)
				}
			}
		}
	}
	for name := range packageMap {
		if !found[name] {
			t.Errorf("the map has a row for %s, but the package is gone", name)
		}
	}
}

// The core has no clock, no goroutine and no chance in it, so that a replay of the journal gives
// what live gave.
func TestCoreIsPure(t *testing.T) {
	forbidden := map[string][]string{
		"time":         {"Now", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Since", "Until"},
		"math/rand":    nil,
		"math/rand/v2": nil,
		"crypto/rand":  nil,
		"sync":         nil,
		"os":           nil,
	}
	for _, dir := range []string{"agent/water", "agent/watch", "agent/alarm", "agent/procedure"} {
		err := filepath.WalkDir(filepath.Join("..", "..", dir), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			set := token.NewFileSet()
			file, err := parser.ParseFile(set, path, nil, 0)
			if err != nil {
				return err
			}
			for _, i := range file.Imports {
				name := strings.Trim(i.Path.Value, `"`)
				if names, ok := forbidden[name]; ok && names == nil {
					t.Errorf("%s: the core must not import %s", set.Position(i.Pos()), name)
				}
			}
			ast.Inspect(file, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.GoStmt:
					t.Errorf("%s: the core starts no goroutine", set.Position(n.Pos()))
				case *ast.SelectorExpr:
					if x, ok := n.X.(*ast.Ident); ok && slices.Contains(forbidden[x.Name], n.Sel.Name) {
						t.Errorf("%s: the core has no clock: %s.%s", set.Position(n.Pos()), x.Name, n.Sel.Name)
					}
				}
				return true
			})
			return nil
		})
		require.NoError(t, err)
	}
}
