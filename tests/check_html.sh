#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A rehearsed ride through recorder and report: the page is whole and self-contained,
# every output is the same twice, and the text fits a terminal.  In a browser it asks for nothing,
# complains of nothing and fits a phone, a sheet of paper and a desk.  The page that compares rides likewise.
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
"$build/trammel" compare "$work/ride" sample-logs/tuned "$work/ride" --html "$work/compare.html" > "$work/compare.txt"
"$build/trammel" compare "$work/ride" sample-logs/tuned "$work/ride" --html - > "$work/compare2.html"
cmp "$work/compare.html" "$work/compare2.html" || fail "the page that compares differs from one run to the next"
grep -q 'no difference shown' "$work/compare.html" || fail "a ride beside itself shows a difference"

whole() { # $1: a page
	for forbidden in '<script' 'http:' 'https:' '<link' '@import' ' src=' 'nan'; do
		! grep -q -- "$forbidden" "$1" || fail "$1 holds $forbidden"
	done
	for tag in html head body main figure details table svg ul section; do
		open=$(grep -o "<${tag}[ >]" "$1" | wc -l)
		shut=$(grep -o "</${tag}>" "$1" | wc -l)
		[ "$open" -eq "$shut" ] || fail "$1: $open <$tag> but $shut </$tag>"
	done
	twice=$(grep -o ' id="[^"]*"' "$1" | sort | uniq -d)
	[ -z "$twice" ] || fail "$1: an id stands twice: $twice"
	grep -q 'never a safety device' "$1" || fail "$1 lacks the caution"
	grep -q 'Content-Security-Policy' "$1" || fail "$1 does not forbid itself requests"
}
whole "$work/1.html"
whole "$work/compare.html"
[ "$(awk '{ if (length($0) > 80) n++ } END { print n + 0 }' "$work/1.txt")" -eq 0 ] ||
	fail "the text is wider than 80 columns"
head -n 24 "$work/1.txt" | grep -q 'deg' || fail "the first screen has no verdict"
grep -q 'never a safety device' "$work/1.txt" || fail "the text lacks the caution"

# --- in a browser ---------------------------------------------------------------

browser() { # arguments of its own; what it says goes to browser.log
	timeout 90 chromium --headless --no-sandbox --disable-gpu --disable-background-networking \
		--disable-component-update --no-first-run --user-data-dir="$work/profile" \
		--allow-file-access-from-files --enable-logging=stderr "$@" 2> "$work/browser.log"
}
quiet() { # $1: what was done
	! grep -q 'CONSOLE' "$work/browser.log" ||
		fail "the browser complains $1: $(grep CONSOLE "$work/browser.log" | head -n 3)"
}
# A page forbids itself all scripts and requests, which the browser would complain of when it prints it.
# A copy without that measures itself inside frames of these widths; 718 px is A4 less its margins.
measure='<script>addEventListener("load",function(){var d=document.documentElement;
parent.postMessage([location.pathname.split("/").pop(),innerWidth,d.scrollWidth-d.clientWidth,
performance.getEntriesByType("resource").length,document.querySelectorAll("svg").length].join(" "),"*")})</script></body>'
widths="390 718 1280"
pages="1 compare"
cat > "$work/frames.html" <<-'END'
	<!doctype html><pre id="said"></pre><script>addEventListener("message",function(e){
	document.getElementById("said").textContent+="page "+e.data+";"})</script>
END
for page in $pages; do
	awk -v m="$measure" '{ gsub(/<meta http-equiv="Content-Security-Policy"[^>]*>/, ""); i = index($0, "</body>"); if (i) { print substr($0, 1, i - 1) m substr($0, i + 7) } else print }' \
		"$work/$page.html" > "$work/measured-$page.html"
	grep -q 'postMessage' "$work/measured-$page.html" || fail "$page.html has no end of its body"
	for width in $widths; do
		echo "<iframe style=\"width:${width}px;height:800px;border:0\" src=\"measured-$page.html\"></iframe>"
	done >> "$work/frames.html"
done
browser --virtual-time-budget=10000 --window-size=1400,900 --dump-dom "file://$work/frames.html" > "$work/dom" ||
	fail "chromium does not run (see tests/deps.sh)"
quiet "of the pages"
for page in $pages; do
	for width in $widths; do
		line=$(grep -o "page measured-$page.html $width [^;]*" "$work/dom" | head -n 1)
		# shellcheck disable=SC2086 # fields
		set -- $line
		[ $# -eq 6 ] || fail "$page.html did not load at $width px"
		[ "$4" -eq 0 ] || fail "at $width px $page.html is $4 px too wide"
		[ "$5" -eq 0 ] || fail "$page.html asks for $5 things beside itself"
		[ "$6" -ge 5 ] || fail "$page.html shows $6 pictures"
	done
	browser --no-pdf-header-footer --print-to-pdf="$work/page.pdf" "file://$work/$page.html" > "$work/pdf.out" ||
		fail "chromium does not print $page.html"
	quiet "of printing $page.html"
	[ "$(head -c 5 "$work/page.pdf")" = "%PDF-" ] || fail "what was printed of $page.html is no PDF"
	[ "$(wc -c < "$work/page.pdf")" -gt 30000 ] || fail "$page.html is all but empty as printed"
done
echo "check_html: both pages are whole, self-contained, the same twice, and fit 390, 718 and 1280 px and paper"
