#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# trammel centre says what a run lacks, and ends as sysexits.h has it.
set -u
build=$1
failed=0
expect() { # exit code, words, arguments ...
	want=$1
	words=$2
	shift 2
	said=$("$build/trammel" centre "$@" 2>&1)
	got=$?
	if [ "$got" -ne "$want" ] || ! printf '%s' "$said" | grep -q -e "$words"; then
		echo "check_centre: trammel centre $*: exit $got (wanted $want): $said"
		failed=1
	fi
}
expect 64 'name one run'
expect 64 'not "top"' sample-logs/late --stops top
expect 64 'unknown option' sample-logs/late --sideways
expect 65 'no pressure peak of a sealed chamber' sample-logs/late
expect 65 'no pair of marks' sample-logs/late --stops cap
expect 66 'no-such-run' no-such-run
expect 0 'positive stops' --help
[ "$failed" -eq 0 ] && echo "check_centre: ok"
exit "$failed"
