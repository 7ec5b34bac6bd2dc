#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Runs every Check suite of a build directory, then every tests/check_*.sh.
set -u
build=$1
failed=0
export ASAN_OPTIONS="${ASAN_OPTIONS:-detect_leaks=1}"
for t in "$build"/tests/test_*; do
	case $t in *.d | *.o | *.so) continue ;; esac
	[ -x "$t" ] || continue
	"$t" || { failed=1; echo "FAILED: $t"; }
done
for s in tests/check_*.sh; do
	[ -e "$s" ] || continue
	sh "$s" "$build" || { failed=1; echo "FAILED: $s"; }
done
exit $failed
