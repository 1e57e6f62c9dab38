#!/bin/sh
# Prints what the daemon costs: sh deploy/figures.sh [SECONDS] [PROGRAM]
# A six-bay site read every 5 s over Modbus TCP from the virtual pump house, as the package builds
# it. Exit 1 when a figure is beyond its limit.
set -eu
cd "$(dirname "$0")/.."
seconds=${1:-120}
dir=$(mktemp -d)
field="" daemon=""
trap '[ -z "$daemon" ] || kill "$daemon"; [ -z "$field" ] || kill "$field"; rm -rf "$dir"' EXIT

program=${2:-$dir/bayledger}
[ $# -ge 2 ] || CGO_ENABLED=0 go build -trimpath -buildvcs=false -ldflags '-s -w -buildid=' -o "$program" ./cmd/bayledger
port=$((20000 + $$ % 20000))
"$program" field --listen "127.0.0.1:$port" --control "127.0.0.1:$((port + 1))" --witness "$dir/served" >"$dir/field.log" 2>&1 &
field=$!
"$program" field --listen "127.0.0.1:$port" --site-file >"$dir/site.yaml"
printf '\njournal: { dir: %s }\npage: { listen: "127.0.0.1:%s" }\n' "$dir/journal" "$((port + 2))" >>"$dir/site.yaml"
until grep -q 'times real time' "$dir/field.log"; do sleep 0.1; done

ms() { echo $(($(date +%s%N) / 1000000)); }
began=$(ms)
"$program" run --config "$dir/site.yaml" --socket none >"$dir/run.log" 2>&1 &
daemon=$!
until [ -s "$dir/served" ]; do sleep 0.01; done
first=$(($(ms) - began))

ticks() { awk '{ print $14 + $15 }' "/proc/$daemon/stat"; }
sleep 10 # the start is not the running
from=$(ticks)
sleep "$seconds"
spent=$(($(ticks) - from))
rss=$(awk '/^VmRSS/ { print $2 }' "/proc/$daemon/status")
peak=$(awk '/^VmHWM/ { print $2 }' "/proc/$daemon/status")
size=$(wc -c <"$program")
over=0
figure() { # name, value, limit, unit
	if awk "BEGIN { exit !($2 < $3) }"; then verdict=ok; else verdict=BEYOND; over=1; fi
	printf '%-36s %8s %-5s under %6s  %s\n' "$1" "$2" "$4" "$3" "$verdict"
}
echo "six bays every 5 s over Modbus TCP, $seconds s, $(uname -m), $(nproc) cores, load $(cut -d' ' -f1 /proc/loadavg)"
figure "resident at the end" "$(awk "BEGIN { printf \"%.1f\", $rss / 1024 }")" 40 MB
figure "resident at most" "$(awk "BEGIN { printf \"%.1f\", $peak / 1024 }")" 40 MB
figure "share of one core" "$(awk "BEGIN { printf \"%.2f\", 100 * $spent / $(getconf CLK_TCK) / $seconds }")" 2 %
figure "program" "$(awk "BEGIN { printf \"%.1f\", $size / 1e6 }")" 30 MB
figure "start to the first register read" "$first" 1000 ms
exit $over
