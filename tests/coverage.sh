#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Which lines and branches of codec and recorder the tests went through, by file.  Runs on a build
# with counters (make coverage).  Branches: each way out of each condition, as gcov counts
# them.  A recorder that is killed takes its counts with it, so those ways are counted low.
# usage: coverage.sh BUILD
set -u
build=$1
suites='test_corpus test_crc_cobs test_frames test_lines test_link_document test_logd_parts test_logd_places test_logd_store
test_logd_calls test_logd_turns test_record test_segment test_segment_damage test_segment_io test_segment_refuse test_verify'
codec='bytes cobs crc frames pack segment_block segment_read segment_scan segment_write'

find "$build" -name '*.gcda' -delete
for t in $suites; do
	"$build/tests/$t" >"$build/$t.said" 2>&1 || echo "coverage: $t failed; see $build/$t.said"
done
sh tests/check_logd.sh "$build" >"$build/check_logd.said" 2>&1 || echo "coverage: check_logd failed; see $build/check_logd.said"
# Not "heap": the counters have a heap of their own.
for d in 'disk 80' 'short 20' 'full 1' 'flip 2' 'freeze 31' 'watchdog 2' 'replug 6' 'library 3' 'restart 4' \
	'noise 7' 'cut 1' 'clock 2' 'race 8' 'retention 6' 'cap 20' 'kill 12' 'soak 3' 'wait 4' 'brim 8' 'start 24'; do
	# shellcheck disable=SC2086 # driver and count
	"$build/tests/tool_faults" $d >>"$build/faults.said" 2>&1 || echo "coverage: '$d' failed; see $build/faults.said"
done

table() { # TITLE, then objects
	echo "$1"
	shift
	for name in "$@"; do
		dir=${name%/*}
		gcov -b -n -o "$build/obj/$dir" "$name" 2>/dev/null | awk -v want="$name" '
			/^File / { here = index($0, want) > 0 }
			here && /^Lines executed/ { split($0, l, /[:% ]/); lines = l[3]; line_count = $NF }
			here && /^Taken at least once/ { split($0, t, /[:% ]/); taken = t[5]; branches = $NF }
			END { printf "%s %s %s %s %s\n", want, lines, line_count, taken, branches }'
	done | awk '
		{ printf "  %-26s lines %6.2f %% of %4d", $1, $2, $3
		  if ($5 > 0) printf "   branches %6.2f %% of %4d", $4, $5
		  printf "\n"
		  l += $2 * $3; n += $3; b += $4 * $5; m += $5 }
		END { printf "  %-26s lines %6.2f %% of %4d   branches %6.2f %% of %4d\n", "all of them", l / n, n, b / m, m }'
}

# shellcheck disable=SC2046,SC2086 # lists of names
table 'G19  block codec and its readers (asked: all branches)' \
	$(for f in $codec; do [ -e "common/$f.c" ] && echo "common/$f.c"; done) analyse/salvage.c
# shellcheck disable=SC2046
table 'G19  recorder (asked: 90 % of branches)' $(ls logd/*.c)
