package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"
)

// TestUserCommand walks a club's people through the commands, and the exit codes of mistakes.
func TestUserCommand(t *testing.T) {
	file := filepath.Join(t.TempDir(), "users.json")
	do := func(stdin string, args ...string) (code int, out, errs string) {
		var cli struct {
			User userCmd `cmd:""`
		}
		parser, err := kong.New(&cli, kong.Exit(func(int) {}))
		require.NoError(t, err)
		parsed, err := parser.Parse(append([]string{"user", "--file", file}, args...))
		require.NoError(t, err)
		var stdout, stderr bytes.Buffer
		code = exitCode(parsed.Run(&environment{Ctx: t.Context(), Stdin: strings.NewReader(stdin), Stdout: &stdout, Stderr: &stderr}), &stderr)
		return code, stdout.String(), stderr.String()
	}
	code, _, _ := do("stone clay water\n", "add", "ann")
	require.Equal(t, exitDone, code)
	code, _, errs := do("stone clay water\n", "add", "ann")
	require.Equal(t, exitInput, code)
	require.Contains(t, errs, "already")
	code, _, errs = do("short\n", "add", "bob")
	require.Equal(t, exitInput, code)
	require.Contains(t, errs, "at least 8")
	code, out, _ := do("", "token", "prometheus")
	require.Equal(t, exitDone, code)
	require.Len(t, strings.TrimSpace(out), 26)
	code, out, errs = do("", "invite", "--role", "reader")
	require.Equal(t, exitDone, code)
	require.Len(t, strings.TrimSpace(out), 26)
	require.Contains(t, errs, "/join")
	code, out, _ = do("", "list")
	require.Equal(t, exitDone, code)
	require.Regexp(t, `(?s)^ann +keeper +person .*prometheus +reader +program`, out)
	code, _, _ = do("another few words", "password", "ann")
	require.Equal(t, exitDone, code)
	code, _, _ = do("", "remove", "bob")
	require.Equal(t, exitInput, code)
	code, _, _ = do("", "remove", "ann")
	require.Equal(t, exitDone, code)
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}
