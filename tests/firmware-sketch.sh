#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The sketch of firmware/README.md: at most 40 lines, compiled with the board's own
# library (package arduino-core-avr), and run in the emulator by test_sketch.
set -eu
out=$1/sketch
core=${ARDUINO_AVR:-/usr/share/arduino/hardware/arduino/avr}
rm -rf "$out"
mkdir -p "$out"
if [ ! -e "$core/cores/arduino/Arduino.h" ]; then
	echo "firmware-sketch: $core is not there; make deps-firmware installs it" >&2
	exit 1
fi
awk '/^```cpp$/ { on = 1; next } /^```$/ { on = 0 } on' firmware/README.md >"$out/lines"
lines=$(wc -l <"$out/lines")
if [ "$lines" -eq 0 ] || [ "$lines" -gt 40 ]; then
	echo "firmware-sketch: the sketch in firmware/README.md has $lines lines; 1 to 40 are promised" >&2
	exit 1
fi
{
	echo '#include <Arduino.h>'
	cat "$out/lines"
} >"$out/sketch.cpp"
# DECIMAL_DIG: gcc 5 has it for C only, and the library wants it in C++.
flags="-mmcu=atmega328p -DF_CPU=16000000L -DARDUINO=10807 -DARDUINO_AVR_UNO -Os -ffunction-sections -fdata-sections -DDECIMAL_DIG=__DECIMAL_DIG__
-Ifirmware -I$core/cores/arduino -I$core/variants/standard"
# shellcheck disable=SC2086 # lists of flags
for f in "$core"/cores/arduino/*.c; do
	avr-gcc $flags -std=gnu11 -w -c "$f" -o "$out/$(basename "$f").o"
done
# shellcheck disable=SC2086
for f in "$core"/cores/arduino/*.cpp; do
	avr-g++ $flags -std=gnu++11 -fno-exceptions -fno-threadsafe-statics -w -c "$f" -o "$out/$(basename "$f").o"
done
# shellcheck disable=SC2086
avr-g++ $flags -std=gnu++11 -fno-exceptions -fno-threadsafe-statics -Wall -Wextra -Werror -c "$out/sketch.cpp" -o "$out/sketch.o"
avr-gcc -mmcu=atmega328p -Wl,--gc-sections "$out"/*.o -lm -o "$out/sketch.elf"
echo "firmware-sketch: $lines lines, $(avr-size "$out/sketch.elf" | awk 'NR == 2 { print $1 + $2 }') bytes of flash"
TRAMMEL_SKETCH_ELF="$out/sketch.elf" "$1/avr/test_sketch"
