#!/bin/sh
# Soak: sh deploy/soak.sh [DURATION] [FOLDER], for example: sh deploy/soak.sh 1h
#
# Runs the real daemon with all its sinks (InfluxDB, Mosquitto, page) against the virtual pump
# house, and breaks something at every edge at random: units that fall silent, connections that
# are cut, historian and broker that stop or hang, a daemon that is killed, a site file read
# again, valves that stick. At the end it waits until everything is made good and prints
# goroutines, memory and descriptors at the beginning and at the end, samples lost and alarms
# missed. Exit 1 when anything was lost, missed or has grown. FOLDER keeps the logs and the report.
#
# It is a test of package cmd/bayledger that runs only here, for it takes as long as it is told.
set -eu
cd "$(dirname "$0")/.."
duration=${1:-1h}
out=${2:-}
BAYLEDGER_SOAK=$duration BAYLEDGER_SOAK_OUT=$out go test ./cmd/bayledger -run '^TestPackagingSoak$' -count=1 -timeout 0 -v
