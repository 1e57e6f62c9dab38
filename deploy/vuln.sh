#!/bin/sh
# Looks for known holes in what the program calls: sh deploy/vuln.sh
# Exit 0 clean, 1 a hole in code that is called, 3 not checked, because the database or the tool
# cannot be reached from here. DATABASE is another copy of vuln.go.dev, a URL.
set -u
cd "$(dirname "$0")/.." || exit 1
database=${DATABASE:-https://vuln.go.dev}
if ! curl --silent --fail --location --max-time 20 --output /dev/null "$database/index/modules.json.gz"; then
	echo "NOT CHECKED: the database of known holes, $database, cannot be reached from here. Repeat this where it can: sh deploy/vuln.sh"
	exit 3
fi
tool=$(mktemp -d)
trap 'rm -rf "$tool"' EXIT
if ! GOBIN="$tool" go install golang.org/x/vuln/cmd/govulncheck@v1.9.0; then
	echo "NOT CHECKED: govulncheck could not be installed. Repeat this where it can: sh deploy/vuln.sh"
	exit 3
fi
"$tool/govulncheck" -db "$database" ./... || exit 1
