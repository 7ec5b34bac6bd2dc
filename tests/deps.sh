#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Installs the Debian packages that the build, the tests and the pictures need.
set -eu
packages="gcc clang make pkg-config check libsubunit-dev libserialport-dev libcsv-dev libgsl-dev libinih-dev
libjansson-dev libsystemd-dev gnuplot-nox libclang-rt-dev chromium systemd"
as_root() {
	if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi
}
missing=""
for p in $packages; do
	dpkg-query -W -f='${Status}' "$p" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $p"
done
if [ -z "$missing" ]; then
	echo "deps: everything is installed"
	exit 0
fi
as_root apt-get update -qq
# shellcheck disable=SC2086 # a list of package names
as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
