#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Installs the Debian packages that the controller, its emulator and its tests need.
set -eu
packages="gcc-avr binutils-avr avr-libc gcc-arm-none-eabi libnewlib-arm-none-eabi simavr libsimavr-dev
arduino-core-avr"
as_root() {
	if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi
}
missing=""
for p in $packages; do
	dpkg-query -W -f='${Status}' "$p" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $p"
done
if [ -z "$missing" ]; then
	echo "deps-firmware: everything is installed"
	exit 0
fi
as_root apt-get update -qq
# shellcheck disable=SC2086 # a list of package names
as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
