#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Bad input at the command line: every case ends with the exit code of sysexits.h and a
# message that names the thing; nothing crashes, nothing is silent.
# usage: check_commands.sh BUILD
set -u
build=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
engine=sample-logs/number7.ini
cases=0
failures=0

# expect CODE WORD COMMAND...: exit code, and a word (basic regular expression) of what is printed.
expect() {
	code=$1
	word=$2
	shift 2
	cases=$((cases + 1))
	timeout 60 "$@" > "$work/out" 2> "$work/err" < /dev/null
	got=$?
	if [ "$got" -ne "$code" ]; then
		failures=$((failures + 1))
		echo "check_commands: exit code $got, not $code: $*"
		sed 's/^/    /' "$work/err"
	elif [ -n "$word" ] && ! grep -q -e "$word" "$work/out" "$work/err"; then
		failures=$((failures + 1))
		echo "check_commands: nothing says \"$word\": $*"
		sed 's/^/    /' "$work/err"
	fi
}
record() { # FILE DIRECTORY [ENGINE]
	"$build/trammeld" --port - --link lines --engine "${3:-$engine}" --into "$2" --quiet < "$1"
}

"$build/trammel" rehearse "$engine" --ride late --duration 6 --out "$work/ride.lines" || exit 1
record "$work/ride.lines" "$work/ride" || exit 1
: > "$work/empty"
head -c 20000 /dev/urandom > "$work/noise"
printf 'This is a letter, not a ride.\nIt has two lines.\n' > "$work/letter"

# A log with an older ride in front: the newest's report is the same as when it is asked for by number.
"$build/trammel" rehearse "$engine" --ride tuned --duration 8 --out "$work/older.lines" || exit 1
awk -F'[,*]' -v OFS=, '!/^hello/ { NF--; $2 += 200000000; print }' "$work/ride.lines" > "$work/later.lines"
cat "$work/older.lines" "$work/later.lines" > "$work/two.lines"
record "$work/two.lines" "$work/two" || exit 1
for run in two two@2 two@1; do
	"$build/trammel" report "$work/$run" --json "$work/$run.json" > "$work/$run.txt" || failures=$((failures + 1))
	sed -e 's/two@[0-9]/two/' -e '/The log holds 2 rides/d' "$work/$run.json" > "$work/$run.same"
done
cases=$((cases + 3))
expect 0 'The log holds 2 rides' cat "$work/two.txt"
expect 0 '' cmp "$work/two.same" "$work/two@2.same"
expect 1 '' cmp "$work/two.same" "$work/two@1.same"

# what works
expect 0 'usage' "$build/trammel" --help
for c in report runs export verify engine rehearse; do expect 0 'usage' "$build/trammel" "$c" --help; done
expect 0 'usage' "$build/trammeld" --help
expect 0 'Valves' "$build/trammel" report "$work/ride"
expect 0 '1 ride' "$build/trammel" runs "$work/ride"
expect 0 '' "$build/trammel" export "$work/ride" --csv "$work/csv"
for t in crank pressures valve_events strokes; do [ -s "$work/csv/$t.csv" ] || { echo "check_commands: no $t.csv"; failures=$((failures + 1)); }; done

# the commands' own words
expect 64 'no command "reprot"' "$build/trammel" reprot
expect 64 'usage' "$build/trammel"
expect 64 'help' "$build/trammel" report
expect 64 'frobnicate' "$build/trammel" report --frobnicate "$work/ride"
expect 64 'rest' "$build/trammel" report --rest minus "$work/ride"
expect 64 'help' "$build/trammel" export "$work/ride"
expect 64 'counted from 1' "$build/trammel" report "$work/ride@0"
expect 65 'no ride 9' "$build/trammel" report "$work/ride@9"

# logs that are not there, or not logs
expect 66 "$work/nowhere" "$build/trammel" report "$work/nowhere"
mkdir "$work/bare"
expect 66 'trammeld' "$build/trammel" report "$work/bare"
cp "$work/letter" "$work/bare/000001-0001.tram"
expect 65 '000001-0001.tram' "$build/trammel" report "$work/bare"
expect 66 'nowhere.ini' "$build/trammel" report "$work/ride" --engine "$work/nowhere.ini"
expect 73 'csv' "$build/trammel" export "$work/ride" --csv "$work/letter/csv"

# what cannot be written is said before the work: also where the ride is none
expect 73 'none/r.json: cannot create it: No such file' "$build/trammel" report "$work/bare" --json "$work/none/r.json"
expect 73 'letter/r.html: cannot create it: Not a directory' "$build/trammel" report "$work/bare" --html "$work/letter/r.html"
expect 73 'cannot create it: Is a directory' "$build/trammel" compare "$work/bare" "$work/bare" --json "$work/bare"
expect 73 'letter: cannot create it: Not a directory' "$build/trammel" plan "$work/bare" --csv "$work/letter"
expect 73 'none/p.ini: cannot create it' "$build/trammel" plan "$work/bare" --ini "$work/none/p.ini"

# an empty recording, text in place of frames, frames' noise in place of text
expect 0 '' "$build/trammeld" --port "$work/empty" --link lines --engine "$engine" --into "$work/empty.d"
expect 65 'no records' "$build/trammel" report "$work/empty.d"
expect 65 'is it --link lines' "$build/trammeld" --port "$work/ride.lines" --link frames --engine "$engine" --into "$work/text.d"
expect 65 'no records' "$build/trammel" report "$work/text.d"
expect 65 'not valid' "$build/trammeld" --port "$work/noise" --link lines --engine "$engine" --into "$work/noise.d"
expect 65 'no records' "$build/trammel" report "$work/noise.d"
expect 65 'not valid' "$build/trammeld" --port "$work/letter" --link lines --engine "$engine" --into "$work/letter.d"

# an engine file of another machine
"$build/trammel" rehearse "$engine" --ride constant --duration 12 --out "$work/constant.lines"
record "$work/constant.lines" "$work/wrong" tests/data/wrong_teeth.ini
expect 65 '40' "$build/trammel" report "$work/wrong"

# the recorder's port, directory and engine file
expect 66 '/dev/nowhere' "$build/trammeld" --port /dev/nowhere --link lines --engine "$engine" --into "$work/p.d"
expect 73 "$work/no/such" "$build/trammeld" --port "$work/ride.lines" --link lines --engine "$engine" --into "$work/no/such/place"
expect 66 'nowhere.ini' "$build/trammeld" --port - --link lines --engine "$work/nowhere.ini" --into "$work/p.d"
expect 78 'letter' "$build/trammeld" --port - --link lines --engine "$work/letter" --into "$work/p.d"
expect 64 'link' "$build/trammeld" --port - --link smoke --engine "$engine" --into "$work/p.d"

# a full output
if [ -e /dev/full ]; then
	cases=$((cases + 1))
	"$build/trammel" report "$work/ride" > /dev/full 2> "$work/err"
	[ $? -eq 74 ] || { failures=$((failures + 1)); echo "check_commands: a full output is not told"; cat "$work/err"; }
fi

echo "check_commands: $cases cases, $failures failures"
[ "$failures" -eq 0 ]
