/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The intervals of work, useful angle, air and peak torque hold what really happened, on machines drawn at
 * random.  A few here; `make accuracy-work` takes a hundred. */
#include "common/unit.h"
#include "tests/work_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

#define MACHINES 3
#define AIR_PART 0.02 /* of the air */

struct count {
	unsigned n, inside;
};

/* Within the 95 % interval; beyond four standard deviations never. */
static void add(struct count *c, const char *what, double said, double sd, double truth)
{
	double off = fabs(said - truth) / sd;
	ck_assert_msg(off < 4, "%s: %.3f said, sd %.3f, %.3f in truth", what, said, sd, truth);
	c->n++;
	c->inside += off <= 1.96;
}

START_TEST(intervals_hold_the_truth)
{
	struct count c = {0};
	struct work_ride *r = malloc(sizeof *r);
	for (unsigned i = 0; i < MACHINES; i++) {
		struct loop_machine m;
		work_rig_draw(200 + i, 16, &m);
		work_rig_ride(&m, r);
		ck_assert_uint_eq(r->unpaired, 0);
		for (int end = 0; end < END_COUNT; end++) {
			const struct stroke_summary *s = &r->report.stroke[end];
			ck_assert_uint_ge(s->count, 8);
			add(&c, "work", s->work_j, s->work_sd_j, r->truth[end].work_j);
			add(&c, "useful angle", unit_deg(s->useful_rad), unit_deg(s->useful_sd_rad),
			    r->truth[end].useful_deg);
			ck_assert_double_eq_tol(s->mep_sd_pa / s->mep_pa, s->work_sd_j / s->work_j, 1e-9);
		}
		double air_g = r->truth[END_CAP].air_g + r->truth[END_ROD].air_g;
		add(&c, "air of a turn", 1e3 * r->report.air_kg_per_turn, 1e3 * r->report.air_error_kg / 1.96,
		    air_g);
		ck_assert_double_eq_tol(1e3 * r->report.air_kg_per_turn, air_g, AIR_PART * air_g);
		add(&c, "peak torque", r->report.torque.mean_nm, r->report.torque.mean_sd_nm,
		    r->truth[END_CAP].peak_torque_nm);
	}
	/* At 95 % fewer than 15 of 18 inside has a chance of 1 in 90. */
	ck_assert_uint_eq(c.n, 18);
	ck_assert_uint_ge(c.inside, 15);
	free(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("coverage of work");
	TCase *t = tcase_create("coverage of work");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, intervals_hold_the_truth);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
