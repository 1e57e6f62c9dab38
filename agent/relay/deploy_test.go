package relay

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
)

// TestAccessList runs a broker with the files of deploy/mosquitto: a site writes its own tree
// only, a reader reads everything and writes nothing, nobody comes in without a password.
func TestAccessList(t *testing.T) {
	dir := t.TempDir()
	acl, err := os.ReadFile("../../deploy/mosquitto/bayledger.acl")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "acl"), acl, 0o644))
	pw := filepath.Join(dir, "pw")
	for i, user := range []string{"riedhof", "elsewhere", "hub", "dashboard"} {
		args := []string{"-b", pw, user, "secret-" + user}
		if i == 0 {
			args = append([]string{"-c"}, args...)
		}
		out, err := exec.Command(servertest.Program(t, "mosquitto_passwd"), args...).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	// The shipped configuration, without what belongs to the machine: listener, files, folders.
	conf, err := os.ReadFile("../../deploy/mosquitto/mosquitto.conf")
	require.NoError(t, err)
	require.Contains(t, string(conf), "allow_anonymous false")
	keep := regexp.MustCompile(`(?m)^(#.*|listener .*|cafile .*|certfile .*|keyfile .*|tls_version .*|allow_anonymous .*|password_file .*|acl_file .*|persistence .*|persistence_location .*)\n`).ReplaceAllString(string(conf), "")
	require.Contains(t, keep, "max_queued_messages")
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{
		Conf: keep + "allow_anonymous false\npassword_file " + pw + "\nacl_file " + filepath.Join(dir, "acl") + "\n"})
	as := func(user string) func(*mqtt.ClientOptions) {
		return func(o *mqtt.ClientOptions) { o.SetUsername(user).SetPassword("secret-" + user) }
	}
	hub := subscribe(t, broker.URL, "bayledger/#", false, as("hub"))
	own := subscribe(t, broker.URL, "bayledger/riedhof/#", false, as("riedhof"))

	o := fast(broker.URL)
	o.Username, o.Password = "riedhof", func() (string, error) { return "secret-riedhof", nil }
	r := start(t, o, club(), nil, nil, clock.Real{})
	r.Live([]site.Sample{reading("A1-level", 0, 0.1)})
	hub.until("the site's value", func([]message) bool { _, ok := hub.last("bayledger/riedhof/live/A1/A1-level"); return ok })

	// A broker cannot say no to a PUBLISH (MQTT 3.1.1, 3.3.5-2): what is refused just never comes.
	try := func(user, topic string) {
		c := mqtt.NewClient(func() *mqtt.ClientOptions {
			o := mqtt.NewClientOptions().AddBroker(broker.URL).SetClientID("try-" + user)
			as(user)(o)
			return o
		}())
		require.True(t, c.Connect().WaitTimeout(patience))
		require.True(t, c.Publish(topic, 1, false, []byte("forged")).WaitTimeout(patience))
		c.Disconnect(100)
	}
	try("elsewhere", "bayledger/riedhof/events")
	try("hub", "bayledger/riedhof/events")
	try("dashboard", "bayledger/elsewhere/events")
	try("riedhof", "bayledger/elsewhere/live/A1/A1-level")
	try("elsewhere", "bayledger/elsewhere/events") // allowed, and behind the others
	hub.until("what is allowed", func([]message) bool { _, ok := hub.last("bayledger/elsewhere/events"); return ok })
	for _, m := range hub.messages() {
		require.True(t, m.payload != "forged" || m.topic == "bayledger/elsewhere/events", "%s was forged", m.topic)
	}
	for _, m := range own.messages() {
		require.True(t, strings.HasPrefix(m.topic, "bayledger/riedhof/"))
	}
	nobody := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(broker.URL).SetClientID("nobody"))
	token := nobody.Connect()
	require.True(t, token.WaitTimeout(patience))
	require.Error(t, token.Error())
}
