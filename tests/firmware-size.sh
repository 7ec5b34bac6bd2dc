#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Flash and RAM of the sender, all of its functions included, against its goals.
set -eu
out=$1/firmware avr_cc=$2 avr_size=$3 arm_cc=$4
mkdir -p "$out"
cat >"$out/size.c" <<'END'
#include "trammel_send.h"
struct trammel_send measured;
END
measure() { # name, compiler with flags
	$2 -std=c99 -Os -Ifirmware -c firmware/trammel_send.c -o "$out/send.o"
	$2 -std=c99 -Os -Ifirmware -fno-common -c "$out/size.c" -o "$out/size.o"
	flash=$($avr_size "$out/send.o" | awk 'NR == 2 { print $1 + $2 }')
	ram=$($avr_size "$out/send.o" "$out/size.o" | awk 'NR > 1 { n += $2 + $3 } END { print n }')
	echo "$1: $flash bytes of flash, $ram bytes of RAM and the buffer"
}
measure "ARM Cortex-M0+" "$arm_cc -mcpu=cortex-m0plus -mthumb"
measure "AVR ATmega328P" "$avr_cc -mmcu=atmega328p"
if [ "$flash" -gt 2048 ] || [ "$ram" -gt 128 ]; then
	echo "firmware-size: above the goal of 2048 bytes of flash and 128 bytes of RAM on the AVR" >&2
	exit 1
fi
