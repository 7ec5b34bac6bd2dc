#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Makes the sample logs again: rehearses each ride and records it with trammeld.
# usage: sample-logs/make.sh [BUILD DIRECTORY]   from the top of the tree
set -eu
build=${1:-build}
here=sample-logs
engine=$here/number7.ini
for ride in late sensor tuned; do
	rm -rf "${here:?}/$ride" "$here/$ride-truth"
	"$build/trammel" rehearse "$engine" --ride "$ride" --duration 25 --seed 7 --set rate.3=20 \
		--link frames --truth "$here/$ride-truth" --out - |
		"$build/trammeld" --port - --link frames --engine "$engine" --into "$here/$ride" --quiet
done
