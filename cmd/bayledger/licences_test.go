package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var updateLicences = flag.Bool("update-licences", false, "write deploy/licences.txt anew")

// The file that goes with every package lists what is linked into the program, and the terms of
// each: most licences ask that their text goes with the binary.
func TestLicencesAreListed(t *testing.T) {
	const file = "../../deploy/licences.txt"
	want := licences(t)
	if *updateLicences {
		require.NoError(t, os.WriteFile(file, []byte(want), 0o644))
	}
	have, err := os.ReadFile(file)
	require.NoError(t, err)
	if want != string(have) {
		t.Fatalf("%s is stale: go test ./cmd/bayledger -run TestLicences -update-licences", file)
	}
}

var licenceFile = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice)`)

// permitted are the terms a program under Apache-2.0 may be linked with and be given away.
var permitted = []string{"Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "MIT", "MIT AND Apache-2.0", "EPL-2.0 OR BSD-3-Clause", "OFL-1.1"}

// licences renders the file from the modules of the program as it is built for a Pi.
func licences(t *testing.T) string {
	t.Helper()
	type module struct {
		Path, Version, Dir string
		Main               bool
	}
	cmd := exec.CommandContext(t.Context(), "go", "list", "-deps", "-json=Module", ".")
	cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
	out, err := cmd.Output()
	require.NoError(t, err)
	modules := map[string]module{}
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p struct{ Module *module }
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else {
			require.NoError(t, err)
		}
		if p.Module != nil && !p.Module.Main {
			modules[p.Module.Path] = *p.Module
		}
	}
	require.Contains(t, modules, "golang.org/x/sys")
	for name, dir := range map[string]string{
		"Go's runtime and standard library": modules["golang.org/x/sys"].Dir, // the same authors' words; a toolchain need not bring its own
		"uPlot (page)":                      "../../agent/page/assets/uplot",
		"typeface of the page":              "../../agent/page/assets/font",
	} {
		modules[name] = module{Path: name, Dir: dir}
	}
	var table, texts strings.Builder
	number := map[string]int{} // of each text, told once
	for _, path := range slices.Sorted(maps.Keys(modules)) {
		m := modules[path]
		files, err := os.ReadDir(m.Dir)
		require.NoError(t, err, path)
		var numbers []string
		id := ""
		for _, f := range files {
			if f.IsDir() || !licenceFile.MatchString(f.Name()) || strings.Contains(f.Name(), "LOGO") {
				continue
			}
			raw, err := os.ReadFile(filepath.Join(m.Dir, f.Name()))
			require.NoError(t, err)
			text := strings.TrimSpace(strings.ReplaceAll(string(raw), "\r\n", "\n"))
			if id == "" {
				id = termsOf(text)
			}
			if number[text] == 0 {
				number[text] = len(number) + 1
				fmt.Fprintf(&texts, "\n======== text %d\n\n%s\n", number[text], text)
			}
			numbers = append(numbers, fmt.Sprint(number[text]))
		}
		require.Contains(t, permitted, id, "%s: terms not known or not to be linked with", path)
		// The toolchain's version is in the program itself (bayledger version).
		fmt.Fprintf(&table, "%-48s %-40s %-24s %s\n", m.Path, m.Version, id, strings.Join(numbers, " "))
	}
	return "What is linked into bayledger, the terms of each, and which of the texts below they are.\n" +
		"bayledger itself: Apache-2.0, see LICENSE.\n" +
		"Generated: go test ./cmd/bayledger -run TestLicences -update-licences\n\n" + table.String() + texts.String()
}

// termsOf names a licence by what only its text says (SPDX identifiers).
func termsOf(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	has := func(s string) bool { return strings.Contains(text, s) }
	switch {
	case has("SIL OPEN FONT LICENSE") || has("SIL Open Font License"):
		return "OFL-1.1"
	case has("Eclipse Public License") && has("Eclipse Distribution License"):
		return "EPL-2.0 OR BSD-3-Clause"
	case has("Apache License") && has("Permission is hereby granted, free of charge"):
		return "MIT AND Apache-2.0"
	case has("Apache License") && has("Version 2.0"):
		return "Apache-2.0"
	case has("Permission is hereby granted, free of charge"):
		return "MIT"
	case has("Redistribution and use in source and binary forms") && (has("Neither the name") || has("may not be used to endorse")):
		return "BSD-3-Clause"
	case has("Redistribution and use in source and binary forms"):
		return "BSD-2-Clause"
	}
	return ""
}

// Without its database the search for known holes says that it has not looked.
func TestHolesSayWhenTheyAreNotLookedFor(t *testing.T) {
	cmd := exec.CommandContext(t.Context(), "sh", "../../deploy/vuln.sh")
	cmd.Env = append(os.Environ(), "DATABASE=http://127.0.0.1:1")
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	require.ErrorAs(t, err, &exit)
	require.Equal(t, 3, exit.ExitCode())
	require.Contains(t, string(out), "NOT CHECKED: the database of known holes, http://127.0.0.1:1, cannot be reached")
}
