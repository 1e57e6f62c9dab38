package modbus

import (
	"context"
	"go/ast"
	"go/parser"
	"go/token"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/site"
)

// With the output off nothing can be written: the driver has no valve, an order is refused, and no
// function of the package but the one that shuts the valve reaches a line beside the guard that
// lets only reads pass.
func TestNothingIsWrittenWithoutPermission(t *testing.T) {
	s := &site.Site{Points: []site.Point{{ID: "a", Quantity: site.Volume, Interval: time.Second}}}
	opts := Options{Links: []Link{tcpLink("127.0.0.1:1", dev("io", 1, mm("a", 0)))}}
	d, err := New(opts, s, clock.Real{}, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	require.ErrorIs(t, d.ShutValve(t.Context()), ErrNoOutput)
	for _, l := range d.links {
		require.Nil(t, l.valve)
		require.False(t, l.carryOut(t.Context()))
	}
	for _, i := range []*site.Isolation{nil, {Device: "io"}, {Device: "io", Enabled: true, DryRun: true}} {
		require.ErrorIs(t, d.Allow(i), ErrNoOutput)
		require.ErrorIs(t, d.ShutValve(t.Context()), ErrNoOutput)
	}
	require.Error(t, d.Allow(&site.Isolation{Device: "other", Enabled: true}))
	require.NoError(t, d.Allow(&site.Isolation{Device: "io", Enabled: true}))
	ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	require.ErrorIs(t, d.ShutValve(ctx), ErrUnconfirmed, "nobody runs the line")

	// Who reaches a line: the guard, and the valve. Who names the function that writes: the valve,
	// and the check of its answer.
	carry, write := map[string]bool{}, map[string]bool{}
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	set := token.NewFileSet()
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(set, name, nil, 0)
		require.NoError(t, err)
		for _, decl := range file.Decls {
			f, ok := decl.(*ast.FuncDecl)
			if !ok {
				continue
			}
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.SelectorExpr:
					if n.Sel.Name == "carry" || n.Sel.Name == "ask" {
						carry[name+" "+f.Name.Name] = true
					}
					if strings.HasPrefix(n.Sel.Name, "Write") && (strings.HasSuffix(n.Sel.Name, "Coil") || strings.HasSuffix(n.Sel.Name, "Coils") || strings.HasSuffix(n.Sel.Name, "Register") || strings.HasSuffix(n.Sel.Name, "Registers")) {
						t.Errorf("%s calls %s of the library", name, n.Sel.Name)
					}
				case *ast.Ident:
					if n.Name == "fcWriteCoil" {
						write[name+" "+f.Name.Name] = true
					}
				}
				return true
			})
		}
	}
	require.Equal(t, map[string]bool{"unit.go Send": true, "coil.go shut": true, "loop.go carry": true, "probe.go carry": true}, carry) // the two carry are what Send goes through
	require.Equal(t, map[string]bool{"coil.go shut": true, "frame.go answerSize": true, "frame.go checkAnswer": true}, write)
}
