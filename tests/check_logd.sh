#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# trammeld as a person meets it: command line, messages, exit codes, endings.
# usage: check_logd.sh BUILD
set -u
build=$1
trammeld=$build/trammeld
records=$build/tests/tool_records
work=$(mktemp -d "${TMPDIR:-/tmp}/trammel-check-XXXXXX")
trap 'kill $(jobs -p) 2>/dev/null; rm -rf "$work"' EXIT
failed=0

# expect CODE PATTERN WHAT COMMAND...: the command ends with CODE and says PATTERN.
expect() {
	code=$1 pattern=$2 what=$3
	shift 3
	"$@" >"$work/out" 2>&1 </dev/null
	got=$?
	if [ "$got" -ne "$code" ] || ! grep -q -e "$pattern" "$work/out"; then
		echo "check_logd: $what: exit $got (wanted $code), said: $(cat "$work/out")"
		failed=1
	fi
}

verify() { # WHAT, then a test command
	what=$1
	shift
	"$@" || {
		echo "check_logd: $what"
		failed=1
	}
}

until_true() { # SECONDS COMMAND...
	n=$(($1 * 50))
	shift
	while [ "$n" -gt 0 ]; do
		"$@" >/dev/null 2>&1 && return 0
		sleep 0.02
		n=$((n - 1))
	done
	return 1
}

cat >"$work/engine.ini" <<'EOF'
[engine]
name            = Number 7 trolley
mechanism       = oscillating cylinder
pivot distance  = 420 mm
crank radius    = 62.5 mm
bore            = 63 mm
rod             = 20 mm
clearance cap   = 18 ml
clearance rod   = 21 ml
ambient         = 1.013 bar
air temperature = 18 degC
[teeth]
count       = 36
edges       = rising
index angle = 14.5 deg
[sensor 0]
role   = supply
low    = 102 counts, 0 bar gauge
high   = 921 counts, 10 bar gauge
[limits]
supply = 6 bar gauge
speed  = 240 rpm
EOF
engine=$work/engine.ini
mkdir "$work/logs"

# --- words ---
expect 0 'usage: trammeld' 'help' "$trammeld" --help
expect 0 '^trammeld [0-9]' 'version' "$trammeld" --version
expect 64 'port PORT.*missing' 'no port' "$trammeld"
expect 64 'engine FILE.*missing' 'no engine' "$trammeld" --port -
expect 64 'into DIR.*missing' 'no directory' "$trammeld" --port - --engine "$engine"
expect 64 'no such option' 'unknown option' "$trammeld" --prot -
expect 64 'value is missing' 'option without value' "$trammeld" --port
expect 64 'not understood' 'stray word' "$trammeld" ride
expect 64 'frames.*lines' 'unknown link' "$trammeld" --link morse
expect 64 'whole number' 'bad baud' "$trammeld" --baud fast
expect 64 'not a size' 'bad size' "$trammeld" --segment-size 8X
expect 64 'too small' 'small segment' "$trammeld" --segment-size 1k
expect 64 'not a time' 'bad time' "$trammeld" --sync soon
expect 64 '90%' 'too much kept free' "$trammeld" --keep-free 95%

# --- what cannot work ---
record="$trammeld --engine $engine --quiet"
expect 66 'no such port' 'missing port' $record --port "$work/nothing" --into "$work/logs/a"
expect 66 'is a directory' 'directory as port' $record --port "$work" --into "$work/logs/a"
expect 73 'mkdir -p' 'missing parent' $record --port - --into "$work/no/where"
expect 73 'cannot use' 'a file as directory' $record --port - --into "$engine"
(cat "$engine"; head -c 70000 /dev/zero | tr '\000' ';'; echo) | fold -w 180 | sed 's/^;/; /' >"$work/long.ini"
expect 78 'larger than 65536 bytes' 'an engine file too long' "$trammeld" --engine "$work/long.ini" --port - --into "$work/logs/a"
expect 78 'engine.ini:3' 'bad engine file' sh -c "sed 's/oscillating cylinder/turbine/' $engine >$work/bad.d.ini; mv $work/bad.d.ini $work/bad-engine.ini; exec $trammeld --port - --engine $work/bad-engine.ini --into $work/logs/a"
expect 69 'no recorder answers' 'status of nobody' "$trammeld" --status --into "$work/logs"
expect 65 'is it --link frames' 'wrong link' sh -c "exec $record --port - --link lines --into $work/logs/wrong <$trammeld"
expect 66 'standard input is closed' 'closed standard input' sh -c "exec $record --port - --into $work/logs/closed <&-"
expect 0 '0 records kept' 'comments alone are no damage' sh -c "echo '# only a comment' | $trammeld --engine $engine --port - --link lines --into $work/logs/comment"

# --- text through standard input reads back the same ---
awk 'BEGIN { srand(7); t = 0; print "hello,1,demo sender"
	for (i = 0; i < 20000; i++) {
		t += 20 + int(rand() * 400)
		if (i % 7 == 0) printf "tooth,%d,%d\n", t, i % 2
		else if (i % 100 == 1) printf "valve,%d,%d,%d,8.5,-9.0\n", t, i % 4, i % 2
		else if (i % 1000 == 2) printf "mark,%d,hill %d\n", t, i
		else printf "sample,%d,%d,%d\n", t, i % 4, int(rand() * 1000)
	} }' >"$work/in.txt"
expect 0 '20001 records\|2000. records' 'text through stdin' sh -c "exec $trammeld --engine $engine --port - --link lines --into $work/logs/text <$work/in.txt"
"$records" "$work/logs/text"/*.tram | grep -v '^alarm' >"$work/read"
awk -F, 'BEGIN { OFS = "," }
	/^hello/ { print "hello", 0, 0, $2, $3; next }
	/^tooth/ { print $1, $2, 0, $3; next }
	/^sample/ { print $1, $2, $3, $4; next }
	/^valve/ { print $1, $2, $3, $4, $5 * 10, $6 * 10; next }
	/^mark/ { print $1, $2, 0, 0, $3 }' "$work/in.txt" >"$work/sent"
verify 'records read back differ from those sent' cmp -s "$work/read" "$work/sent"
verify 'a file is not live' sh -c "$records -s $work/logs/text/000001-0001.tram | grep -q '^1 1 0 0 .* 0 0 1 '"
verify 'no arrival records without a port' sh -c "! $records -k arrival $work/logs/text/*.tram | grep -q ."

# --- damage is counted, byte for byte ---
printf 'tooth,10,1\nrubbish\ntooth,20,0*00\ntooth,30,1\n' >"$work/damaged.txt"
expect 0 '22 bytes were not valid' 'damage' sh -c "exec $trammeld --engine $engine --port $work/damaged.txt --link lines --into $work/logs/damaged"
verify 'the gap record tells the bytes' sh -c "$records -k gap $work/logs/damaged/*.tram | awk -F, '\$3 == 3 { n += \$4 } END { exit n != 22 }'"

printf '\377\376rubbish of no frame\n' >"$work/junk"
printf 'tooth,10,1\n' >"$work/one.txt"
expect 0 ' 1 record kept .*, 0 bytes were not valid' 'one is not many' "$trammeld" --engine "$engine" --port "$work/one.txt" --link lines --into "$work/logs/one"
expect 65 'nothing in it is valid for --link frames' 'junk' $record --port "$work/junk" --into "$work/logs/junk"

# --- alarms ---
verify 'supply alarm' sh -c "$records -k alarm $work/logs/text/*.tram | grep -q ',1,[0-9]'"

# --- a FIFO: waits for its writer, ends with it; a second recorder is refused ---
mkfifo "$work/fifo"
$record --port "$work/fifo" --link lines --into "$work/logs/fifo" 2>"$work/fifo.err" &
pid=$!
verify 'status socket' until_true 10 "$trammeld" --status --into "$work/logs/fifo"
expect 75 "process $pid" 'second recorder' $record --port - --into "$work/logs/fifo"
exec 4>"$work/fifo"
head -200 "$work/in.txt" >&4
verify 'records seen' until_true 5 sh -c "$trammeld --status-json --into $work/logs/fifo | grep -q '\"records\":200,'"
expect 0 'records are safe' 'status for a person' "$trammeld" --status --into "$work/logs/fifo"
kill -HUP $pid
verify 'SIGHUP begins a segment' until_true 5 test -e "$work/logs/fifo/000001-0002.tram"
sed -n '201,400p' "$work/in.txt" >&4
exec 4>&-
wait $pid
verify 'exit code when the writer is gone' test $? -eq 0
verify 'all of the FIFO' sh -c "test \$($records $work/logs/fifo/*.tram | grep -vc '^alarm') -eq 400"
verify 'the socket is cleared away' test ! -e "$work/logs/fifo/status.sock"

# --- SIGTERM ends within a second, with a closing block ---
$record --port "$work/fifo" --link lines --into "$work/logs/term" 2>/dev/null &
pid=$!
exec 4>"$work/fifo"
head -300 "$work/in.txt" >&4
verify 'up' until_true 10 sh -c "$trammeld --status-json --into $work/logs/term | grep -q '\"records\":300,'"
start=$(date +%s%N)
kill -TERM $pid
wait $pid
verify 'exit code at SIGTERM' test $? -eq 0
verify 'SIGTERM takes a second at most' test $((($(date +%s%N) - start) / 1000000)) -le 1000
exec 4>&-
verify 'closed' sh -c "$records -s $work/logs/term/*.tram | grep -q ' 1 [^ ]*tram$'"

# --- a session a start; nothing is ever appended ---
before=$(cksum "$work/logs/text/000001-0001.tram")
expect 0 . 'second session' sh -c "exec $trammeld --engine $engine --port $work/in.txt --link lines --into $work/logs/text"
verify 'second session' test -e "$work/logs/text/000002-0001.tram"
verify 'the first is as it was' test "$before" = "$(cksum "$work/logs/text/000001-0001.tram")"

# --- service ---
if command -v systemd-analyze >/dev/null; then
	verify 'exposure of the service at most 1.0' \
		systemd-analyze security --offline=true --threshold=10 --no-pager logd/trammeld.service >/dev/null
else
	echo 'check_logd: no systemd-analyze here; the service file was not rated'
fi

[ "$failed" -eq 0 ] && echo 'check_logd: passed'
exit "$failed"
