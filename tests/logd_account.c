/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/shelf.h"
#include "tests/logd_rig.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void take_sent(struct logd_account *a, const struct record *r)
{
	uint32_t serial = r->t_us / LOGD_RIG_STEP_US;
	struct record sent = logd_rig_record(serial);
	if (!record_equal(r, &sent)) {
		a->altered++;
		return;
	}
	if (a->any && serial <= a->last) {
		a->twice++;
		return;
	}
	if (!a->any)
		a->first = serial;
	for (uint32_t lost = a->any ? a->last + 1 : serial; lost < serial; lost++) {
		a->missing++;
		a->missing_bytes += logd_rig_line_bytes(lost);
	}
	a->any = true;
	a->last = serial;
	a->records++;
}

static void take(struct logd_account *a, const struct record *r)
{
	if (r->kind < RECORD_ARRIVAL)
		take_sent(a, r);
	else if (r->kind == RECORD_GAP && r->channel < GAP_END) {
		a->gap_records[r->channel]++;
		a->gap_amount[r->channel] += r->value;
	}
}

static void check_numbers(struct logd_account *a, const struct segment_facts *f)
{
	if (f->session == a->session && f->first_record > a->next_number)
		a->number_holes += f->first_record - a->next_number;
	a->session = f->session;
}

void logd_account_take(struct logd_account *a, struct segment_reader *s)
{
	struct record r;
	struct fault fault = {0};
	a->files++;
	if (s == NULL) {
		a->unreadable++;
		return;
	}
	check_numbers(a, segment_reader_facts(s));
	while (segment_reader_next(s, &r, &fault) == 1)
		take(a, &r);
	const struct segment_totals *t = segment_reader_totals(s);
	a->next_number = segment_reader_facts(s)->first_record + t->records;
	a->not_closed += !t->closed;
	a->damages += t->damages;
	segment_reader_free(s);
}

static int is_segment(const struct dirent *e)
{
	uint32_t session, number;
	return shelf_parse(e->d_name, &session, &number);
}

static int by_number(const struct dirent **x, const struct dirent **y)
{
	uint32_t xs = 0, xn = 0, ys = 0, yn = 0;
	shelf_parse((*x)->d_name, &xs, &xn);
	shelf_parse((*y)->d_name, &ys, &yn);
	return xs != ys ? (xs < ys ? -1 : 1) : xn < yn ? -1 : xn > yn;
}

void logd_account_read(const char *into, struct logd_account *a)
{
	struct dirent **names;
	memset(a, 0, sizeof *a);
	int n = scandir(into, &names, is_segment, by_number);
	for (int i = 0; i < n; i++) {
		char path[LOGD_RIG_PATH * 2];
		snprintf(path, sizeof path, "%s/%s", into, names[i]->d_name);
		logd_account_take(a, segment_reader_open(path, NULL));
		free(names[i]);
	}
	if (n >= 0)
		free(names);
}
