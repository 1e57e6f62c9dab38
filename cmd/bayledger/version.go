package main

import (
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"

	"bayledger/agent/site"
	"bayledger/historian/journal"
)

// version and commit are set by deploy/package.sh (-ldflags -X main.version=...); what go install or a
// build from a checkout makes knows both from its build info.
var (
	version = "devel"
	commit  string
)

type versionCmd struct {
	JSON bool `help:"One JSON object."`
}

// buildFacts is what the program knows of its own making.
type buildFacts struct {
	Version     string `json:"version"`
	Commit      string `json:"commit,omitempty"`
	Modified    bool   `json:"modified,omitempty"`
	Go          string `json:"go"`
	Platform    string `json:"platform"`
	EventFormat int    `json:"event_format"`
	// Schemas are the versions of the journal's databases.
	Schemas map[string]int `json:"journal_schemas"`
}

func facts() (buildFacts, error) {
	f := buildFacts{Version: version, Commit: commit, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH, EventFormat: site.EventVersion}
	if info, ok := debug.ReadBuildInfo(); ok {
		if v := info.Main.Version; f.Version == "devel" && v != "" && v != "(devel)" {
			f.Version = v
		}
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				f.Commit = s.Value
			case "vcs.modified":
				f.Modified = s.Value == "true"
			}
		}
	}
	var err error
	f.Schemas, err = journal.SchemaVersions()
	return f, err
}

// Run implements the command.
func (c *versionCmd) Run(env *environment) error {
	f, err := facts()
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(env.Stdout).Encode(f)
	}
	commit := f.Commit
	if commit == "" {
		commit = "unknown"
	}
	_, err = fmt.Fprintf(env.Stdout, "bayledger %s, commit %s, %s, %s, event format %d, journal schemas: samples %d, ledger %d\n",
		f.Version, commit, f.Go, f.Platform, f.EventFormat, f.Schemas["samples"], f.Schemas["ledger"])
	return err
}
