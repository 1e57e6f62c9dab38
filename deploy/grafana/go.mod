// The dashboards' builder is a module of its own, so that the daemon does not depend on it.
module bayledger/deploy/grafana

go 1.26

require github.com/grafana/grafana-foundation-sdk/go v0.0.22
