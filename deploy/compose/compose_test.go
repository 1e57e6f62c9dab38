// Package compose holds the test of deploy/compose.yaml: a module of its own, so that the program
// does not depend on what only this test needs.
package compose

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/compose-spec/compose-go/v2/loader"
	"github.com/compose-spec/compose-go/v2/types"
	"github.com/stretchr/testify/require"
)

// The file is read by the library docker compose itself reads it with (compose-go), against the
// schema of the Compose specification; what it mounts must be there, and every image is pinned.
func TestComposeFile(t *testing.T) {
	deploy, err := filepath.Abs("..")
	require.NoError(t, err)
	file := filepath.Join(deploy, "compose.yaml")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	project, err := loader.LoadWithContext(t.Context(), types.ConfigDetails{WorkingDir: deploy, Environment: types.Mapping{},
		ConfigFiles: []types.ConfigFile{{Filename: file, Content: text}}})
	require.NoError(t, err)
	require.Len(t, project.Services, 7)
	pinned := regexp.MustCompile(`^[a-z/-]+:v?\d+(\.\d+\.\d+)?$`)
	for name, s := range project.Services {
		require.Regexp(t, pinned, s.Image, name)
		for _, v := range s.Volumes {
			if v.Type == types.VolumeTypeBind && !strings.Contains(v.Source, "/secrets/") && !strings.Contains(v.Source, "/grafana/") {
				_, err := os.Stat(v.Source)
				require.NoError(t, err, "%s mounts what is not there", name)
			}
		}
		for _, p := range s.Ports {
			if p.Target != 8883 {
				require.Equal(t, "127.0.0.1", p.HostIP, "%s: only the broker is open to the outside", name)
			}
		}
	}
}
