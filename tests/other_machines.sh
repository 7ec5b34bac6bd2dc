#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# G31: the formats on machines of the other byte order and of 32 bits, in an emulator: their suites
# pass, and bytes and verdicts are those of this machine.  Where compiler, emulator or library of a
# machine is not installed that machine is not run, and said so.
# usage: other_machines.sh BUILD       needs: make deps-machines
set -u
build=$1
work=$build/machines
suites='test_crc_cobs test_frames test_lines test_record test_segment test_segment_damage test_segment_refuse'
common=$(find common -name '*.c' ! -name 'engine*') # the engine file is text, the same everywhere
flags='-std=c17 -D_GNU_SOURCE -O1 -w -I.'
failed=0 trials=0 ran=''
mkdir -p "$work"

# shellcheck disable=SC2086 # lists
gcc $flags tests/tool_format.c tests/format_rig.c $common -o "$work/here" -lcheck -lsubunit -lrt -lm -lpthread -lcsv || exit 1
"$work/here" >"$work/here.txt" || exit 1

machine() { # NAME COMPILER EMULATOR LIBRARIES
	name=$1 cc=$2 emulator=$3 libraries=$4
	if ! command -v "$cc" >/dev/null || ! command -v "$emulator" >/dev/null || [ ! -e "$libraries/libcheck.a" ]; then
		echo "other machines: $name not run: needs $cc, $emulator and libcheck for it (make deps-machines)"
		return
	fi
	ran="$ran $name"
	mkdir -p "$work/$name"
	objects=''
	for f in $common tests/format_rig.c; do
		o=$work/$name/$(echo "$f" | tr / _).o
		# shellcheck disable=SC2086 # lists
		"$cc" $flags -c -I"$libraries/include" "$f" -o "$o" || { failed=$((failed + 1)); return; }
		objects="$objects $o"
	done
	for t in tool_format $suites; do
		trials=$((trials + 1))
		# shellcheck disable=SC2086 # lists
		"$cc" $flags -I"$libraries/include" -static "tests/$t.c" $objects -o "$work/$name/$t" -L"$libraries" \
			-lcheck -lsubunit -lrt -lm -lpthread -lcsv &&
			CK_DEFAULT_TIMEOUT=600 CK_TIMEOUT_MULTIPLIER=20 "$emulator" "$work/$name/$t" >"$work/$name/$t.txt" 2>&1 || {
			echo "other machines: $t on $name failed; see $work/$name/$t.txt"
			failed=$((failed + 1))
		}
	done
	cmp -s "$work/here.txt" "$work/$name/tool_format.txt" || {
		echo "other machines: bytes or verdicts on $name are not those of this machine"
		failed=$((failed + 1))
	}
}

machine s390x s390x-linux-gnu-gcc qemu-s390x-static "$work/libraries/s390x"
machine armhf arm-linux-gnueabihf-gcc qemu-arm-static "$work/libraries/armhf"
if [ -z "$ran" ]; then
	echo 'G31  other machines                                 not run: needs make deps-machines'
	exit 0
fi
printf 'G31  %-46s trials %d, failures %d;%s\n' 'bytes and verdicts on other machines' "$trials" "$failed" "$ran"
[ "$failed" -eq 0 ]
