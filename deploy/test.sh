#!/bin/sh
# Installs what the tests need on Debian 12 with Go, then runs every test of the project and
# prints the time of each part. Run it from the project's root: sh deploy/test.sh
#
#   sh deploy/test.sh            everything
#   sh deploy/test.sh PART...    only the parts named (see the list at the end of this file)
#
# It needs root or sudo for Debian's packages, and says so when it has neither.
set -u
cd "$(dirname "$0")/.." || exit 1

cache=${BAYLEDGER_CACHE:-$PWD/.cache}
mkdir -p "$cache"
gobin=$(go env GOPATH)/bin || { echo "deploy/test.sh: Go is not on the PATH; install Go first" >&2; exit 1; }
PATH=$gobin:$PATH
export PATH
failed=""
times=""

# The tests that start real servers and processes have names that say which part they belong
# to, so that each runs once.
big='^(TestEndToEnd|TestCrash|TestScorecard|TestBrowser|TestPackaging)'

packages="mosquitto mosquitto-clients prometheus prometheus-alertmanager victoria-metrics
chromium socat mbpoll python3-pymodbus python3-serial python3-aiosmtpd libmodbus-dev gcc libc6-dev sqlite3 strace
jq curl openssl shellcheck qemu-user systemd passwd gnupg gpgv"

install_all() {
	missing=""
	for p in $packages; do
		dpkg-query -W -f '${Status}' "$p" 2>/dev/null | grep -q 'ok installed' || missing="$missing $p"
	done
	if [ -n "$missing" ]; then
		if [ "$(id -u)" = 0 ]; then
			as_root=""
		elif command -v sudo >/dev/null; then
			as_root="sudo"
		else
			echo "deploy/test.sh: these Debian packages are missing and neither root nor sudo is at hand:$missing" >&2
			return 1
		fi
		# Debian starts the servers it installs; the tests start their own, so it is told not to.
		$as_root sh -c "printf '#!/bin/sh\nexit 101\n' > /usr/sbin/policy-rc.d.bayledger && chmod +x /usr/sbin/policy-rc.d.bayledger
			[ -e /usr/sbin/policy-rc.d ] || { ln -s policy-rc.d.bayledger /usr/sbin/policy-rc.d; made=1; }
			apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
			code=\$?
			[ -z \"\${made:-}\" ] || rm -f /usr/sbin/policy-rc.d
			rm -f /usr/sbin/policy-rc.d.bayledger
			exit \$code" || return 1
	fi
	command -v influxd >/dev/null || go install github.com/influxdata/influxdb/cmd/influxd@v1.8.10 || return 1
	if [ ! -f "$cache/node_modules/axe-core/axe.min.js" ]; then
		npm install --silent --no-audit --no-fund --prefix "$cache" axe-core@4.11.0 >/dev/null || return 1
	fi
}

static() {
	unformatted=$(gofmt -l agent cmd deploy drivers historian)
	[ -z "$unformatted" ] || { echo "gofmt would change: $unformatted" >&2; return 1; }
	go vet ./... && go tool staticcheck ./... && shellcheck deploy/*.sh .ci/run &&
		(cd deploy/grafana && go vet . && go test .) && (cd deploy/compose && go vet . && go test .)
}

# A database that cannot be reached is said, and fails nothing.
holes() {
	sh deploy/vuln.sh || [ $? = 3 ]
}

unit() { go test -race -timeout 20m -skip "$big" ./...; }
endtoend() { go test -timeout 20m -run '^TestEndToEnd' ./...; }
crash() { go test -timeout 15m -run '^TestCrash' ./...; }
scorecard() { go test -timeout 15m -run '^TestScorecard' ./agent/; }
browser() { BAYLEDGER_AXE="$cache/node_modules/axe-core/axe.min.js" go test -timeout 10m -run '^TestBrowser' ./...; }
# Its tests wait for real servers most of the time, so they run side by side.
packaging() { go test -timeout 15m -parallel 4 -run '^TestPackaging' ./cmd/bayledger; }

# Every fuzz target runs two thousand inputs from its seeds: a count, because a time limit can end
# in the middle of an input and then reads as a failure. One that fails does not hide the next.
fuzz() {
	grep -rHoE '^func Fuzz[A-Za-z0-9_]+' --include='*_test.go' agent cmd drivers historian | sort |
		sed 's|/[^/]*_test.go:func | |' | {
		bad=""
		while read -r dir target; do
			go test -run '^$' -fuzz "^$target\$" -fuzztime 2000x "./$dir" </dev/null || bad="$bad $dir:$target"
		done
		[ -z "$bad" ] || { echo "fuzz targets that failed:$bad" >&2; exit 1; }
	}
}

part() {
	began=$(date +%s)
	printf '\n== %s\n' "$1"
	if "$1"; then verdict=ok; else verdict=FAILED; failed="$failed $1"; fi
	times="$times
$(printf '%-12s %5d s  %s' "$1" "$(($(date +%s) - began))" "$verdict")"
}

parts=${*:-"install_all static holes unit endtoend crash scorecard browser fuzz packaging"}
for p in $parts; do
	part "$p"
	# Nothing below can be judged without its servers.
	case "$p$failed" in "install_all install_all") break ;; esac
done

printf '\n== time of each part%s\n' "$times"
[ -z "$failed" ] || { echo "failed:$failed" >&2; exit 1; }
