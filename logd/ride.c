/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/ride.h"

#include "common/segment.h"
#include "logd/dirlist.h"

#include <stdio.h>

struct look {
	const struct shelf *shelf;
	uint32_t session;
	int64_t bytes_left;
	bool turned;
	uint32_t next; /* the session before */
};

static bool holds_tooth(const char *path, int64_t *bytes_left)
{
	struct record r;
	struct segment_reader *s = segment_reader_open(path, NULL);
	bool found = false;
	while (s != NULL && !found && segment_reader_next(s, &r, NULL) == 1)
		found = r.kind == RECORD_TOOTH;
	if (s != NULL)
		*bytes_left -= (int64_t)segment_reader_totals(s)->bytes;
	segment_reader_free(s);
	return found;
}

static void look_at(void *ctx, const char *name)
{
	struct look *l = ctx;
	uint32_t session, number;
	char path[PATH_MAX];
	if (!shelf_parse(name, &session, &number))
		return;
	if (session < l->session && session > l->next)
		l->next = session;
	if (session != l->session || l->turned || l->bytes_left <= 0)
		return;
	int n = snprintf(path, sizeof path, "%s/%s", l->shelf->path, name);
	l->turned = n > 0 && (size_t)n < sizeof path && holds_tooth(path, &l->bytes_left);
}

uint32_t ride_newest_session(const struct shelf *s)
{
	struct look l = {.shelf = s, .session = s->last_session, .bytes_left = RIDE_LOOK_BYTES};
	while (l.session != 0 && !l.turned && l.bytes_left > 0) {
		l.next = 0;
		if (dirlist_each(s->fd, look_at, &l) != 0)
			break;
		if (!l.turned)
			l.session = l.next;
	}
	return l.turned ? l.session : s->last_session;
}
