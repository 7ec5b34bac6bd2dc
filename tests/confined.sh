#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# G28, as far as it goes without the service's manager and on amd64: the recorder under the unit's
# own filter of system calls (taken from the unit and from systemd's groups, and deadly here),
# without capabilities, without a network, with no new privileges and no memory made executable,
# through its command-line test and its fault drivers.  Not in it: the unit's user, its view of the
# file system and its devices; arm64 and armhf.
# usage: confined.sh BUILD
set -u
build=$(cd "$1" && pwd)
work=$build/confined
unit=logd/trammeld.service
for tool in systemd-analyze unshare setpriv; do
	command -v "$tool" >/dev/null || {
		echo "G28  the recorder under the unit's filter             not run: needs $tool"
		exit 0
	}
done
if [ "$(uname -m)" != x86_64 ] || [ "$(id -u)" -ne 0 ]; then
	echo "G28  the recorder under the unit's filter             not run: needs root on amd64"
	exit 0
fi
rm -rf "$work"
mkdir -p "$work"
ln -s ../tests "$work/tests"
ln -s ../trammel "$work/trammel"

# The unit's groups, opened up as systemd has them, as numbers of this machine.
sets=$(sed -n 's/^SystemCallFilter=//p' "$unit")
systemd-analyze --no-pager syscall-filter 2>/dev/null | sed 's/\x1b\[[0-9;]*m//g' >"$work/groups"
echo '#include <sys/syscall.h>' | gcc -E -dM - | awk '$2 ~ /^__NR_/ && $3 ~ /^[0-9]+$/ { print substr($2, 6), $3 }' >"$work/names"
awk -v sets="$sets" '
	FILENAME == ARGV[1] && /^@/ { group = $1; next }
	FILENAME == ARGV[1] && /^[ \t]+[@a-z_]/ { members[group] = members[group] " " $1; next }
	FILENAME == ARGV[2] { number[$1] = $2 }
	function set(name, value,   n, i, m) {
		if (name !~ /^@/) { allowed[name] = value; return }
		n = split(members[name], m, " ")
		for (i = 1; i <= n; i++) set(m[i], value)
	}
	END {
		n = split(sets, s, /[ \n]+/)
		value = 1
		for (i = 1; i <= n; i++) {
			if (s[i] ~ /^~/) { value = 0; sub(/^~/, "", s[i]) }
			if (s[i] != "") set(s[i], value)
		}
		for (name in allowed) if (allowed[name] && name in number) print number[name]
	}' "$work/groups" "$work/names" | sort -n >"$work/numbers"

cat >"$work/trammeld" <<END
#!/bin/sh
exec setpriv --bounding-set=-all --inh-caps=-all --no-new-privs "$build/tests/tool_confined" "$work/numbers" "$build/trammeld" "\$@"
END
chmod +x "$work/trammeld"

failed=0 trials=0
try() { # WHAT COMMAND...
	trials=$((trials + 1))
	unshare -n "$@" >"$work/said" 2>&1 || {
		echo "confined: failed: $*"
		tail -5 "$work/said"
		failed=$((failed + 1))
	}
}
# The filter must bite: raising one's priority is among what the unit takes away.
"$build/tests/tool_confined" "$work/numbers" /usr/bin/nice -n -1 /bin/true >/dev/null 2>&1
[ $? -eq 159 ] || {
	echo 'confined: a forbidden call was not caught'
	failed=$((failed + 1))
}
try sh tests/check_logd.sh "$work"
for d in 'disk 40' 'short 20' 'full 1' 'flip 3' 'freeze 3' 'watchdog 2' 'replug 20' 'library 5' 'restart 6' 'wait 4' \
	'noise 7' 'clock 3' 'race 10' 'retention 6' 'kill 3' 'cost 3' 'soak 10'; do
	# shellcheck disable=SC2086 # driver and count
	try env TRAMMELD="$work/trammeld" "$build/tests/tool_faults" $d
done
printf 'G28  %-46s trials %d, failures %d; %d calls allowed, any other deadly\n' "the recorder under the unit's filter" \
	"$trials" "$failed" "$(wc -l <"$work/numbers")"
[ "$failed" -eq 0 ]
