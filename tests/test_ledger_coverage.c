/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The intervals of the ledger's lines, of the ideal work and of the diagram factor hold what really happened,
 * on machines drawn at random. */
#include "analyse/ledger.h"
#include "tests/ledger_rig.h"
#include "tests/work_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define MACHINES 2
#define SECONDS 7

struct count {
	unsigned n, inside;
};

/* Within the 95 % interval; beyond four standard deviations never. */
static void add(struct count *c, const char *what, double said, double sd, double truth)
{
	double off = fabs(said - truth) / sd;
	printf("%-24s %9.4f said, sd %.4f, %9.4f in truth%s\n", what, said, sd, truth,
	       off > 1.96 ? "  outside" : "");
	ck_assert_msg(off < 4, "%s: %.4f said, sd %.4f, %.4f in truth", what, said, sd, truth);
	c->n++;
	c->inside += off <= 1.96;
}

START_TEST(intervals_hold_the_truth)
{
	struct count c = {0};
	const char *most = getenv("LEDGER_MACHINES");
	unsigned machines = most == NULL ? MACHINES : (unsigned)atoi(most);
	for (unsigned i = 0; i < machines; i++) {
		struct loop_machine m;
		struct ledger_pair p;
		work_rig_draw(300 + i, SECONDS, &m);
		ledger_rig_ride(&m, &p);
		for (int end = 0; end < END_COUNT; end++) {
			const struct stroke_summary *s = &p.said[end], *t = &p.truth[end];
			ck_assert_uint_eq(s->count, t->count);
			for (int l = 0; l < LEDGER_LINES; l++) {
				add(&c, ledger_line_name((enum ledger_line)l), s->ledger_j[l],
				    s->ledger_sd_j[l], t->ledger_j[l]);
				ck_assert_double_lt(s->ledger_sd_j[l], 0.1 * s->ideal_work_j); /* of use */
			}
			add(&c, "ideal work", s->ideal_work_j, s->ideal_sd_j, t->ideal_work_j);
			add(&c, "diagram factor", s->diagram_factor, s->diagram_factor_sd, t->diagram_factor);
		}
	}
	printf("%u of %u inside\n", c.inside, c.n);
	ck_assert_uint_eq(c.n, 18 * machines);
	ck_assert_uint_ge(10 * c.inside, 9 * c.n);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("coverage of the ledger");
	TCase *t = tcase_create("coverage of the ledger");
	tcase_set_timeout(t, 600);
	tcase_add_test(t, intervals_hold_the_truth);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
