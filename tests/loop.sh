#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The circle closed with the real controller: ride with the engine file's timing, record,
# report, plan, build the controller with the plan's header, ride again; then a ride on which the
# serial plug is pulled.  trammeld records each at a pseudo-terminal while the controller's code
# runs.  Figures of the report stand beside the simulated truth and must be as near to it as the
# accuracy tables promise (tool_figures).  loop.sh BUILD [setting ...]
set -eu
build=$1
shift
engine=sample-logs/number7.ini
out=$build/loop
recorder='' player=''
rm -rf "$out"
mkdir -p "$out"
trap 'for p in $recorder $player; do kill "$p" 2>/dev/null || true; done' EXIT

fail() {
	echo "loop: $*" >&2
	exit 1
}

ride() { # name, controller, settings
	name=$1 elf=$2
	shift 2
	"$build/avr/tool_ride" "$engine" "$elf" "$out/$name.port" "$out/$name-truth" --pty --ride late \
		kick=40 kick_time=2.5 "$@" >"$out/$name.truth" &
	player=$!
	tries=0
	while [ ! -e "$out/$name.port" ]; do
		tries=$((tries + 1))
		[ "$tries" -lt 100 ] || fail "the ride did not open its port"
		sleep 0.1
	done
	"$build/trammeld" --port "$out/$name.port" --link frames --engine "$engine" --into "$out/$name" \
		2>"$out/$name.recorder" &
	recorder=$!
	wait "$player" || fail "the ride ended with $?"
	sleep 1 # the recorder notices that the port hung up
	kill -TERM "$recorder"
	wait "$recorder" || fail "trammeld ended with $?"
	recorder='' player=''
	"$build/trammel" report "$out/$name"/*.tram --json "$out/$name.json" >"$out/$name.report"
}

far=''
figures() { # of the last ride
	echo "$name: $(cat "$out/$name.truth")"
	"$build/trammel" export "$out/$name"/*.tram --csv "$out/$name-csv" >"$out/$name.export"
	"$build/avr/tool_figures" "$out/$name.json" "$out/$name-csv/crank.csv" "$out/$name-truth" || far="$far $name"
}

said() { # what the log of the last ride says of a kind
	"$build/tests/tool_records" -k "$1" "$out/$name"/*.tram
}

make -s BUILD="$build" firmware >/dev/null
ride before "$build/firmware/controller.elf" "$@"
figures
"$build/trammel" plan "$out/before"/*.tram --header "$out/plan.h" >"$out/plan.text"
make -s BUILD="$build" TIMING="$out/plan.h" "$build/firmware/planned.elf"
ride after "$build/firmware/planned.elf" "$@"
figures
[ "$(said lost)" = "" ] || fail "records lost on the way: $(said lost | head -n 3)"

[ "$far" = "" ] || fail "further from the truth than promised:$far"

# The crank is driven, so that it still turns when the plug is back.  In the gaps' second column
# 1 is a link that went down, 2 one that came back: pulled, put back, and the end.
ride unplugged "$build/firmware/planned.elf" drive=2 rpm=100 --unplug 15,17 duration=30 "$@"
[ "$(said gap | cut -d , -f 3 | grep '[12]' | tr -d '\n')" = 121 ] || fail "the log does not tell the gap: $(said gap)"
back=$(said mark | grep 'link back after') || fail "no mark of the return: $(said mark)"
back_us=$(echo "$back" | cut -d , -f 2)
going_on=$(said tooth | awk -F , -v t="$back_us" '$2 > t { n++ } END { print n + 0 }')
[ "$going_on" -gt 1000 ] || fail "after the return only $going_on tooth edges"
said mark | grep -q 'count right: inlets free' || fail "the inlets were not freed: $(said mark)"
echo "unplugged: $(cat "$out/$name.truth")"
echo "  log     $(echo "$back" | cut -d , -f 5-), count right: inlets free, $going_on tooth edges after the return"
