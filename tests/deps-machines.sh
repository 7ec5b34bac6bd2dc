#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Compilers and emulators of other machines (Debian packages), and libcheck and libcsv for each of them,
# which go into the build directory and leave the system's own packages alone.
# usage: deps-machines.sh BUILD
set -eu
work=$1/machines/libraries
packages='qemu-user-static gcc-s390x-linux-gnu libc6-dev-s390x-cross gcc-arm-linux-gnueabihf libc6-dev-armhf-cross'
as_root() {
	if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi
}
# shellcheck disable=SC2086 # a list
as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $packages

fetch() { # DEBIAN-ARCHITECTURE TRIPLET
	arch=$1 triplet=$2
	[ ! -e "$work/$arch/libcsv.a" ] || return 0
	state=$(pwd)/$work/$arch/apt
	mkdir -p "$state/lists/partial" "$state/cache/archives/partial" "$state/out"
	: >"$state/status"
	set -- -qq -o Dir::State="$state" -o Dir::State::status="$state/status" -o Dir::State::lists="$state/lists" \
		-o Dir::Cache="$state/cache" -o APT::Architecture="$arch" -o APT::Architectures="$arch" \
		-o APT::Sandbox::User=root
	apt-get "$@" update || echo "deps-machines: some lists of $arch are not up to date"
	(cd "$state/out" && apt-get "$@" download check libsubunit-dev libcsv-dev)
	for p in "$state"/out/*.deb; do dpkg-deb -x "$p" "$state/out"; done
	mkdir -p "$work/$arch/include"
	cp "$state/out/usr/lib/$triplet/"*.a "$work/$arch/"
	find "$state/out/usr/include" -name '*.h' -exec cp {} "$work/$arch/include/" \;
	rm -rf "$state"
}
fetch s390x s390x-linux-gnu
fetch armhf arm-linux-gnueabihf
echo 'deps-machines: done'
