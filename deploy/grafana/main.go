// Command grafana writes the dashboards of an operations team as the JSON that Grafana is
// provisioned with: the fleet, a site, a bay, and the health of the watch. InfluxDB has the
// history, Prometheus what is so now. The JSON is checked in; a test says when it is stale.
//
//	cd deploy/grafana && go run .
package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
)

func main() {
	if err := write("dashboards"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// write makes every dashboard anew in a folder.
func write(dir string) error {
	for _, b := range []*dashboard.DashboardBuilder{fleet(), oneSite(), oneBay(), health()} {
		name, text, err := render(b)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// render is a dashboard's file.
func render(b *dashboard.DashboardBuilder) (name string, text []byte, err error) {
	d, err := b.Build()
	if err != nil {
		return "", nil, err
	}
	if text, err = json.MarshalIndent(d, "", "  "); err != nil {
		return "", nil, err
	}
	return *d.Uid + ".json", append(text, '\n'), nil
}
