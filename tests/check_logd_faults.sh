#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The fault drivers of trammeld in their short form, some at a time since they
# mostly wait.  One line a goal.  The long form: make faults.
# usage: check_logd_faults.sh BUILD
set -u
faults=$1/tests/tool_faults
results=$(mktemp -d "${TMPDIR:-/tmp}/trammel-faults-XXXXXX")
trap 'rm -rf "$results"' EXIT

lane() { # NAME, then "driver count" words: one after the other
	name=$1
	shift
	for driver in "$@"; do
		# shellcheck disable=SC2086 # driver and count
		$faults $driver >>"$results/$name" 2>&1 || echo "$driver" >>"$results/failed"
	done
}

lane 1 'disk 16' 'full 1' 'race 4' 'brim 4' &
lane 2 'kill 12' 'cut 1' 'short 8' 'retention 6' &
lane 3 'watchdog 1' 'clock 2' 'noise 1' &
lane 4 'replug 6' 'library 2' 'restart 2' 'wait 2' 'heap 20' 'start 24' &
lane 5 'freeze 1' 'soak 2' 'flip 1' 'cap 5' 'cost 2' &
wait
cat "$results"/[0-9]
if [ -e "$results/failed" ]; then
	echo "check_logd_faults: failed: $(tr "\n" " " <"$results/failed")"
	exit 1
fi
echo 'check_logd_faults: passed'
