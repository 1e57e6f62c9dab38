#!/bin/sh
# The ops side without containers and without Grafana, on this machine's loopback:
#
#   sh deploy/ops-stack.sh FOLDER SITES [FIRST-PORT]
#
# FOLDER keeps everything (made when it is not there), SITES is the file of site ids, one a line.
# Starts InfluxDB 1.8 (go install), Mosquitto, two hubs, Prometheus with the shipped rules and
# Alertmanager (Debian packages), makes a write-only user of the historian and a user of the
# broker for every site, prints where they listen and stays until it is told to stop.
# Passwords are in FOLDER/credentials, one file a user, readable by you only.
set -eu
cd "$(dirname "$0")/.."
[ $# -ge 2 ] || { echo "usage: sh deploy/ops-stack.sh FOLDER SITES [FIRST-PORT]" >&2; exit 2; }
mkdir -p "$1" && folder=$(cd "$1" && pwd)
sites=$2 port=${3:-18000}
PATH=$PATH:/usr/sbin:$(go env GOPATH)/bin
for program in influxd mosquitto mosquitto_passwd prometheus prometheus-alertmanager curl; do
	command -v "$program" >/dev/null || { echo "deploy/ops-stack.sh: $program is missing; sh deploy/test.sh install_all installs what is needed" >&2; exit 1; }
done
umask 077
mkdir -p "$folder/credentials" "$folder/influx" "$folder/mosquitto" "$folder/prometheus" "$folder/alertmanager"
bayledger=${BAYLEDGER:-$folder/bayledger}
[ -x "$bayledger" ] || go build -trimpath -o "$bayledger" ./cmd/bayledger

influx=127.0.0.1:$port rpc=127.0.0.1:$((port + 1)) broker=$((port + 2)) hub_a=127.0.0.1:$((port + 3)) hub_b=127.0.0.1:$((port + 4))
prometheus=127.0.0.1:$((port + 5)) alertmanager=127.0.0.1:$((port + 6))
pids=""
trap 'for p in $pids; do kill "$p" 2>/dev/null || true; done; wait' EXIT
trap 'exit 0' INT TERM

secret() { # user: its password, made once
	[ -s "$folder/credentials/$1" ] || head -c 24 /dev/urandom | base64 | tr -d '/+=\n' >"$folder/credentials/$1"
	cat "$folder/credentials/$1"
}
names=$(sed 's/#.*//' "$sites")

INFLUXDB_DATA_DIR=$folder/influx/data INFLUXDB_DATA_WAL_DIR=$folder/influx/wal INFLUXDB_META_DIR=$folder/influx/meta \
	INFLUXDB_HTTP_BIND_ADDRESS=$influx INFLUXDB_BIND_ADDRESS=$rpc INFLUXDB_HTTP_AUTH_ENABLED=true INFLUXDB_HTTP_FLUX_ENABLED=true \
	INFLUXDB_REPORTING_DISABLED=true INFLUXDB_MONITOR_STORE_ENABLED=false INFLUXDB_HTTP_LOG_ENABLED=false \
	influxd run -config /dev/null >"$folder/influx/log" 2>&1 &
pids="$pids $!"
for user in hub dashboard $names; do
	made=$(secret "$user")
	[ -f "$folder/mosquitto/passwords" ] && new="" || new=-c
	# shellcheck disable=SC2086
	mosquitto_passwd -b $new "$folder/mosquitto/passwords" "$user" "$made"
done
{
	[ "$(id -u)" != 0 ] || echo "user root"
	echo "listener $broker 127.0.0.1"
	echo "allow_anonymous false"
	echo "password_file $folder/mosquitto/passwords"
	echo "acl_file $PWD/deploy/mosquitto/bayledger.acl"
	echo "persistence true"
	echo "persistence_location $folder/mosquitto/"
	echo "max_queued_messages 100000"
} >"$folder/mosquitto/mosquitto.conf"
mosquitto -c "$folder/mosquitto/mosquitto.conf" >"$folder/mosquitto/log" 2>&1 &
pids="$pids $!"

query() { curl -sf -u "admin:$(secret influx-admin)" --data-urlencode "q=$1" "http://$influx/query" >/dev/null; }
until curl -sf "http://$influx/ping" >/dev/null; do sleep 0.2; done
# The first user may be made without one.
curl -sf --data-urlencode "q=CREATE USER admin WITH PASSWORD '$(secret influx-admin)' WITH ALL PRIVILEGES" "http://$influx/query" >/dev/null || true
query 'CREATE DATABASE courts WITH DURATION INF NAME "raw"'
for site in $names; do
	query "CREATE USER \"$site\" WITH PASSWORD '$(secret "$site")'" || query "SET PASSWORD FOR \"$site\" = '$(secret "$site")'"
	query "GRANT WRITE ON courts TO \"$site\""
done

for at in "$hub_a" "$hub_b"; do
	"$bayledger" hub --broker "tcp://127.0.0.1:$broker" --sites "$sites" --username hub --password "$folder/credentials/hub" --listen "$at" >>"$folder/hub.log" 2>&1 &
	pids="$pids $!"
done
cat >"$folder/prometheus/prometheus.yml" <<END
global: {scrape_interval: 15s, evaluation_interval: 15s}
rule_files: [$PWD/deploy/prometheus/bayledger.rules.yml]
alerting: {alertmanagers: [{static_configs: [{targets: ["$alertmanager"]}]}]}
scrape_configs:
  - {job_name: bayledger-hub, honor_labels: true, static_configs: [{targets: ["$hub_a", "$hub_b"]}]}
END
prometheus-alertmanager --config.file=deploy/alertmanager/alertmanager.yml --storage.path="$folder/alertmanager" \
	--web.listen-address="$alertmanager" --cluster.listen-address= --log.level=warn >"$folder/alertmanager/log" 2>&1 &
pids="$pids $!"
prometheus --config.file="$folder/prometheus/prometheus.yml" --storage.tsdb.path="$folder/prometheus/data" \
	--web.listen-address="$prometheus" --log.level=warn >"$folder/prometheus/log" 2>&1 &
pids="$pids $!"
for at in "$hub_a/healthz" "$hub_b/healthz" "$alertmanager/-/ready" "$prometheus/-/ready"; do
	until curl -sf "http://$at" >/dev/null; do
		sleep 0.2
		for p in $pids; do kill -0 "$p" 2>/dev/null || { echo "deploy/ops-stack.sh: a server ended at once; its log is in $folder" >&2; exit 1; }; done
	done
done
cat <<END
historian     http://$influx   database courts, user SITE, password in $folder/credentials/SITE
broker        tcp://127.0.0.1:$broker   the same users
hubs          http://$hub_a/metrics http://$hub_b/metrics
prometheus    http://$prometheus
alertmanager  http://$alertmanager   routes of deploy/alertmanager/alertmanager.yml
ready
END
wait
