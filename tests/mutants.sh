#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Do the format's tests notice a slip in the codec?  Changes one operator or constant of the codec at
# a time, the same ones in the same order every time, builds that, runs the suites of the
# format on it, and prints which changes survived.  A change that gives the same machine
# code is no change and is left out.
# usage: mutants.sh BUILD [COUNT]     COUNT of them, evenly over all there are; 0 = all
set -u
build=$1
count=${2:-200}
codec='bytes.h cobs.c crc.c frames.c pack.c segment_block.c segment_read.c segment_scan.c segment_write.c'
suites='test_crc_cobs test_frames test_segment test_segment_refuse test_segment_damage test_link_document test_corpus test_verify'
flags='-std=c17 -D_GNU_SOURCE -O1 -w -I.'
libraries='-lcheck -lsubunit -lrt -lm -lpthread -lcsv -linih'
work=$build/mutants
rm -rf "$work"
mkdir -p "$work/objects" "$work/tree"

# One line a change: FILE LINE COLUMN LENGTH REPLACEMENT.  The sources are formatted, so that a
# binary operator has a blank on either side.
list() {
	for f in $codec; do
		awk -v file="common/$f" '
		function put(at, len, by) { print file, NR, at, len, by }
		function every(op, by,   rest, from, at) {
			from = 1
			while ((at = index(substr(line, from), " " op " ")) > 0) {
				put(from + at, length(op), by)
				from += at + length(op)
			}
		}
		{ line = $0 }
		/^\/\*/ || /^[ \t]+\*/ || /^[ \t]*\/\*/ { comment = 1 }
		comment { if (/\*\//) comment = 0; next }
		/^#include|_Static_assert|assert\(|^[ \t]*static const|fault_set|"/ { next }
		/^#(if|el|en|un|pragma)/ { next }
		{
			sub(/\/\*.*/, "", line)
			every("<", "<="); every("<=", "<"); every(">", ">="); every(">=", ">")
			every("==", "!="); every("!=", "=="); every("&&", "||"); every("||", "&&")
			every("+", "-"); every("-", "+"); every("<<", ">>"); every(">>", "<<")
			every("&", "|"); every("|", "&"); every("^", "|"); every("*", "+")
			every("+=", "-="); every("-=", "+=")
			from = 1
			while (match(substr(line, from), /[^A-Za-z0-9_.](0x[0-9a-f]+|[0-9]+)/)) {
				at = from + RSTART; len = RLENGTH - 1
				number = substr(line, at, len)
				put(at, len, "(" number " + 1)")
				from = at + len
			}
			if (match(line, /(\+\+|--)[;)]/))
				put(RSTART, 2, substr(line, RSTART, 2) == "++" ? "--" : "++")
			if (match(line, /[^A-Za-z_]true[^A-Za-z_]/)) put(RSTART + 1, 4, "false")
			if (match(line, /[^A-Za-z_]false[^A-Za-z_]/)) put(RSTART + 1, 5, "true")
			if (match(line, /(if|while) \(/)) put(RSTART + RLENGTH - 1, 1, "(!")
		}' "common/$f"
	done
}

apply() { # FILE LINE COLUMN LENGTH REPLACEMENT
	awk -v line="$2" -v at="$3" -v len="$4" -v by="$5" '
		NR != line { print; next }
		by == "(!" { # the whole condition, to its closing bracket
			depth = 0
			for (end = at; end <= length($0); end++) {
				c = substr($0, end, 1)
				depth += (c == "(") - (c == ")")
				if (depth == 0) break
			}
			if (end <= length($0))
				print substr($0, 1, at) "!(" substr($0, at + 1, end - at - 1) ")" substr($0, end)
			else
				print substr($0, 1, at) "!" substr($0, at + 1)
			next }
		{ print substr($0, 1, at - 1) by substr($0, at + len) }' "$1"
}

compile() { # SOURCE OBJECT, with the changed tree before ours
	# shellcheck disable=SC2086 # flags
	gcc -I"$work/tree" $flags -c "$1" -o "$2" 2>>"$work/log"
}

link_suite() { # SUITE
	# shellcheck disable=SC2086 # flags
	gcc $flags "$work/objects/$1.o" "$work"/objects/rig_*.o "$work"/objects/common_*.o "$work"/objects/analyse_*.o \
		-o "$work/$1" $libraries 2>>"$work/log"
}

passes() { # SUITE
	CK_FORK=no timeout 60 "$work/$1" >"$work/said" 2>&1
}

for f in common/*.c; do compile "$f" "$work/objects/common_$(basename "$f" .c).o" || exit 1; done
for f in cmd_verify cli escape salvage verify; do
	compile "analyse/$f.c" "$work/objects/analyse_$f.o" || exit 1
done
for f in format_rig link_demands log_rig; do compile "tests/$f.c" "$work/objects/rig_$f.o" || exit 1; done
for s in $suites; do
	compile "tests/$s.c" "$work/objects/$s.o" && link_suite "$s" && passes "$s" || {
		echo "mutants: $s does not pass as it is"
		tail -5 "$work/log" "$work/said"
		exit 1
	}
done

list >"$work/list"
all=$(wc -l <"$work/list")
[ "$count" -gt 0 ] && [ "$count" -lt "$all" ] || count=$all
awk -v n="$count" -v all="$all" 'int(NR * n / all) > int((NR - 1) * n / all)' "$work/list" >"$work/chosen"

killed=0 survived=0 same=0 unbuilt=0
while read -r file line at len by; do
	name=$(basename "$file")
	mkdir -p "$work/tree/common"
	apply "$file" "$line" "$at" "$len" "$by" >"$work/tree/common/$name"
	case $name in
	*.h) sources=$(grep -l "\"common/$name\"" common/*.c) ;; # all that include it
	*) sources=$work/tree/common/$name ;;
	esac
	rm -rf "$work/kept"
	mkdir "$work/kept"
	state=same
	for source in $sources; do
		object=common_$(basename "$source" .c).o
		cp "$work/objects/$object" "$work/kept/$object"
		compile "$source" "$work/objects/$object" || state=unbuilt
		[ "$state" = unbuilt ] || cmp -s "$work/objects/$object" "$work/kept/$object" || state=differs
	done
	if [ "$state" = differs ]; then
		state=survived
		for s in $suites; do
			link_suite "$s" && passes "$s" || {
				state=killed
				break
			}
		done
	fi
	case $state in
	killed) killed=$((killed + 1)) ;;
	survived)
		survived=$((survived + 1))
		echo "survived: $file:$line: $(sed -n "${line}p" "$work/tree/common/$name" | sed 's/^[ 	]*//')"
		;;
	same) same=$((same + 1)) ;;
	unbuilt) unbuilt=$((unbuilt + 1)) ;;
	esac
	cp "$work"/kept/*.o "$work/objects/"
	rm -f "$work/tree/common/$name"
done <"$work/chosen"

tried=$((killed + survived))
[ "$tried" -gt 0 ] || exit 1
echo "G19  mutants of the codec: $killed of $tried killed ($(awk -v k="$killed" -v n="$tried" \
	'BEGIN { printf "%.1f", 100 * k / n }') %; asked: 95 %), of $all there are; $same gave the same code, $unbuilt did not build"
[ $((killed * 100)) -ge $((tried * 95)) ]
