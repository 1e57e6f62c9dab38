package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Every answer of deploy/threats.md names a test that is there, or says that it is a limit.
func TestThreatsAreAnswered(t *testing.T) {
	text, err := os.ReadFile("../../deploy/threats.md")
	require.NoError(t, err)
	there := map[string]bool{}
	function := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)\w+)\(`)
	for _, part := range []string{"agent", "cmd", "drivers", "historian"} {
		require.NoError(t, filepath.WalkDir(filepath.Join("../..", part), func(path string, d fs.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, "_test.go") {
				return err
			}
			code, err := os.ReadFile(path)
			for _, m := range function.FindAllStringSubmatch(string(code), -1) {
				there[m[1]] = true
			}
			return err
		}))
	}
	named := regexp.MustCompile("`((?:Test|Fuzz)[A-Z]\\w+)`").FindAllStringSubmatch(string(text), -1)
	require.NotEmpty(t, named)
	for _, m := range named {
		require.True(t, there[m[1]], "deploy/threats.md names %s, which is not there", m[1])
	}
	// What follows from there being no way in needs no test of its own.
	structural := regexp.MustCompile(`that comes over the network is journaled|subscribes to nothing`)
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| can they") {
			continue
		}
		require.True(t, strings.Contains(line, "`Test") || strings.Contains(line, "`Fuzz") || strings.Contains(line, "**limit**") || structural.MatchString(line),
			"neither test nor limit: %s", line)
	}
}
