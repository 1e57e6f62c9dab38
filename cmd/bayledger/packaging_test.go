package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

// TestPackaging builds the Debian packages as a release does, and does with them what an operator
// would, on a scratch system of its own. No service manager runs there: systemctl only notes what
// it is asked, and the test starts what the unit file says, under the unit's user, with a notify
// socket and a credentials folder as systemd gives them.
func TestPackaging(t *testing.T) {
	t.Parallel()
	for _, program := range []string{"dpkg", "dpkg-deb", "chroot", "ldd"} {
		servertest.Program(t, program)
	}
	out, epoch := t.TempDir(), "1764028800"
	build := func(t *testing.T, source, version, to, arches string) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "sh", filepath.Join(source, "deploy", "package.sh"), version, to)
		cmd.Env = append(os.Environ(), "ARCHES="+arches, "SOURCE_DATE_EPOCH="+epoch, "COMMIT=c0ffee")
		text, err := cmd.CombinedOutput()
		require.NoError(t, err, string(text))
	}
	native := strings.TrimSpace(command(t, "dpkg", "--print-architecture"))
	build(t, "../..", "1.0.0", out, "arm64 armhf "+native)
	for arch, qemu := range map[string]string{"arm64": "qemu-aarch64", "armhf": "qemu-arm"} {
		t.Run(arch+" reads the field", func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			command(t, "dpkg-deb", "-x", filepath.Join(out, "bayledger_1.0.0_"+arch+".deb"), dir)
			program := filepath.Join(dir, "usr/bin/bayledger")
			info, err := os.Stat(program)
			require.NoError(t, err)
			require.Less(t, info.Size(), int64(30e6), "a binary is under 30 MB")
			runsElsewhere(t, servertest.Program(t, qemu), program)
		})
	}
	t.Run("the same at another place", func(t *testing.T) {
		t.Parallel()
		elsewhere, again := copyOfSource(t), t.TempDir()
		build(t, elsewhere, "1.0.0", again, "arm64 armhf")
		for _, arch := range []string{"arm64", "armhf"} {
			name := "bayledger_1.0.0_" + arch + ".deb"
			require.Equal(t, digest(t, filepath.Join(out, name)), digest(t, filepath.Join(again, name)), name)
		}
	})
	t.Run("signed", func(t *testing.T) { t.Parallel(); signedPackages(t, out) })
	t.Run("installed and upgraded and removed", func(t *testing.T) {
		t.Parallel()
		newer := t.TempDir()
		build(t, "../..", "1.1.0", newer, native)
		lifeOfAPackage(t, map[string]string{"1.0.0": out, "1.1.0": newer}, native)
	})
}

// copyOfSource is the source at another place, with other modes and times. Every file of Go ends
// in a comment of its own there, so that the compiler works again: otherwise the build cache would
// hand out what the first build made.
func copyOfSource(t *testing.T) string {
	t.Helper()
	elsewhere := filepath.Join(t.TempDir(), "a", "source")
	for _, part := range []string{"agent", "cmd", "configs", "deploy", "drivers", "historian"} {
		to := filepath.Join(elsewhere, part)
		require.NoError(t, os.CopyFS(to, os.DirFS(filepath.Join("../..", part))))
		require.NoError(t, filepath.WalkDir(to, func(path string, d fs.DirEntry, err error) error {
			if err != nil || filepath.Ext(path) != ".go" {
				return err
			}
			f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(f, "\n// Compiled anew in %s.\n", elsewhere)
			return errors.Join(err, f.Close())
		}))
	}
	for _, file := range []string{"go.mod", "go.sum", "README.md", "CHANGELOG.md", "LICENSE"} {
		text, err := os.ReadFile(filepath.Join("../..", file))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(elsewhere, file), text, 0o600))
	}
	return elsewhere
}

// signedPackages signs the packages as release.md says, with a key made for it, and checks them as
// upgrades.md says: the lines of those pages are run as they stand.
func signedPackages(t *testing.T, packages string) {
	t.Helper()
	sign, verify := pageLine(t, "release.md", "gpg --armor --detach-sign"), pageLine(t, "upgrades.md", "gpgv --keyring")
	dist := filepath.Join(t.TempDir(), "dist")
	require.NoError(t, os.CopyFS(dist, os.DirFS(packages)))
	maker, stranger := newSigner(t, dist), newSigner(t, dist)
	does := func(home, line string) (string, error) {
		cmd := exec.CommandContext(t.Context(), "sh", "-c", line)
		cmd.Dir, cmd.Env = dist, append(os.Environ(), "GNUPGHOME="+home)
		text, err := cmd.CombinedOutput()
		return string(text), err
	}
	signs := func(home string) {
		t.Helper()
		require.NoError(t, os.RemoveAll(filepath.Join(dist, "SHA256SUMS.asc")))
		text, err := does(home, strings.TrimPrefix(sign, "cd dist && "))
		require.NoError(t, err, text)
	}
	signs(maker)
	text, err := does(maker, "gpg --export >bayledger.gpg")
	require.NoError(t, err, text)

	text, err = does("/nonexistent", verify) // who checks has the key's file and no key ring
	require.NoError(t, err, text)
	require.Contains(t, text, "bayledger_1.0.0_arm64.deb: OK")

	name := filepath.Join(dist, "bayledger_1.0.0_arm64.deb")
	whole, err := os.ReadFile(name)
	require.NoError(t, err)
	changed := bytes.Clone(whole)
	changed[len(changed)/2] ^= 1
	require.NoError(t, os.WriteFile(name, changed, 0o644))
	text, err = does("/nonexistent", verify)
	require.Error(t, err, "a package with one bit changed is taken")
	require.Contains(t, text, "bayledger_1.0.0_arm64.deb: FAILED")

	text, err = does("/nonexistent", "sha256sum *.deb >SHA256SUMS") // the sums made to fit it
	require.NoError(t, err, text)
	text, err = does("/nonexistent", verify)
	require.Error(t, err, "sums that nobody signed are taken")
	require.Contains(t, text, "BAD signature")

	signs(stranger)
	text, err = does("/nonexistent", verify)
	require.Error(t, err, "a stranger's signature is taken")
	require.Contains(t, text, "No public key")

	require.NoError(t, os.WriteFile(name, whole, 0o644))
	signs(maker)
	text, err = does("/nonexistent", verify)
	require.NoError(t, err, text)
}

// newSigner makes a key without a pass phrase in a folder of its own and returns the folder.
func newSigner(t *testing.T, near string) string {
	t.Helper()
	home, err := os.MkdirTemp(filepath.Dir(near), "gpg") // short: gpg's agent listens in it
	require.NoError(t, err)
	gpg := func(args ...string) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), servertest.Program(t, "gpg"), args...)
		cmd.Env = append(os.Environ(), "GNUPGHOME="+home)
		text, err := cmd.CombinedOutput()
		require.NoError(t, err, string(text))
	}
	gpg("--batch", "--pinentry-mode", "loopback", "--passphrase", "", "--quick-generate-key", "releases of a test", "ed25519", "sign", "1d")
	t.Cleanup(func() {
		cmd := exec.Command("gpgconf", "--kill", "gpg-agent")
		cmd.Env = append(os.Environ(), "GNUPGHOME="+home)
		_ = cmd.Run() // it may have ended by itself
	})
	return home
}

// pageLine is the line of a page of deploy/ that holds a text, without its indent.
func pageLine(t *testing.T, page, holds string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../../deploy", page))
	require.NoError(t, err)
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "    ") && strings.Contains(line, holds) {
			return strings.TrimSpace(line)
		}
	}
	t.Fatalf("deploy/%s has no command with %q", page, holds)
	return ""
}

// runsElsewhere lets a program for another machine read the virtual field until readings are
// durable, stops it, and reads its journal with the program of this machine.
func runsElsewhere(t *testing.T, qemu, program string) {
	t.Helper()
	dir := t.TempDir()
	config := siteFor(t, dir, startField(t), filepath.Join(dir, "journal"), "")
	witness := filepath.Join(dir, "witness")
	var log servertest.Log
	cmd := exec.Command(qemu, program, "run", "--config", config, "--socket", "none", "--witness", witness)
	cmd.Stdout, cmd.Stderr = &log, &log
	ended := start(t, cmd)
	readings := 0
	eventually(t, func() bool { readings = lastNumber(witness); return readings >= 100 }, ended, &log)
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.NoError(t, <-ended, log.String())
	var said, errs bytes.Buffer
	require.Equal(t, exitDone, run(t.Context(), []string{"journal", "check", "--config", config}, nil, &said, &errs), errs.String())
	found := regexp.MustCompile(`number (\d+)`).FindStringSubmatch(said.String())
	require.NotNil(t, found, said.String())
	newest, err := strconv.Atoi(found[1])
	require.NoError(t, err)
	require.GreaterOrEqual(t, newest, readings, "what was told to be durable is there")
	t.Logf("%s: %s", filepath.Base(qemu), strings.TrimSpace(said.String()))
}

// lifeOfAPackage is the operator's story. packages says in which folder each version lies.
func lifeOfAPackage(t *testing.T, packages map[string]string, arch string) {
	t.Helper()
	root := scratchSystem(t)
	in := func(path string) string { return filepath.Join(root, path) }
	install := func(version string) string {
		return asRoot(t, "dpkg", "--root="+root, "-i", filepath.Join(packages[version], "bayledger_"+version+"_"+arch+".deb"))
	}
	inside := func(args ...string) string { return asRoot(t, "chroot", append([]string{root}, args...)...) }
	systemctl := func() []string { // what it was asked since the last time
		text := asRoot(t, "sh", "-c", "cat "+in("systemctl.log")+" 2>/dev/null; rm -f "+in("systemctl.log"))
		return strings.Split(strings.TrimSpace(text), "\n")
	}

	said := install("1.0.0")
	require.Contains(t, said, "bayledger check --config /etc/bayledger/site.yaml", "it says what comes next")
	require.Contains(t, inside("/usr/bin/bayledger", "version"), "bayledger 1.0.0, commit c0ffee,")
	require.Contains(t, inside("getent", "passwd", "bayledger"), ":/var/lib/bayledger:/usr/sbin/nologin")
	require.Equal(t, "bayledger:bayledger 750", owner(t, in("var/lib/bayledger"), root))
	require.Equal(t, "root:root 700", owner(t, in("etc/bayledger/credentials"), root))
	for _, file := range []string{"usr/share/man/man1/bayledger.1.gz", "usr/share/doc/bayledger/upgrades.md", "usr/share/doc/bayledger/licences.txt",
		"usr/share/doc/bayledger/configs/REFERENCE.md", "usr/share/doc/bayledger/configs/site.schema.json"} {
		require.FileExists(t, in(file))
	}
	require.Equal(t, []string{""}, systemctl(), "without a site file nothing is started")

	// The integrator's part: a site file, and a secret in the credentials folder.
	influx := servertest.Influx(t, servertest.InfluxOptions{Auth: true})
	influx.CreateDatabase("courts")
	dir := t.TempDir()
	config := siteFor(t, dir, startField(t), "/var/lib/bayledger", "influxdb:\n  - id: archive\n    url: "+influx.URL+
		"\n    bucket: courts\n    token: file:/run/credentials/bayledger.service/secrets_influx\n")
	asRoot(t, "install", "-m", "644", config, in("etc/bayledger/site.yaml"))
	inside("/usr/bin/bayledger", "check", "--config", "/etc/bayledger/site.yaml")
	secret := filepath.Join(dir, "influx")
	require.NoError(t, os.WriteFile(secret, []byte("bay:ledger\n"), 0o600))
	asRoot(t, "sh", "-c", "install -d -m 755 "+in("run/credentials")+" && install -d -m 500 -o "+uid(t, root)+" "+in("run/credentials/bayledger.service")+
		" && install -m 400 -o "+uid(t, root)+" "+secret+" "+in("run/credentials/bayledger.service/secrets_influx")+
		" && install -d -m 755 -o "+uid(t, root)+" "+in("run/bayledger"))

	first := startUnit(t, root)
	first.wait(t, "READY=1")
	first.wait(t, "WATCHDOG=1")
	first.wait(t, "WATCHDOG=1")
	eventually(t, func() bool { return influx.Count("courts", "water_level", "value") > 6 }, first.ended, first.log)
	require.Contains(t, first.log.String(), "version=1.0.0")
	first.stop(t)
	before := countSamples(t, root)
	require.Positive(t, before)

	// An upgrade is checked against the site file, restarts the service, and keeps the journal.
	asRoot(t, "touch", in("enabled"))
	systemctl()
	install("1.1.0")
	require.Equal(t, []string{"daemon-reload", "is-enabled --quiet bayledger.service", "restart bayledger.service"}, systemctl())
	second := startUnit(t, root)
	second.wait(t, "READY=1")
	second.wait(t, "WATCHDOG=1")
	pushSiteFile(t, root, config, second, systemctl)
	second.stop(t)
	require.Contains(t, second.log.String(), "version=1.1.0")
	require.Greater(t, countSamples(t, root), before)

	// A site file that the new version refuses leaves what runs alone.
	asRoot(t, "sh", "-c", "echo 'no_such_key: 1' >> "+in("etc/bayledger/site.yaml"))
	said = install("1.0.0") // which is also the way back
	require.Contains(t, said, "what ran goes on running")
	require.NotContains(t, strings.Join(systemctl(), "\n"), "restart")
	require.Contains(t, inside("/usr/bin/bayledger", "version"), "bayledger 1.0.0")
	asRoot(t, "install", "-m", "644", config, in("etc/bayledger/site.yaml"))
	third := startUnit(t, root)
	third.wait(t, "READY=1")
	third.stop(t)
	kept := countSamples(t, root)

	asRoot(t, "dpkg", "--root="+root, "--remove", "bayledger")
	require.Contains(t, systemctl(), "disable --now bayledger.service")
	require.NoFileExists(t, in("usr/bin/bayledger"))
	require.FileExists(t, in("etc/bayledger/site.yaml"))
	require.Equal(t, kept, countSamples(t, root), "removal keeps the journal")
	asRoot(t, "dpkg", "--root="+root, "--purge", "bayledger")
	for _, gone := range []string{"var/lib/bayledger", "etc/bayledger"} {
		require.NoDirExists(t, in(gone))
	}
	users := asRoot(t, "cat", in("etc/passwd"))
	require.NotContains(t, users, "bayledger")
}

// pushSiteFile does what upgrades.md says about site files, by that page's own commands, while the
// daemon runs: a check before, the exchange, a look at the lines and servers after, and the way back.
func pushSiteFile(t *testing.T, root, config string, daemon *unit, systemctl func() []string) {
	t.Helper()
	page, err := os.ReadFile("../../deploy/upgrades.md")
	require.NoError(t, err)
	steps := regexp.MustCompile(`(?m)^    ssh club '(.*)'`).FindAllStringSubmatch(string(page), -1)
	require.Len(t, steps, 3)
	back := regexp.MustCompile("The way back: `(.*)`").FindSubmatch(page)
	require.NotNil(t, back)
	on := func(command string) (string, int) {
		cmd := exec.CommandContext(t.Context(), "chroot", root, "/bin/sh", "-c", command)
		if os.Geteuid() != 0 {
			cmd = exec.CommandContext(t.Context(), "sudo", append([]string{"-n"}, cmd.Args...)...)
		}
		out, err := cmd.CombinedOutput()
		var exit *exec.ExitError
		if err != nil {
			require.ErrorAs(t, err, &exit)
			return string(out), exit.ExitCode()
		}
		return string(out), 0
	}
	push := func(text string) {
		t.Helper()
		file := filepath.Join(t.TempDir(), "site.new")
		require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
		asRoot(t, "install", "-m", "644", file, filepath.Join(root, "tmp/site.new"))
	}
	running := func() string {
		t.Helper()
		return asRoot(t, "cat", filepath.Join(root, "etc/bayledger/site.yaml"))
	}
	// reload is what the service manager does when it is asked to.
	reload := func(says string) {
		t.Helper()
		from := len(daemon.log.String())
		require.NoError(t, daemon.cmd.Process.Signal(syscall.SIGHUP))
		eventually(t, func() bool { return strings.Contains(daemon.log.String()[from:], says) }, daemon.ended, daemon.log)
	}
	text, err := os.ReadFile(config)
	require.NoError(t, err)
	before := running()
	systemctl()

	push(string(text) + "no_such_key: 1\n")
	said, code := on(steps[0][1])
	require.Equal(t, exitInput, code, said)
	require.Contains(t, said, "no_such_key")
	require.Equal(t, before, running(), "what is wrong goes no further than the check")

	next := strings.Replace(string(text), `name: "A1"`, `name: "By the clubhouse"`, 1)
	push(next)
	said, code = on(steps[0][1])
	require.Equal(t, exitDone, code, said)
	said, code = on(steps[1][1])
	require.Equal(t, 0, code, said)
	require.Equal(t, next, running())
	require.Equal(t, []string{"reload bayledger"}, systemctl())
	reload("site file read again")
	said, _ = on(steps[2][1]) // nobody has set this machine's clock, which it says
	require.Contains(t, said, "a marker was written and read back")
	require.Contains(t, said, "unit court-a")
	require.NotRegexp(t, `FAILED +[^c ]`, said)

	// A file that is wrong all the same is refused, and the page's way back is one.
	asRoot(t, "sh", "-c", "echo 'no_such_key: 1' >> "+filepath.Join(root, "etc/bayledger/site.yaml"))
	reload("site file refused, the old one is still running")
	said, code = on(string(back[1]))
	require.Equal(t, 0, code, said)
	require.Equal(t, before, running())
	require.Equal(t, []string{"reload bayledger"}, systemctl())
	reload("site file read again")
}

// unit is the daemon as the unit file starts it.
type unit struct {
	cmd   *exec.Cmd
	ended chan error
	log   *servertest.Log
	told  chan string
}

// startUnit plays the service manager.
func startUnit(t *testing.T, root string) *unit {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, "usr/lib/systemd/system/bayledger.service"))
	require.NoError(t, err)
	key := func(name string) string {
		m := regexp.MustCompile(`(?m)^` + name + `=(.*)$`).FindStringSubmatch(string(text))
		require.NotNil(t, m, name)
		return m[1]
	}
	require.Equal(t, "notify", key("Type"))
	seconds, err := strconv.Atoi(key("WatchdogSec"))
	require.NoError(t, err)
	socket := filepath.Join(root, "run", "notify")
	asRoot(t, "rm", "-f", socket)
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	require.NoError(t, err)
	require.NoError(t, os.Chmod(socket, 0o666))
	u := &unit{ended: make(chan error, 1), log: &servertest.Log{}, told: make(chan string, 1000)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 4096)
		for {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			for line := range strings.SplitSeq(string(buf[:n]), "\n") {
				u.told <- line
			}
		}
	}()
	t.Cleanup(func() { conn.Close(); <-done })
	args := []string{"chroot", "--userspec=" + key("User") + ":" + key("Group"), "--groups=" + key("SupplementaryGroups"), root,
		"/usr/bin/env", "NOTIFY_SOCKET=/run/notify", "WATCHDOG_USEC=" + strconv.Itoa(seconds*1e6), "CREDENTIALS_DIRECTORY=/run/credentials/bayledger.service"}
	args = append(args, strings.Fields(key("ExecStart"))...)
	u.cmd = exec.Command(args[0], args[1:]...)
	if os.Geteuid() != 0 {
		u.cmd = exec.Command("sudo", append([]string{"-n"}, args...)...)
	}
	u.cmd.Stdout, u.cmd.Stderr = u.log, u.log
	u.ended = start(t, u.cmd)
	return u
}

// wait waits for one of the daemon's words to the service manager.
func (u *unit) wait(t *testing.T, word string) {
	t.Helper()
	patience := time.After(2 * time.Minute)
	for {
		select {
		case line := <-u.told:
			if line == word {
				return
			}
		case err := <-u.ended:
			t.Fatalf("the daemon ended (%v) before it said %s:\n%s", err, word, u.log)
		case <-patience:
			t.Fatalf("the daemon did not say %s:\n%s", word, u.log)
		}
	}
}

// stop is systemctl stop.
func (u *unit) stop(t *testing.T) {
	t.Helper()
	require.NoError(t, u.cmd.Process.Signal(syscall.SIGTERM))
	u.wait(t, "STOPPING=1")
	require.NoError(t, <-u.ended, u.log.String())
}

// scratchSystem makes the root of a system that has what the package's scripts and dpkg call,
// copied from this one.
func scratchSystem(t *testing.T) string {
	t.Helper()
	root, err := os.MkdirTemp("", "scratch")
	require.NoError(t, err)
	t.Cleanup(func() { asRoot(t, "rm", "-rf", root) })
	require.NoError(t, os.Chmod(root, 0o755))
	for _, dir := range []string{"bin", "dev", "etc", "lib", "proc/sys/kernel/random", "run/systemd/system", "tmp", "usr/bin", "usr/sbin", "var/lib/dpkg/info", "var/lib/dpkg/updates", "var/lib/dpkg/triggers"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, dir), 0o755))
	}
	put := func(name, text string, mode os.FileMode) {
		require.NoError(t, os.WriteFile(filepath.Join(root, name), []byte(text), mode))
	}
	put("etc/passwd", "root:x:0:0:root:/root:/bin/sh\n", 0o644)
	put("etc/group", "root:x:0:\ndialout:x:20:\n", 0o644)
	put("etc/shadow", "root:*:19000:0:99999:7:::\n", 0o600)
	put("etc/gshadow", "root:*::\ndialout:*::\n", 0o600)
	put("etc/nsswitch.conf", "passwd: files\ngroup: files\nshadow: files\n", 0o644)
	put("var/lib/dpkg/available", "", 0o644)
	// The package needs passwd, whose programs are copied below.
	put("var/lib/dpkg/status", "Package: passwd\nStatus: install ok installed\nVersion: 1:4.13\nArchitecture: "+strings.TrimSpace(command(t, "dpkg", "--print-architecture"))+"\nMaintainer: test\nDescription: test\n", 0o644)
	put("var/lib/dpkg/info/passwd.list", "/.\n", 0o644)
	put("dev/null", "", 0o666)
	put("proc/sys/kernel/random/boot_id", "3f1c7a52-6f0e-4a53-9d52-0f0e1d2c3b4a\n", 0o444)
	put("usr/bin/systemctl", "#!/bin/sh\necho \"$*\" >>/systemctl.log\n[ \"$1\" != is-enabled ] || [ -e /enabled ]\n", 0o755)
	seen := map[string]bool{}
	copyIn := func(from, to string) {
		if seen[to] {
			return
		}
		seen[to] = true
		text, err := os.ReadFile(from)
		require.NoError(t, err)
		require.NoError(t, os.MkdirAll(filepath.Join(root, filepath.Dir(to)), 0o755))
		put(to, string(text), 0o755)
	}
	for _, name := range []string{"sh", "cat", "chown", "cp", "env", "getent", "id", "install", "rm", "touch", "useradd", "userdel", "ls", "stat"} {
		path := servertest.Program(t, name)
		real, err := filepath.EvalSymlinks(path)
		require.NoError(t, err)
		to := "usr/bin/" + name
		if strings.HasPrefix(name, "user") {
			to = "usr/sbin/" + name
		}
		copyIn(real, to)
		for line := range strings.SplitSeq(command(t, "ldd", real), "\n") {
			for _, word := range strings.Fields(line) {
				if strings.HasPrefix(word, "/") {
					copyIn(word, word)
				}
			}
		}
	}
	copyIn(filepath.Join(root, "usr/bin/sh"), "bin/sh")
	put("usr/bin/sudo", "#!/bin/sh\nexec \"$@\"\n", 0o755)
	asRoot(t, "chown", "-R", "root:root", root)
	// The test's own notify socket lies in it.
	asRoot(t, "chmod", "777", filepath.Join(root, "run"))
	return root
}

// command runs a program to its end.
func command(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(t, err, "%s %v\n%s", name, args, out)
	return string(out)
}

// asRoot runs a program as root: a package is installed by nobody else.
func asRoot(t *testing.T, name string, args ...string) string {
	t.Helper()
	if os.Geteuid() != 0 {
		name, args = "sudo", append([]string{"-n", name}, args...)
	}
	return command(t, name, args...)
}

func digest(t *testing.T, file string) string {
	t.Helper()
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

func uid(t *testing.T, root string) string {
	t.Helper()
	return strings.TrimSpace(asRoot(t, "chroot", root, "id", "-u", "bayledger"))
}

// owner is "user:group mode" by the scratch system's own names.
func owner(t *testing.T, path, root string) string {
	t.Helper()
	return strings.TrimSpace(asRoot(t, "chroot", root, "stat", "-c", "%U:%G %a", strings.TrimPrefix(path, root)))
}

// countSamples is the number of the newest sample in the scratch system's journal.
func countSamples(t *testing.T, root string) int {
	t.Helper()
	dir := t.TempDir()
	asRoot(t, "cp", "-r", filepath.Join(root, "var/lib/bayledger")+"/.", dir)
	asRoot(t, "chown", "-R", strconv.Itoa(os.Geteuid()), dir)
	config := siteFor(t, dir, pumpHouse{modbus: "127.0.0.1:1"}, dir, "")
	var out, errs bytes.Buffer
	require.Equal(t, exitDone, run(t.Context(), []string{"journal", "check", "--config", config}, nil, &out, &errs), errs.String())
	m := regexp.MustCompile(`number (\d+)`).FindStringSubmatch(out.String())
	require.NotNil(t, m, out.String())
	n, err := strconv.Atoi(m[1])
	require.NoError(t, err)
	return n
}

// siteFor writes the virtual pump house's own site file for a field at an address, with a fresh
// page port, a commit every second, and the journal in a folder.
func siteFor(t *testing.T, dir string, field pumpHouse, journal, more string) string {
	t.Helper()
	text := field.siteFile(t, fmt.Sprintf("\njournal: { dir: %q, commit: 1 s, clock: own }\npage: { listen: \"127.0.0.1:%d\" }\n%s", journal, servertest.FreePorts(t, 1)[0], more))
	config := filepath.Join(dir, "site.yaml")
	require.NoError(t, os.WriteFile(config, []byte(text), 0o644))
	return config
}

// start starts a process that is killed when the test ends, and returns how it ended.
func start(t *testing.T, cmd *exec.Cmd) chan error {
	t.Helper()
	require.NoError(t, cmd.Start())
	ended, gone := make(chan error, 1), make(chan struct{})
	go func() { defer close(gone); ended <- cmd.Wait() }()
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGKILL) // it is gone already when all went well
		<-gone
	})
	return ended
}

// eventually waits for a condition on real processes.
func eventually(t *testing.T, ok func() bool, ended <-chan error, log fmt.Stringer) {
	t.Helper()
	patience, tick := time.After(3*time.Minute), time.NewTicker(50*time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case err := <-ended:
			t.Fatalf("it ended too soon (%v):\n%s", err, log)
		case <-patience:
			t.Fatalf("it did not come to that:\n%s", log)
		case <-tick.C:
		}
	}
}

// lastNumber is the last whole line of a witness file.
func lastNumber(file string) int {
	f, err := os.Open(file)
	if err != nil {
		return 0
	}
	defer f.Close()
	n := 0
	for s := bufio.NewScanner(f); s.Scan(); {
		if v, err := strconv.Atoi(s.Text()); err == nil {
			n = max(n, v)
		}
	}
	return n
}

// The unit file's sandbox is judged by systemd's own measure, which needs no service manager.
func TestPackagingSandbox(t *testing.T) {
	analyze := servertest.Program(t, "systemd-analyze")
	const file = "../../deploy/debian/bayledger.service"
	out := command(t, analyze, "security", "--offline=yes", "--threshold=20", file)
	m := regexp.MustCompile(`exposure level for bayledger.service: ([0-9.]+)`).FindStringSubmatch(out)
	require.NotNil(t, m, out)
	level, err := strconv.ParseFloat(m[1], 64)
	require.NoError(t, err)
	require.Less(t, level, 2.0)
	t.Logf("exposure level %.1f", level)

	text, err := os.ReadFile(file)
	require.NoError(t, err)
	lines := strings.Split(string(text), "\n")
	for what, line := range map[string]string{
		"serial ports by USB":       "DeviceAllow=char-ttyUSB rw",
		"their group":               "SupplementaryGroups=dialout",
		"devices are not hidden":    "PrivateDevices=no",
		"the clock may be asked":    "SystemCallFilter=adjtimex clock_adjtime",
		"and is not shut off":       "ProtectClock=no",
		"the network":               "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX",
		"secrets without a file":    "LoadCredential=secrets:/etc/bayledger/credentials",
		"ready when it says so":     "Type=notify",
		"nothing at boot is waited": "After=local-fs.target",
	} {
		require.True(t, slices.Contains(lines, line), "%s: %s", what, line)
	}
	for _, waits := range []string{"time-sync.target", "network-online.target", "network.target", "ProcSubset=pid"} {
		require.NotRegexp(t, `(?m)^[A-Z]\w*=.*`+regexp.QuoteMeta(waits), string(text))
	}
}
