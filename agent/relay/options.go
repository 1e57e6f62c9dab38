package relay

import (
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"bayledger/agent/site"
)

// Options say where and how to publish. Make them with DefaultOptions.
type Options struct {
	// Broker is tcp://host:port (also mqtt://) or, with TLS, ssl://host:port (also tls://,
	// mqtts://, tcps://). The port may be left out: 1883, with TLS 8883.
	Broker string
	// Prefix is the first part of every topic; it may have several levels.
	Prefix string
	// ClientID is what the broker knows this daemon by. Two clients with one id throw each
	// other out without end. Empty makes one of the machine, the prefix and the site.
	ClientID string
	// Username and Password are sent when Username is not empty. Password is called at every
	// connection, so that the secret is never kept here and may change; nil sends none.
	Username string
	Password func() (string, error)
	// CAFile is a file of PEM certificates the broker's must lead to, instead of the system's;
	// CertFile and KeyFile are this client's own. They need a broker address with TLS.
	CAFile, CertFile, KeyFile string
	// History also publishes every sample, in batches.
	History bool
	// KeepAlive is the longest silence before the broker is asked whether it is still there;
	// AckTimeout is how long an acknowledgement may take before the connection is given up.
	KeepAlive, ConnectTimeout, AckTimeout time.Duration
	// RetryMin and RetryMax bound the pause between two tries to connect; it doubles from one to
	// the other and jitters by a quarter.
	RetryMin, RetryMax time.Duration
	// StatusEvery is how often the retained status is told anew, so that a reader can judge by
	// its time whether it is still true.
	StatusEvery time.Duration
	// Started is when the daemon started, as status tells it.
	Started time.Time
	// TellsItself is told on the status topic: the daemon tells people of its alarms, so that who
	// hears the topics must not.
	TellsItself bool
	// Standing, if set, is asked for what the status tells of the watch whenever it is told. It
	// must not block and must be safe to call from the relay's goroutine.
	Standing func() site.Standing
	// Window is how many events may be on their way at once.
	Window int
	// Flush holds the clock's Work until what was noted is with the broker, so that a run on a
	// stepped clock publishes the same on every machine. It has no effect while the broker is
	// away: time must go on then.
	Flush bool
}

// DefaultOptions returns options that need only a Broker.
func DefaultOptions() Options {
	return Options{
		Prefix: "bayledger", KeepAlive: 30 * time.Second, ConnectTimeout: 10 * time.Second, AckTimeout: 20 * time.Second,
		RetryMin: time.Second, RetryMax: time.Minute, StatusEvery: time.Minute, Window: 20,
	}
}

var (
	plainSchemes  = []string{"tcp", "mqtt"}
	secureSchemes = []string{"ssl", "tls", "mqtts", "tcps"}
)

func secure(u *url.URL) bool { return slices.Contains(secureSchemes, u.Scheme) }

// address is host:port of the broker.
func address(u *url.URL) string {
	port := u.Port()
	if port == "" {
		port = "1883"
		if secure(u) {
			port = "8883"
		}
	}
	return net.JoinHostPort(u.Hostname(), port)
}

// Validate returns every mistake of the options, with paths relative to them.
func (o Options) Validate() site.Problems {
	var p site.Problems
	u, err := url.Parse(o.Broker)
	example := `write for example "tcp://127.0.0.1:1883" or "ssl://broker.example.org:8883"`
	switch {
	case o.Broker == "":
		p.Add("broker", example, "no broker is named")
	case err != nil || u.Hostname() == "":
		p.Add("broker", example, "%q is not the address of a broker", redact(o.Broker))
	case !slices.Contains(plainSchemes, u.Scheme) && !secure(u):
		p.Add("broker", example, "%q is not a scheme of a broker's address", u.Scheme)
	case u.User != nil:
		p.Add("broker", "write username and password as keys of their own; the password as file: or env:", "a password does not stand in an address")
	case (u.Path != "" && u.Path != "/") || u.RawQuery != "" || u.Fragment != "":
		p.Add("broker", example, "%q goes on after the port", o.Broker)
	case !secure(u) && (o.CAFile != "" || o.CertFile != "" || o.KeyFile != ""):
		p.Add("broker", "write ssl:// for a broker with TLS, or leave ca, cert and key out", "certificates are given, but %s:// is not encrypted", u.Scheme)
	}
	if wrong := checkPrefix(o.Prefix); wrong != "" {
		p.Add("prefix", `write for example "bayledger"`, "%s", wrong)
	}
	if o.ClientID != "" && !utf8.ValidString(o.ClientID) {
		p.Add("client_id", "use letters and digits", "the client id is not valid text")
	}
	if o.Username == "" && o.Password != nil {
		p.Add("username", "give the username too; MQTT knows no password without one", "there is a password but no username")
	}
	if (o.CertFile == "") != (o.KeyFile == "") {
		p.Add("cert", "give both cert and key, or neither", "a client certificate needs its key, and a key its certificate")
	}
	for _, d := range []struct {
		name string
		d    time.Duration
	}{{"keep_alive", o.KeepAlive}, {"connect_timeout", o.ConnectTimeout}, {"ack_timeout", o.AckTimeout}, {"retry_min", o.RetryMin}, {"status_every", o.StatusEvery}} {
		if d.d <= 0 {
			p.Add(d.name, `write for example "10s"`, "%s must be longer than nothing", d.name)
		}
	}
	if o.KeepAlive > 65535*time.Second {
		p.Add("keep_alive", `write for example "30s"`, "MQTT's keep alive is at most 18h12m15s")
	}
	if o.RetryMax < o.RetryMin {
		p.Add("retry_max", "", "the longest pause is shorter than the shortest")
	}
	if o.Window < 1 || o.Window > 1000 {
		p.Add("window", "20 suits most brokers", "%d events on their way at once is not between 1 and 1000", o.Window)
	}
	return p
}

// checkPrefix says what keeps a text from being the begin of a topic (MQTT 3.1.1, 4.7.1 and
// 4.7.3), or "".
func checkPrefix(prefix string) string {
	switch {
	case prefix == "":
		return "the prefix is empty"
	case !utf8.ValidString(prefix) || strings.ContainsRune(prefix, 0):
		return "the prefix is not valid text"
	case strings.ContainsAny(prefix, "+#"):
		return "a topic must not contain + or #"
	case strings.HasPrefix(prefix, "$"):
		return "topics that begin with $ belong to the broker"
	case slices.Contains(strings.Split(prefix, "/"), ""):
		return "a level of the prefix is empty"
	case len(prefix) > 200:
		return "the prefix is longer than 200 bytes"
	}
	return ""
}

// redact keeps a mistyped address with a password in it out of messages.
func redact(broker string) string {
	if i := strings.LastIndexByte(broker, '@'); i >= 0 {
		return "..." + broker[i:]
	}
	return broker
}

// clientID is 20 letters and digits, which every broker must take (MQTT 3.1.1, 3.1.3-5), and the
// same after a restart. Another machine, prefix or site has another.
func (o Options) clientID(siteID string) string {
	if o.ClientID != "" {
		return o.ClientID
	}
	machine, err := os.ReadFile("/etc/machine-id")
	if err != nil || len(machine) == 0 {
		host, _ := os.Hostname() // without either, prefix and site still tell daemons apart
		machine = []byte(host)
	}
	sum := sha256.Sum256([]byte("bayledger relay\n" + string(machine) + "\n" + o.Prefix + "\n" + siteID))
	return "bayledger" + hex.EncodeToString(sum[:6])[:11]
}

// advice says what to do about an error of connecting, where the error itself does not.
func advice(err error) string {
	var unknown x509.UnknownAuthorityError
	var host x509.HostnameError
	var invalid x509.CertificateInvalidError
	switch {
	case errors.As(err, &unknown):
		return "the broker's certificate is not signed by an authority this machine trusts: give the authority's file as ca"
	case errors.As(err, &host):
		return "the broker's certificate is for another name: write the name it is for into the broker's address"
	case errors.As(err, &invalid):
		return "look at the dates of the broker's certificate and at this machine's clock"
	}
	return ""
}
