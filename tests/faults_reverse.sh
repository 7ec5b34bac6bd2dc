#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Do the tests notice?  Breaks the recorder on purpose in a copy of the tree, one thing at a time,
# and runs the fault driver that should see it.  Prints how many were noticed.
set -u
here=$(cd "$(dirname "$0")/.." && pwd)
work=$(mktemp -d "${TMPDIR:-/tmp}/trammel-reverse-XXXXXX")
trap 'rm -rf "$work"' EXIT
noticed=0
tried=0
broken=0

build() { # in the current directory, quietly
	make BUILD=build build/trammeld build/liblogd.a build/libcommon.a >build.log 2>&1 || return 1
	mkdir -p build/tests
	gcc -std=c17 -D_GNU_SOURCE -O2 -I. tests/tool_faults.c tests/faults_*.c tests/logd_*.c tests/disk_model.c \
		tests/format_rig.c build/liblogd.a build/libcommon.a -o build/tests/tool_faults -lcsv -linih -lm \
		-lserialport -lsystemd -lpthread -lcheck -lsubunit -lrt >>build.log 2>&1 || return 1
	for p in faults heap trace clock serial; do
		gcc -std=c17 -D_GNU_SOURCE -O2 -I. -fPIC -shared tests/preload_$p.c -o build/tests/preload_$p.so -ldl \
			>>build.log 2>&1 || return 1
	done
}

# breakage WHAT FILE SED-SCRIPT DRIVER COUNT
breakage() {
	what=$1 file=$2 script=$3 driver=$4 count=$5
	tried=$((tried + 1))
	cp "$here/$file" "$work/tree/$file"
	sed -i "$script" "$work/tree/$file"
	if cmp -s "$here/$file" "$work/tree/$file"; then
		echo "reverse: '$what' changes nothing; the script needs care"
		return
	fi
	(cd "$work/tree" && build) || {
		echo "reverse: '$what' does not build; the script needs care"
		tail -3 "$work/tree/build.log"
		cp -p "$here/$file" "$work/tree/$file"
		return
	}
	if (cd "$work/tree" && timeout 200 build/tests/tool_faults "$driver" "$count" >run.log 2>&1); then
		echo "reverse: NOT noticed by '$driver $count': $what"
	else
		noticed=$((noticed + 1))
		echo "reverse: noticed by '$driver $count': $what"
	fi
	cp "$here/$file" "$work/tree/$file"
}

mkdir "$work/tree"
(cd "$here" && tar cf - Makefile common logd tests) | (cd "$work/tree" && tar xf -)
(cd "$work/tree" && build) || {
	echo 'reverse: the tree does not build'
	tail -5 "$work/tree/build.log"
	exit 1
}

# What fails on the tree as it is would notice nothing: each driver once, unbroken.
for run in 'cut 2' 'kill 6' 'disk 40' 'short 16' 'freeze 32' 'replug 3' 'retention 12' 'clock 4' 'race 8' 'heap 4' \
	'watchdog 5' 'brim 8'; do
	# shellcheck disable=SC2086 # driver and count
	(cd "$work/tree" && timeout 200 build/tests/tool_faults $run >run.log 2>&1) || {
		echo "reverse: '$run' fails on the tree as it is; what it notices below means nothing"
		broken=1
	}
done

breakage 'checks of blocks are not looked at' common/segment_block.c \
	'/^bool segment_block_intact/,/^}/s/return .*;/return bytes != NULL \&\& length > 0;/' cut 2
breakage 'fdatasync left out' logd/outfile.c 's/return fdatasync(f->fd);/return f->fd < 0;/' cut 1
breakage 'the directory is not synced' logd/store.c 's/fsync(s->shelf.fd) != 0/s->shelf.fd < 0/' cut 1
breakage 'a start appends to the session before' logd/store.c \
	's/\.session = s->shelf\.last_session + 1/.session = s->shelf.last_session + (s->shelf.last_session == 0)/' kill 6
breakage 'a failed sync is taken for a good one' logd/store.c 's/if (outfile_sync(&s->out) != 0)/if (outfile_sync(\&s->out) > 0)/' disk 40
breakage 'unproven records are not written again' logd/store.c \
	's/while (s->handed < tail_count(s->tail))/while (s->handed > tail_count(s->tail))/' disk 40
breakage 'a short write is taken for a whole one' logd/outfile.c 's/bool all = done == f->used;/bool all = done > 0;/' short 16
breakage 'what a full disk took is given up' logd/store.c 's/^\t\tkeep_what_fitted(s);/\t\terror = ENOSPC;/' brim 8
breakage 'a full disk'"'"'s log does not tell what it lacks' logd/store.c 's/close_brim(s, lost > 0 ? &gap : NULL);/close_brim(s, lost < 0 ? \&gap : NULL);/' brim 8
breakage 'dropped bytes are not counted' logd/receiver.c 's/r->dropped += n;/r->dropped += n > 0 ? 0 : n;/' freeze 32
breakage 'a hang-up is taken for silence' logd/receiver.c 's/? READ_END_OF_INPUT : READ_GONE;/? READ_END_OF_INPUT : READ_IDLE;/' replug 3
breakage 'the cap is not kept' logd/retention.c 's/if (over <= 0 || drop_until/if (over <= INT64_MAX || drop_until/' retention 12
breakage 'foreign files are taken for segments' logd/shelf.c 's/return p != NULL && strcmp(p, "\.tram") == 0;/return p != NULL \&\& *p != 0;/' retention 12
breakage 'deadlines follow the calendar' logd/clock.c 's/CLOCK_MONOTONIC/CLOCK_REALTIME/' clock 4
breakage 'the lock is not looked at' logd/shelf.c 's/LOCK_EX | LOCK_NB/LOCK_SH | LOCK_NB/' race 8
breakage 'the status line uses the heap' logd/watch.c 's/sd_notify(0, w->line);/sd_notifyf(0, "%s", w->line);/' heap 4
breakage 'messages are not held back' logd/log.c 's/if (kind == LOG_PLAIN)/if (kind >= LOG_PLAIN)/' disk 24
breakage 'the watchdog waits for the disk' logd/watch.c \
	's|return age < (int64_t)w->watchdog_us / 2;|return age < (int64_t)w->watchdog_us / 2 \&\& now - status_get(\&w->status->last_sync_us) < 1500000;|' watchdog 5

echo "reverse: $noticed of $tried deliberate breakages noticed"
[ "$noticed" -eq "$tried" ] && [ "$broken" -eq 0 ]
