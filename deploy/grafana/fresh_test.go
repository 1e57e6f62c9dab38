package main

import (
	"os"
	"path/filepath"
	"testing"
)

// TestFresh: the JSON that is checked in is what the builder makes.
func TestFresh(t *testing.T) {
	dir := t.TempDir()
	if err := write(dir); err != nil {
		t.Fatal(err)
	}
	made, err := filepath.Glob(filepath.Join(dir, "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	kept, err := filepath.Glob("dashboards/*.json")
	if err != nil {
		t.Fatal(err)
	}
	if len(made) != len(kept) {
		t.Errorf("%d dashboards are checked in, the builder makes %d", len(kept), len(made))
	}
	for _, path := range made {
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join("dashboards", filepath.Base(path)))
		if err != nil || string(got) != string(want) {
			t.Errorf("%s is stale: run go run . in deploy/grafana (%v)", filepath.Base(path), err)
		}
	}
}
