#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Runs every Check suite of a build directory and every tests/check_*.sh, as many at a time as there are
# processors; then, alone, those of the recorder, which watch the clock.  Prints what each said, in order, and
# what failed.
set -u
build=$1
export ASAN_OPTIONS="${ASAN_OPTIONS:-detect_leaks=1}"
# The search for leaks at the end of every process costs far more than a short case.  Suites of many such cases
# that keep no state between them run in one process, which ends with the same search, and with a limit of time.
together='air crank_smooth crc_cobs cycle delay engine frames indicator lines mean_pressure mech plan plan_ideal'
together=" $together rehearse rehearse_parts segment_refuse unit "
said=$(mktemp -d)
trap 'rm -rf "$said"' EXIT

{
	for s in tests/check_*.sh; do # first, as some take longest
		case $s in tests/check_logd*) continue ;; esac
		echo "$s"
	done
	for t in "$build"/tests/test_*; do
		case $t in *.d | *.o | *.so) continue ;; esac
		[ -x "$t" ] && echo "$t"
	done
} | xargs -P "$(nproc)" -I '{}' sh -c 'name=$(basename "$1")
	case $1 in
	*.sh) sh "$1" "$3" ;;
	*) case $4 in
		*" ${name#test_} "*) CK_FORK=no timeout 240 "$1" ;;
		*) "$1" ;;
		esac ;;
	esac >"$2/$name" 2>&1 || echo "FAILED: $1" >>"$2/$name"' \
	sh '{}' "$said" "$build" "$together"
for s in tests/check_logd*.sh; do
	name=$(basename "$s")
	sh "$s" "$build" >"$said/$name" 2>&1 || echo "FAILED: $s" >>"$said/$name"
done
cat "$said"/*
if grep -q '^FAILED: ' "$said"/*; then
	echo "check: some tests failed:"
	grep -h '^FAILED: ' "$said"/*
	exit 1
fi
echo "check: everything passed"
