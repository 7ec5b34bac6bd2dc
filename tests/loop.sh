#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The circle closed with the real controller: ride with the engine file's timing, record,
# report, plan, build the controller with the plan's header, ride again.  Figures of the report
# stand beside the simulated truth.  loop.sh BUILD [setting ...]
set -eu
build=$1
shift
engine=sample-logs/number7.ini
out=$build/loop
rm -rf "$out"
mkdir -p "$out"

ride() { # name, controller, settings
	name=$1 elf=$2
	shift 2
	"$build/avr/tool_ride" "$engine" "$elf" "$out/$name.link" "$out/$name-truth" --ride late \
		kick=40 kick_time=2.5 "$@" >"$out/$name.truth"
	"$build/trammeld" --port "$out/$name.link" --link frames --engine "$engine" --into "$out/$name" \
		2>"$out/$name.recorder"
	"$build/trammel" report "$out/$name"/*.tram --json "$out/$name.json" >"$out/$name.report"
	echo "$name:"
	echo "  report  $("$build/avr/tool_figures" "$out/$name.json")"
	echo "  truth   $(sed 's/^turns [^,]*, [^,]*, //' "$out/$name.truth")"
}

make -s BUILD="$build" firmware >/dev/null
ride before "$build/firmware/controller.elf" "$@"
"$build/trammel" plan "$out/before"/*.tram --header "$out/plan.h" >"$out/plan.text"
make -s BUILD="$build" TIMING="$out/plan.h" "$build/firmware/planned.elf"
ride after "$build/firmware/planned.elf" "$@"
