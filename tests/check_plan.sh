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
	asked="plan $*"
	if [ "$got" -ne "$code" ] || ! says "$word"; then
		failures=$((failures + 1))
		echo "check_plan: exit code $got (wanted $code), or nothing says \"$word\": $asked"
		sed 's/^/    /' "$work/err"
	fi
}
says() { # WORD: the plan last asked for
	cat "$work/out" "$work/err" | tr -s ' \n' ' ' | grep -q -e "$1"
}
also() { # WORD: it says this besides
	cases=$((cases + 1))
	says "$1" && return
	failures=$((failures + 1))
	echo "check_plan: nothing says \"$1\": $asked"
}
hand() { # CODE WORD OPTIONS...: a machine that has not run
	code=$1
	word=$2
	shift 2
	expect "$code" "$word" --engine "$engine" --delay-ms 22,28 "$@"
}
quick() { # the same with a single question, which spares the tables
	hand "$@" --what-if "cap cut-off = 90 deg"
}
look() { # CODE WORD ARGUMENTS...: likewise of a ride
	expect "$@" --what-if "cap cut-off = 90 deg"
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
hand 0 'plan: 90 rpm' --speed 90 --supply "4 bar gauge" --ini -
hand 0 'What if' --speed 90 --supply "4 bar gauge" --what-if "cap cut-off = 70 deg"
also 'valve 0 shuts at 70.0 deg, lead 28.0 ms'
quick 0 'Speed 300 rpm is above' --speed 300 --supply "4 bar gauge"
quick 0 'REFUSED Supply 8.00 bar gauge' --speed 90 --supply "8 bar gauge"
quick 0 '900.0 N m cannot be had' --speed 90 --supply "4 bar gauge" --goal torque=900
quick 0 'at 90 rpm and 4.00 bar gauge' --speed 90 --supply 4bar
hand 0 'compression.*would pass\|open together' --speed 90 --supply 4bar --what-if "cap release = 60 deg"
quick 0 'from about 0.. bar gauge on a late cut-off pays' --speed 90 --supply 0.3bar
quick 0 'index of expansion (1.20)' --speed 90 --supply 4bar --expansion 1.2
quick 0 'as given' --speed 90 --supply 4bar --friction "0.2 bar"
hand 64 'from 1 to 1.45' --expansion 2
hand 64 'from 0 to 10' --leak -1
hand 64 'without one give --friction' --load 0
hand 64 'more than 0 V' --battery "0 V"
hand 64 'unit' --battery 12
hand 64 'only one of' --ini - --json -
hand 64 '8 times at most' --what-if a --what-if b --what-if c --what-if d --what-if e --what-if f --what-if g --what-if h --what-if i
hand 64 'gauge' --supply "4 N"
# a directory of tables is made; one that cannot be leaves nothing else behind
hand 0 'Load into the controller' --speed 90 --supply 4bar --csv "$work/tables"
quick 73 'cannot create' --speed 90 --supply 4bar --csv "$work/none/there" --ini "$work/not.ini"
cases=$((cases + 1))
if [ ! -s "$work/tables/plan_cutoff.csv" ] || [ -e "$work/not.ini" ]; then
	failures=$((failures + 1))
	echo "check_plan: no tables, or an engine file in spite of the failure"
fi
# as html, by hand and with one end only
hand 0 'Plan for Number 7 trolley' --speed 90 --supply 4bar --html -
sed '/^\[valve [23]\]/,/^$/d; /^clearance rod/d; /^\[sensor 2\]/,/^$/d' "$engine" > "$work/single.ini"
expect 0 '</html>' --engine "$work/single.ini" --delay-ms 22 --speed 90 --supply 4bar --html -
for forbidden in nan inf '<script' 'http:'; do
	cases=$((cases + 1))
	if grep -q "$forbidden" "$work/out"; then
		failures=$((failures + 1))
		echo "check_plan: the page of an engine with one end holds $forbidden"
	fi
done
# limits that contradict each other; a valve too slow, and the speed at which it is not
sed 's/^rod force = .*/rod force = 60 N/' "$engine" > "$work/weak.ini"
look 0 'contradict each other' --engine "$work/weak.ini" --delay-ms 22,28 --speed 90 --supply 4bar
look 0 'Valve [0-9] is too slow for 230 rpm.*The plan below is for 1[0-9]* rpm' --engine "$engine" --delay-ms 200,20 --speed 230 --supply 5bar
# a clearance that over-expands
sed 's/^clearance cap .*/clearance cap = 300 ml/' "$engine" > "$work/big.ini"
look 0 'air left in the clearance already fills the stroke' --engine "$work/big.ini" --delay-ms 22,28 --speed 90 --supply 4bar --goal full-expansion
hand 64 'torque=NM' --goal speed
hand 64 'torque=NM' --goal torque=
hand 64 'torque=NM' --goal torque=-3
hand 64 'cap cut-off = 70 deg' --what-if "cap shuts = 70 deg"
hand 64 '--speed' --speed fast
hand 64 'friction' --friction "-1 bar"
hand 65 'nothing to plan' --speed 90 --supply "0 bar gauge"
quick 73 'cannot create' --speed 90 --supply "4 bar gauge" --json /nowhere/x.json
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
look 0 'cannot be told apart' "$work/constant"
also 'how the delays change with it is not known'
also 'Friction cannot be told from the load'
expect 0 '95 % interval' "$work/constant" --goal full-expansion
look 0 'lies outside what was ridden' "$work/constant" --speed 200
look 0 '5.50 bar gauge lies outside what was ridden' "$work/constant" --supply 5.5bar
look 0 'no sensor has told its voltage' "$work/constant" --battery "11 V"
expect 64 'torque of 0 or more' "$work/constant" --load "8 bar"
expect 64 'brings its own' "$work/constant" --leak 0.1

# angles half a turn off: the report advises nothing, nor is anything planned
sed 's/^index angle .*/index angle = 194.5 deg/' "$engine" > "$work/half.ini"
expect 65 'no plan: angles half a turn off' "$work/constant" --engine "$work/half.ini" --ini "$work/half-next.ini"
cases=$((cases + 1))
if [ -e "$work/half-next.ini" ]; then
	failures=$((failures + 1))
	echo "check_plan: an engine file is written though nothing is planned"
fi

# several rides: what each gave; another machine's are refused by what differs
ride high "$engine" --ride constant --duration 16 --set regulator=5.6 --set rpm=110
expect 0 'Learned from.*high .*constant .*share of what is known' "$work/high" "$work/constant"
look 0 '"share":' "$work/high" "$work/constant" --json -
sed 's/^bore .*/bore = 60 mm/' "$engine" > "$work/other.ini"
ride other "$work/other.ini" --ride constant --duration 10
expect 65 'different machines by their engine files (the bore)' "$work/other" "$work/constant"
look 0 'What that would change' "$work/other" "$work/constant" --engine "$engine"
# shellcheck disable=SC2046
expect 64 '12 rides at most' $(seq 13)
expect 66 '' "$work/constant" "$work/not-there"

# no chamber sensors: what cannot be known is said, not made up
sed '/^\[sensor [12]\]/,/^$/d' "$engine" > "$work/blind.ini"
ride blind "$work/blind.ini" --ride constant --duration 16
look 0 'What the crank worked against could not be found' "$work/blind"
also 'was not measured: its gain'
also 'is assumed to be 15 ms'

echo "check_plan: $cases cases, $failures failures"
[ "$failures" -eq 0 ]
