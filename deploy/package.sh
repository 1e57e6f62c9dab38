#!/bin/sh
# Builds Debian packages of bayledger: sh deploy/package.sh [VERSION] [OUT]
# Needs Go and dpkg-deb. The same source, version and Go give the same bytes, wherever the
# source lies. ARCHES says which machines ("arm64 armhf amd64"; armhf is ARMv6, every Pi).
set -eu
cd "$(dirname "$0")/.."
version=${1:-0.0.0~devel}
out=${2:-dist}
mkdir -p "$out"
# The age of the files in the package is that of the commit, so that building twice is the same.
: "${SOURCE_DATE_EPOCH:=$(git log -1 --format=%ct 2>/dev/null || echo 1764028800)}"
: "${COMMIT:=$(git rev-parse --short=12 HEAD 2>/dev/null || echo unknown)}"
export SOURCE_DATE_EPOCH
umask 022

build() { # Debian architecture, GOARCH, GOARM
	tree=$(mktemp -d)
	install -d -m 755 "$tree/DEBIAN" "$tree/usr/bin" "$tree/usr/lib/systemd/system" \
		"$tree/usr/share/doc/bayledger/configs" "$tree/usr/share/man/man1" "$tree/etc/bayledger"
	CGO_ENABLED=0 GOOS=linux GOARCH=$2 GOARM=$3 go build -trimpath -buildvcs=false \
		-ldflags "-s -w -buildid= -X main.version=$version -X main.commit=$COMMIT" -o "$tree/usr/bin/bayledger" ./cmd/bayledger
	install -m 644 deploy/debian/bayledger.service "$tree/usr/lib/systemd/system/bayledger.service"
	install -m 644 configs/* "$tree/usr/share/doc/bayledger/configs/"
	install -m 644 README.md CHANGELOG.md LICENSE deploy/upgrades.md deploy/fleet.md deploy/threats.md deploy/licences.txt "$tree/usr/share/doc/bayledger/"
	gzip -9n <deploy/debian/bayledger.1 >"$tree/usr/share/man/man1/bayledger.1.gz"
	for script in postinst prerm postrm; do
		install -m 755 "deploy/debian/$script" "$tree/DEBIAN/$script"
	done
	sed -e "s/@VERSION@/$version/" -e "s/@ARCH@/$1/" \
		-e "s/@SIZE@/$(du -sk --apparent-size "$tree/usr" | cut -f1)/" deploy/debian/control.in >"$tree/DEBIAN/control"
	find "$tree" -exec touch -hd "@$SOURCE_DATE_EPOCH" {} +
	# One thread: how xz cuts its blocks must not depend on the machine.
	dpkg-deb --root-owner-group -Zxz -z1 --threads-max=1 --build "$tree" "$out/bayledger_${version}_$1.deb" >/dev/null
	rm -rf "$tree"
	ls -l "$out/bayledger_${version}_$1.deb"
}

for arch in ${ARCHES:-arm64 armhf amd64}; do
	case $arch in
	arm64) build arm64 arm64 '' ;;
	armhf) build armhf arm 6 ;;
	amd64) build amd64 amd64 '' ;;
	*) echo "deploy/package.sh: unknown architecture $arch; use arm64, armhf or amd64" >&2; exit 2 ;;
	esac
done
