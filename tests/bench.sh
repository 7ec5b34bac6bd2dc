#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Benchmark: what recording and reporting cost, each beside a tool that anyone has, in the
# same run.  Prints; asserts nothing.  usage: bench.sh BUILD [SECONDS OF RIDE]
set -eu
build=$1
seconds=${2:-600}
work="$build/bench"
measure="$build/tests/tool_measure"
engine=sample-logs/number7.ini
rm -rf "$work"
mkdir -p "$work"

"$build/trammel" rehearse "$engine" --ride sweep --duration "$seconds" --seed 1 --link frames --out "$work/ride.frames"
"$build/trammel" rehearse "$engine" --ride sweep --duration "$seconds" --seed 1 --link lines --out "$work/ride.lines"

record() { # KIND
	cat > "$work/record-$1.sh" <<END
rm -rf "$work/$1.d"
exec "$build/trammeld" --port "$work/ride.$1" --link $1 --engine "$engine" --into "$work/$1.d" --quiet
END
	cat > "$work/copy-$1.sh" <<END
exec cat "$work/ride.$1" > "$work/copy"
END
}
row() { # NAME RECORDS BYTES MEASURED
	echo "$4" | awk -v name="$1" -v n="$2" -v b="$3" '{
		printf "%-38s %8.3f s %8.3f s CPU %7.1f MiB", name, $1, $2, $3
		if (n > 0 && $2 > 0) printf " %7.2f M records/s of CPU", n / $2 / 1e6
		if (b > 0) printf " %6.2f bytes/record", b / n
		printf "\n" }'
}
for kind in frames lines; do record "$kind"; done
copied=$("$measure" 5 sh "$work/copy-frames.sh")
recorded=$("$measure" 5 sh "$work/record-frames.sh")
copied_lines=$("$measure" 5 sh "$work/copy-lines.sh")
recorded_lines=$("$measure" 5 sh "$work/record-lines.sh")
records=$("$build/trammel" runs "$work/frames.d" | awk '$1 == 1 { print $7 }')
stored=$(cat "$work"/frames.d/*.tram | wc -c)
verified=$("$measure" 3 "$build/trammel" verify "$work/frames.d")
summed=$("$measure" 3 sh -c "cksum $work/frames.d/*.tram")
reported=$("$measure" 3 "$build/trammel" report "$work/frames.d")
counted=$("$measure" 3 wc -l "$work/ride.lines")

echo "ride of $seconds s, $records records; medians of CPU time"
row "cat FILE > FILE (frames)" 0 0 "$copied"
row "trammeld, frames" "$records" "$stored" "$recorded"
row "cat FILE > FILE (lines)" 0 0 "$copied_lines"
row "trammeld, lines" "$records" "$stored" "$recorded_lines"
row "cksum of the log" 0 0 "$summed"
row "trammel verify" "$records" 0 "$verified"
row "wc -l of the same ride as text" 0 0 "$counted"
row "trammel report" "$records" 0 "$reported"
