#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The main job, once: rehearse a ride of the demo machine onto a pseudo-terminal,
# record it with trammeld at the other end, and print the report.
set -eu
build=$1
work="$build/demo"
engine=sample-logs/number7.ini
rm -rf "$work"
mkdir -p "$work"

echo "demo: rehearsing a ride of $engine onto a pseudo-terminal, four times faster than life"
"$build/trammel" rehearse "$engine" --ride late --duration 60 --pace 4 --pty --link frames \
	--truth "$work/truth" > "$work/pty" &
player=$!
tries=0
while ! grep -q '^/dev/' "$work/pty" 2>/dev/null; do
	tries=$((tries + 1))
	[ "$tries" -lt 100 ] || { echo "demo: the rehearsal did not start" >&2; exit 1; }
	sleep 0.1
done
port=$(head -n 1 "$work/pty")
echo "demo: recording $port with trammeld into $work/ride"
"$build/trammeld" --port "$port" --baud 500000 --link frames --engine "$engine" --into "$work/ride" --quiet &
recorder=$!
wait "$player"
sleep 1
kill -TERM "$recorder"
wait "$recorder"
"$build/trammel" report "$work/ride" --json "$work/report.json" --html "$work/report.html"
echo
echo "demo: the same report as a page: $work/report.html"
