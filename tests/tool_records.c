/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Prints the records of segment files, one a line, for scripts to compare:
 * kind, sender time, channel, value, angles, text.  `-s` prints one line a
 * file instead: session, number, live, first record, records, blocks, lost, damages,
 * closed, name.  `-k KIND` prints only that kind.  Exit: 0 whole, 3 damaged, 1 unreadable. */
#include "common/segment.h"

#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static void print_record(const struct record *r)
{
	printf("%s,%" PRIu32 ",%u,%" PRId64, record_kind_name(r->kind), r->t_us, r->channel, r->value);
	if (r->kind == RECORD_VALVE)
		printf(",%d,%d", r->intended_ddeg, r->controller_ddeg);
	if (r->text_len > 0)
		printf(",%.*s", (int)r->text_len, r->text);
	putchar('\n');
}

static void print_summary(const char *path, const struct segment_reader *s)
{
	const struct segment_facts *f = segment_reader_facts(s);
	const struct segment_totals *t = segment_reader_totals(s);
	printf("%u %u %d %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %d %s\n", f->session,
	       f->number, f->live, f->first_record, t->records, t->blocks, t->records_lost, t->damages,
	       t->closed, path);
}

static int one_file(const char *path, bool summary, const char *kind)
{
	struct fault fault = {0};
	struct record r;
	struct segment_reader *s = segment_reader_open(path, &fault);
	int more = s == NULL ? -1 : 1;
	while (more == 1 && (more = segment_reader_next(s, &r, &fault)) == 1)
		if (!summary && (kind == NULL || strcmp(kind, record_kind_name(r.kind)) == 0))
			print_record(&r);
	if (more < 0) {
		fprintf(stderr, "%s\n", fault.text);
		segment_reader_free(s);
		return 1;
	}
	if (summary)
		print_summary(path, s);
	int code = segment_reader_totals(s)->damages > 0 ? 3 : 0;
	segment_reader_free(s);
	return code;
}

int main(int argc, char **argv)
{
	bool summary = false;
	const char *kind = NULL;
	int option, worst = 0;
	while ((option = getopt(argc, argv, "sk:")) != -1) {
		if (option == 's')
			summary = true;
		else if (option == 'k')
			kind = optarg;
		else
			return 64;
	}
	for (int i = optind; i < argc; i++) {
		int code = one_file(argv[i], summary, kind);
		worst = code == 1 || worst == 1 ? 1 : code > worst ? code : worst;
	}
	return worst;
}
