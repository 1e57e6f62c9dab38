package main

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/notice"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/modbus"
)

// TestEndToEndCheckLive tries everything of a site against a virtual pump house, InfluxDB and
// Mosquitto, first whole and then with each thing broken.
func TestEndToEndCheckLive(t *testing.T) {
	field := startField(t)
	influx := servertest.Influx(t, servertest.InfluxOptions{Auth: true})
	influx.CreateDatabase("courts")
	influx.Query("", "CREATE USER writer WITH PASSWORD 'w'")
	influx.Query("", "GRANT WRITE ON courts TO writer")
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{Username: "harrowmere", Password: "b"})
	dir := t.TempDir()
	secret := func(name, text string) string {
		file := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		return "file:" + file
	}
	journal := filepath.Join(dir, "journal")
	require.NoError(t, os.Mkdir(journal, 0o750))
	servers := fmt.Sprintf("\njournal: { dir: %s }\ninfluxdb: [ { id: archive, url: %q, bucket: courts, token: %q } ]\nmqtt: { broker: %q, username: harrowmere, password: %q }\n",
		journal, influx.URL, secret("influx", "bay:ledger"), broker.URL, secret("mqtt", "b"))
	check := func(t *testing.T, text string) (map[string]liveResult, string) {
		t.Helper()
		file := filepath.Join(t.TempDir(), "site.yaml")
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		var out, errs bytes.Buffer
		code := run(t.Context(), []string{"check", "--live", "--json", "--config", file}, nil, &out, &errs)
		var r checkReport
		require.NoError(t, json.Unmarshal(out.Bytes(), &r), errs.String())
		found := map[string]liveResult{}
		failed := ""
		for _, l := range r.Live {
			found[strings.TrimSpace(l.What+" "+l.ID)] = l
			if !l.OK && l.What != "clock" { // the machine of the test may have no time service
				failed += l.What + " " + l.ID + ": " + l.Says + "\n"
			}
			require.Equal(t, l.OK, l.Fix == "" || l.What == "unit" && l.OK, "%+v: a failure says what to do", l)
		}
		if failed != "" {
			require.Equal(t, exitFailed, code)
		}
		return found, failed
	}

	whole := field.siteFile(t, servers)
	found, failed := check(t, whole)
	require.Empty(t, failed)
	require.Equal(t, "a marker was written and read back", found["historian archive"].Says)
	require.True(t, found["broker "+broker.URL].OK)
	require.Contains(t, found["disk "+journal].Says, "GB free; a durable write takes")
	points := 0
	for key, r := range found {
		if r.What == "point" {
			points++
			require.Contains(t, r.Says, "before calibration", key)
		}
	}
	cfg, problems := sitefile.Load([]byte(whole), "site.yaml")
	require.Empty(t, problems)
	require.Equal(t, len(cfg.Site.Points), points)
	require.Contains(t, found["point A1-level"].Says, "mm")
	require.Contains(t, found["unit court-a"].Says, "answers")
	require.Contains(t, found, "clock")

	mute := silence(t)
	for _, c := range []struct {
		name, from, to string
		fails, fix     string
	}{
		{"a token that may only write", "file:" + filepath.Join(dir, "influx"), secret("writer", "writer:w"), "", ""},
		{"a wrong token", "file:" + filepath.Join(dir, "influx"), secret("wrong", "bay:no"), "historian archive", "401"},
		{"no token file", "file:" + filepath.Join(dir, "influx"), "file:" + filepath.Join(dir, "nothing"), "historian archive", "token"},
		{"no such bucket", "bucket: courts", "bucket: nothing", "historian archive", "404"},
		{"a historian that is down", influx.URL, "http://127.0.0.1:1", "historian archive", "address"},
		{"a historian that says nothing", influx.URL, "http://" + mute, "historian archive", "address"},
		{"a wrong password at the broker", "file:" + filepath.Join(dir, "mqtt"), secret("wrong-mqtt", "no"), "broker " + broker.URL, "password"},
		{"a broker that is down", broker.URL, "tcp://127.0.0.1:1", "broker tcp://127.0.0.1:1", "broker"},
		{"a folder that is not there", journal, filepath.Join(dir, "nowhere"), "disk " + filepath.Join(dir, "nowhere"), "install -d"},
		{"a field that is down", field.modbus, "127.0.0.1:1", "link", "address"},
		{"a field that says nothing", field.modbus, mute, "unit court-a", "unit number"},
		{"a register that is not there", "level: { table: input, address: 0,", "level: { table: input, address: 900,", "point A1-level", "manual"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Contains(t, whole, c.from)
			found, failed := check(t, strings.Replace(whole, c.from, c.to, 1))
			if c.fails == "" {
				require.Empty(t, failed)
				require.Contains(t, found["historian archive"].Says, "may write only")
				return
			}
			var hit []liveResult
			for key, r := range found {
				if !r.OK && strings.HasPrefix(key, c.fails) {
					hit = append(hit, r)
				}
			}
			require.NotEmpty(t, hit, "what failed: %s", failed)
			require.Contains(t, hit[0].Fix, c.fix)
			t.Log(hit[0].Says)
		})
	}
	influx.Stop()
	_, failed = check(t, whole)
	require.Contains(t, failed, "historian archive")
	require.NotContains(t, failed, "broker", "one failure does not hide what works")
}

// What cannot be made to happen on the test's machine: each is said with its way out.
func TestCheckLiveWords(t *testing.T) {
	require.False(t, liveClock(clock.Look{Kernel: clock.Unsynchronised}).OK)
	require.Contains(t, liveClock(clock.Look{Kernel: clock.Unsynchronised}).Fix, "set-ntp")
	require.True(t, liveClock(clock.Look{Kernel: clock.Synchronised}).OK)
	require.False(t, liveClock(clock.Look{Kernel: clock.Unknown}).OK)
	full := liveDisk(t.TempDir(), 1<<60)[0]
	require.False(t, full.OK)
	require.Contains(t, full.Fix, "make room")

	cfg := &sitefile.Config{Site: &site.Site{}, Modbus: modbus.Options{Links: []modbus.Link{{ID: "line", Path: "/dev/ttyUSB0"}}}}
	r := fieldResults(cfg, []modbus.LinkStats{{Link: "line", OtherMaster: "a request to unit 3"}}, nil, nil)
	require.Len(t, r, 1)
	require.Contains(t, r[0].Fix, "one master")
	r = fieldResults(cfg, []modbus.LinkStats{{Link: "line", Last: "no such file"}}, nil, nil)
	require.Contains(t, r[0].Fix, "/dev/serial/by-id")
	r = fieldResults(cfg, []modbus.LinkStats{{Link: "line", Connects: 1}}, []modbus.DeviceStats{{Link: "line", Device: "a", Unit: 7, Requests: 4, BadFrames: 4}}, nil)
	require.Contains(t, r[1].Fix, "parity")
	for _, why := range []site.Why{site.WhyException, site.WhyOutOfRange, site.WhySentinel, site.WhyBarometerOut, site.WhyTimeout} {
		require.NotEmpty(t, pointFix(why))
	}
}

// Every way out to people is tried as far as it goes without telling anybody anything.
func TestCheckLivePeople(t *testing.T) {
	password := func() (string, error) { return "right", nil }
	mailTo := func(s *servertest.MailServer, to, word string) notice.Person {
		return notice.Person{ID: "anna", Route: &notice.Email{Server: s.Addr, From: "watch@example.org", To: to, CAFile: s.CAFile,
			Username: "watch", Password: func() (string, error) { return word, nil }}}
	}
	post := func(address string) notice.Person {
		return notice.Person{ID: "bo", Route: notice.NewWebhook("bo", func() (string, error) { return address, nil }, password)}
	}
	asked := make(chan string, 10)
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { asked <- r.Method }))
	defer hook.Close()
	server := servertest.Mail(t, servertest.MailOptions{})
	deaf := servertest.Mail(t, servertest.MailOptions{Refuse: "MAIL"})
	for _, c := range []struct {
		name   string
		person notice.Person
		ok     bool
		says   string
	}{
		{"mail that would go", mailTo(server, "keeper@example.org", "right"), true, "would be taken; nothing was sent"},
		{"a wrong password", mailTo(server, "keeper@example.org", "wrong"), false, "535"},
		{"a receiver nobody knows", mailTo(server, "nobody@example.org", "right"), false, "no such box"},
		{"a sender that is refused", mailTo(deaf, "keeper@example.org", "right"), false, "sender refused"},
		{"a webhook that answers", post(hook.URL + "/secret-path"), true, "would be taken; nothing was sent"},
		{"a webhook that is down", post("http://127.0.0.1:1/secret-path"), false, "refused"},
		{"a webhook in the clear to elsewhere", post("http://example.org/secret-path"), false, "https only"},
	} {
		t.Run(c.name, func(t *testing.T) {
			found := livePeople(t.Context(), &sitefile.Config{People: []notice.Person{c.person}})
			require.Len(t, found, 1)
			require.Equal(t, c.ok, found[0].OK, found[0].Says)
			require.Contains(t, found[0].Says, c.says)
			require.NotContains(t, found[0].Says, "secret-path", "a webhook's address is a secret")
			require.Equal(t, c.ok, found[0].Fix == "", "what fails has a way out")
		})
	}
	require.Empty(t, server.Letters(), "nobody was told anything")
	require.Empty(t, asked)
}

// The page's certificate is looked at before its visitors see that it has ended.
func TestCheckLivePageCertificate(t *testing.T) {
	for _, c := range []struct {
		name    string
		days    int
		mangle  bool
		ok      bool
		says    string
		fixHint string
	}{
		{"long to go", 90, false, true, "fit each other", ""},
		{"about to end", 5, false, false, "ends on", "renew"},
		{"ended", -1, false, false, "ends on", "renew"},
		{"the key of another", 90, true, false, "private key does not match", "page.cert_file"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
			writeCertificate(t, cert, key, time.Now().AddDate(0, 0, c.days))
			if c.mangle {
				writeCertificate(t, filepath.Join(dir, "other.pem"), key, time.Now().AddDate(0, 0, c.days))
			}
			cfg := &sitefile.Config{}
			cfg.Page.Listen, cfg.Page.CertFile, cfg.Page.KeyFile = "127.0.0.1:8443", cert, key
			found := livePage(cfg)
			require.Len(t, found, 1)
			require.Equal(t, c.ok, found[0].OK, found[0].Says)
			require.Contains(t, found[0].Says, c.says)
			require.Contains(t, found[0].Fix, c.fixHint)
		})
	}
	require.Empty(t, livePage(&sitefile.Config{}), "a page without TLS has nothing to look at")
}

// writeCertificate makes a key and a certificate of it that ends then.
func writeCertificate(t *testing.T, certFile, keyFile string, end time.Time) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	of := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{"page.example"}, NotBefore: end.AddDate(-1, 0, 0), NotAfter: end}
	der, err := x509.CreateCertificate(rand.Reader, of, of, &key.PublicKey, key)
	require.NoError(t, err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600))
}
