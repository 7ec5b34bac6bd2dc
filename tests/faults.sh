#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Every reliability goal of the recorder, one after the other: what was tried, how often, what
# failed, the worst that was lost, and the count that the goal asks for.  What cannot run
# here is named with what it needs.  About an hour and a half on an idle machine: what is timed
# closest comes first and alone, and what takes an hour by the clock runs beside the rest.  Ends
# with 0 when nothing failed.
# usage: faults.sh BUILD
set -u
build=$1
faults=$build/tests/tool_faults
said=$(mktemp -d "${TMPDIR:-/tmp}/trammel-goals-XXXXXX")
trap 'rm -rf "$said"' EXIT
failed=0

# ask ASKED COMMAND...: runs it; its lines of goals with what the goal asks for behind them.
ask() {
	asked=$1
	shift
	"$@" >"$said/now" 2>&1 || failed=$((failed + 1))
	tell "$asked" "$said/now"
}
tell() { # ASKED FILE; ASKED may be "format", which has many goals
	awk -v asked="$1" '
		BEGIN {
			of["G1"] = ">= 1,048,577 lengths"; of["G2"] = "every border"; of["G4"] = "10^5 edits in all"
			of["G5"] = ">= 30,000 states"; of["G24"] = "<= 3 times"
			of["G3 single"] = ">= 2,097,152 bits"; of["G3 2"] = "10^7"; of["G3 bursts"] = "10^6"
		}
		/^G[0-9]+ / {
			text = asked
			second = $2
			sub(/,$/, "", second)
			if (asked == "format") text = ($1 in of) ? of[$1] : of[$1 " " second]
			print $0 " [asked: " text "]"
		}' "$2"
	grep -v -e '^G[0-9][0-9]* ' -e '^Running suite' -e '^100%' "$2" >&2
}
later() { # NAME COMMAND...: in the background
	name=$1
	shift
	("$@" >"$said/$name" 2>&1 || echo "FAILED: $name" >>"$said/$name") &
}
not_run() { # GOAL WHAT NEEDS
	printf '%-4s %-46s not run: needs %s\n' "$1" "$2" "$3"
}
full() { # a suite in its long form
	TRAMMEL_FULL=1 "$build/tests/$1"
}

ask '>= 10,000 kills, <= 100 ms; G22: 0 files appended to' "$faults" kill 10000
ask '>= 50,000 cuts, >= 20 rotations; G9: <= 1.5 s' "$faults" cut 20

later noise "$faults" noise 3600
later clock "$faults" clock 3600
later disk "$faults" disk 2000

ask format full test_segment_damage
ask 'salvage reads back clean, twice the same' full test_verify
not_run G8 'real power cuts' 'a board with SD cards and a relay: 500 cuts x 3 cards'
ask 'every length' "$faults" short 2000
ask 'a real small file system, resume <= 2 s' "$faults" full 20
ask 'what fits is kept, the rest counted, resume <= 2 s' "$faults" brim 200
ask '100 cycles' "$faults" flip 100
ask 'no heap after the start; every k at the start' "$faults" heap 100
ask 'every one' "$faults" start 30
ask '10 s: nothing lost' "$faults" freeze 10
ask '60 s: lost = counted; G32: nothing unexplained' "$faults" freeze 60
ask '10 s of frozen disk: no kill; a stuck receiver: no sign of life' "$faults" watchdog 10
ask '>= 1,000 cycles, <= 100 ms, <= 1 s, < 1 % CPU' "$faults" replug 1000
ask 'one gap, < 1 % CPU' "$faults" unplug 20
ask 'on ptys' "$faults" library 100
ask 'on ptys' "$faults" wait 100
not_run G16 'unplugging real adapters' 'a serial adapter and a hand: 50 cycles'
if command -v clang >/dev/null; then
	echo "G18  fuzzing                                        run by make fuzz FUZZ_SECONDS=86400 [asked: 10^9 frames, 10^8 logs, 10^7 engine files, 24 CPU-h each]"
else
	not_run G18 'fuzzing' 'clang; then make fuzz FUZZ_SECONDS=86400'
fi
echo 'G25  host clock against sender clock                 run by make check (test_clock) [asked: 1,000 seeds, error <= 1 ms p99]'
echo 'G19  branches and mutants of the codec              run by make coverage, make mutants [asked: all branches, 90 % of the recorder, 95 % of mutants]'
ask '7 days: make soak SECONDS=604800' "$faults" soak 600
ask 'after every disk call' "$faults" retention 400
ask '>= 10^6 samples' "$faults" cap 1000
ask '100 restarts' "$faults" restart 100
not_run G29 'the DTR line of a real adapter' 'a serial adapter and a scope'
ask '>= 1,000 races' "$faults" race 1000
ask '<= 1.10, <= 1 sync/s, no rewrite' "$faults" cost 60

if command -v systemd-analyze >/dev/null; then
	systemd-analyze security --offline=true --threshold=10 --no-pager logd/trammeld.service >"$said/now" 2>&1 || failed=$((failed + 1))
	echo "G27  exposure of the service: $(sed -n 's/.*level for trammeld.service: \([0-9.]*\).*/\1/p' "$said/now") [asked: <= 1.0]"
else
	not_run G27 'exposure of the service' 'systemd-analyze'
fi
ask 'the whole suite in the unit, on three machines' sh tests/confined.sh "$build"
ask 'two byte orders, 32 and 64 bit' sh tests/other_machines.sh "$build"

wait
gather() { # ASKED NAME
	grep -q '^FAILED' "$said/$2" && failed=$((failed + 1))
	tell "$1" "$said/$2"
}
gather '1 h' noise
gather '1 h' clock
gather 'k = 1 to 2,000; for ever a quarter of them, the rest: tool_faults disk 8000' disk
sh tests/faults_reverse.sh || failed=$((failed + 1))
echo "faults: $failed of the drivers above failed"
[ "$failed" -eq 0 ]
