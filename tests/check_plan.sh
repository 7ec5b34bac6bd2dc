#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# trammel plan at the command line: what works, what is refused, what is an error.
# usage: check_plan.sh BUILD
set -u
build=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
engine=sample-logs/number7.ini
cases=0
failures=0

# expect CODE WORD ARGUMENTS...: exit code of trammel plan, and a word (basic regular
# expression) of what it prints; lines are wrapped, so they are looked at as one.
expect() {
	code=$1
	word=$2
	shift 2
	cases=$((cases + 1))
	timeout 120 "$build/trammel" plan "$@" > "$work/out" 2> "$work/err" < /dev/null
	got=$?
	if [ "$got" -ne "$code" ] || ! cat "$work/out" "$work/err" | tr -s ' \n' ' ' | grep -q -e "$word"; then
		failures=$((failures + 1))
		echo "check_plan: exit code $got (wanted $code), or nothing says \"$word\": plan $*"
		sed 's/^/    /' "$work/err"
	fi
}
hand() { # CODE WORD OPTIONS...: a machine that has not run
	code=$1
	word=$2
	shift 2
	expect "$code" "$word" --engine "$engine" --delay-ms 22,28 "$@"
}
ride() { # NAME ENGINE REHEARSE-OPTIONS...
	name=$1
	file=$2
	shift 2
	"$build/trammel" rehearse "$file" --out "$work/$name.lines" "$@" || exit 1
	"$build/trammeld" --port - --link lines --engine "$file" --into "$work/$name" --quiet < "$work/$name.lines" || exit 1
}

# by hand
expect 0 'usage' --help
hand 0 'Load into the controller' --speed 90 --supply "4 bar gauge"
hand 0 'plan: 90 rpm' --speed 90 --supply "4 bar gauge" --ini -
hand 0 'What if' --speed 90 --supply "4 bar gauge" --what-if "cap cut-off = 70 deg"
hand 0 'Speed 300 rpm is above' --speed 300 --supply "4 bar gauge"
hand 0 'REFUSED Supply 8.00 bar gauge' --speed 90 --supply "8 bar gauge"
hand 0 '900.0 N m cannot be had' --speed 90 --supply "4 bar gauge" --goal torque=900
hand 64 'say "bar gauge" or\|gauge' --supply "4 bar"
hand 64 'torque=NM' --goal speed
hand 64 'torque=NM' --goal torque=
hand 64 'torque=NM' --goal torque=-3
hand 64 'cap cut-off = 70 deg' --what-if "cap shuts = 70 deg"
hand 64 '--speed' --speed fast
hand 64 'friction' --friction "-1 bar"
hand 65 'nothing to plan' --speed 90 --supply "0 bar gauge"
hand 73 'cannot create' --speed 90 --supply "4 bar gauge" --json /nowhere/x.json
expect 64 'N:ON,OFF' --engine "$engine" --delay-ms often
expect 64 'N:ON,OFF' --engine "$engine" --delay-ms 9:22,28
expect 64 'N:ON,OFF' --engine "$engine" --delay-ms 22,
expect 64 'name a ride' --engine "$engine"
expect 64 'conductance' --engine "$engine" --delay-ms 22 --conductance none
expect 64 'unknown' --engine "$engine" --delay-ms 22 --frobnicate
expect 66 '' "$work/not-there"

# a ride at one speed: said to be narrow; what it may gain has an interval
ride constant "$engine" --ride constant --duration 16
expect 64 'brings its own' "$work/constant" --delay-ms 22
expect 0 'cannot be told apart' "$work/constant"
expect 0 '95 % interval' "$work/constant" --goal full-expansion
expect 0 'lies outside what was ridden' "$work/constant" --speed 200

# no chamber sensors: what cannot be known is said, not made up
sed '/^\[sensor [12]\]/,/^$/d' "$engine" > "$work/blind.ini"
ride blind "$work/blind.ini" --ride constant --duration 16
expect 0 'was not measured: its gain' "$work/blind"
expect 0 'is assumed to be 15 ms' "$work/blind"

echo "check_plan: $cases cases, $failures failures"
[ "$failures" -eq 0 ]
