package influx_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"

	influxlog "github.com/influxdata/influxdb-client-go/v2/log"
	"github.com/stretchr/testify/require"

	"bayledger/historian/influx"
)

// What of the library loses data is not called: its buffering writer drops batches and swallows
// errors, its batching forgets a batch whose flush fails. And it prints errors to stderr by
// itself, which a daemon must not.
func TestWhatLosesDataIsNotCalled(t *testing.T) {
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	writes := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			switch call.Sel.Name {
			case "WriteAPI", "EnableBatching", "SetBatchSize", "SetMaxRetries":
				t.Errorf("%s calls %s", name, call.Sel.Name)
			case "WriteAPIBlocking":
				writes++
			}
			return true
		})
	}
	require.Positive(t, writes, "the test looks at the right files")

	_, err = influx.New(influx.DefaultOptions("archive", "http://127.0.0.1:1", "pump"), "club", known, nil, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	require.Nil(t, influxlog.Log)
}
