#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A rehearsed ride through recorder and report: the page is whole and self-contained,
# every output is the same twice, and the text fits a terminal.
set -eu
build=$1
work=$(mktemp -d /tmp/trammel-html-XXXXXX)
trap 'rm -rf "$work"' EXIT
fail() {
	echo "check_html: $*" >&2
	exit 1
}
engine=sample-logs/number7.ini
"$build/trammel" rehearse "$engine" --ride late --duration 12 --out "$work/ride.lines" --seed 3
"$build/trammeld" --port "$work/ride.lines" --link lines --engine "$engine" --into "$work/ride" --quiet
for turn in 1 2; do
	"$build/trammel" report "$work/ride" --html "$work/$turn.html" --json "$work/$turn.json" \
		--csv "$work/csv$turn" > "$work/$turn.txt"
done
for kind in html json txt; do
	cmp "$work/1.$kind" "$work/2.$kind" || fail "$kind differs from one run to the next"
done
for table in crank pressures valve_events strokes; do
	cmp "$work/csv1/$table.csv" "$work/csv2/$table.csv" || fail "$table.csv differs"
	[ "$(wc -l < "$work/csv1/$table.csv")" -gt 10 ] || fail "$table.csv has next to no rows"
done
page="$work/1.html"
for forbidden in '<script' 'http:' 'https:' '<link' '@import' ' src=' 'nan'; do
	! grep -q -- "$forbidden" "$page" || fail "the page holds $forbidden"
done
for tag in html head body main figure details table svg ul section; do
	open=$(grep -o "<${tag}[ >]" "$page" | wc -l)
	shut=$(grep -o "</${tag}>" "$page" | wc -l)
	[ "$open" -eq "$shut" ] || fail "$open <$tag> but $shut </$tag>"
done
twice=$(grep -o ' id="[^"]*"' "$page" | sort | uniq -d)
[ -z "$twice" ] || fail "an id stands twice: $twice"
[ "$(awk '{ if (length($0) > 80) n++ } END { print n + 0 }' "$work/1.txt")" -eq 0 ] ||
	fail "the text is wider than 80 columns"
head -n 24 "$work/1.txt" | grep -q 'deg' || fail "the first screen has no verdict"
grep -q 'never a safety device' "$work/1.txt" || fail "the text lacks the caution"
grep -q 'never a safety device' "$page" || fail "the page lacks the caution"
echo "check_html: the page is whole, self-contained and the same twice"
