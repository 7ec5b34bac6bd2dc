/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the report says of work, angle, air and torque beside the truth, over rides of machines
 * drawn at random: errors, and how often the 95 % intervals hold the truth.  WORK_MACHINES and
 * WORK_FIRST in the environment choose how many, and others;
 * WORK_SET what else is different in all of them. */
#include "common/unit.h"
#include "tests/work_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum quantity { WORK, MEP, USEFUL, FRACTION, AIR_TURN, TORQUE, QUANTITIES };
static const char *const NAME[QUANTITIES] = {"work a stroke",      "mean eff. pressure", "useful angle, deg",
                                             "useful fraction, %", "air a turn",         "peak torque"};
static const bool RELATIVE[QUANTITIES] = {[WORK] = true, [MEP] = true, [AIR_TURN] = true, [TORQUE] = true};

struct tally {
	unsigned n, inside;
	double sum, square, worst, half; /* of the errors; of the half widths */
};

static struct tally tally[QUANTITIES];

static bool add(enum quantity q, double said, double half_width, double truth)
{
	struct tally *t = &tally[q];
	double unit = RELATIVE[q] ? 100 / fabs(truth) : 1, error = (said - truth) * unit;
	bool inside = fabs(said - truth) <= half_width;
	t->n++;
	t->inside += inside;
	t->sum += error;
	t->square += error * error;
	t->worst = fmax(t->worst, fabs(error));
	t->half += half_width * unit;
	return inside;
}

static void print_end(const struct work_ride *r, int end)
{
	const struct stroke_summary *s = &r->report.stroke[end];
	const struct work_truth *t = &r->truth[end];
	double half = 1.96 * s->work_sd_j, useful = 1.96 * unit_deg(s->useful_sd_rad);
	bool work = add(WORK, s->work_j, half, t->work_j);
	double per = s->mep_pa / s->work_j;
	add(MEP, s->mep_pa, half * per, t->work_j * per);
	bool angle = add(USEFUL, unit_deg(s->useful_rad), useful, t->useful_deg);
	add(FRACTION, 100 * s->useful_fraction, useful / 1.8, t->useful_deg / 1.8);
	printf("  %s %3u  %7.2f +/- %.2f, true %7.2f J%c  %6.2f +/- %.2f, true %6.2f deg%c  air %6.3f, true "
	       "%6.3f g",
	       engine_end_name((enum engine_end)end), t->n, s->work_j, half, t->work_j, work ? ' ' : '!',
	       unit_deg(s->useful_rad), useful, t->useful_deg, angle ? ' ' : '!', s->air_kg * 1e3, t->air_g);
}

/* KEY=VALUE words of WORK_SET, as `trammel rehearse --set` takes them. */
static void change(struct loop_machine *m)
{
	const char *text = getenv("WORK_SET");
	char *words = strdup(text == NULL ? "" : text), *rest = words;
	struct fault f = {0};
	for (char *word; (word = strsep(&rest, " ")) != NULL;) {
		int bad = word[0] == '\0' ? 0 : settings_apply(&m->settings, word, &f);
		ck_assert_msg(bad == 0, "%s", f.text);
	}
	free(words);
}

static void print_ride(unsigned i)
{
	struct loop_machine m;
	struct work_ride *r = malloc(sizeof *r);
	work_rig_draw(i, 40, &m);
	change(&m);
	work_rig_ride(&m, r);
	printf("%3u %3.0f-%-3.0f rpm", i, m.rpm, m.rpm_to);
	for (int end = 0; end < END_COUNT; end++)
		print_end(r, end);
	double air = r->report.air_kg_per_turn * 1e3, half = r->report.air_error_kg * 1e3;
	bool held = add(AIR_TURN, air, half, r->truth[0].air_g + r->truth[1].air_g);
	printf("  air of a turn %.3f +/- %.3f, true %.3f g%c", air, half,
	       r->truth[0].air_g + r->truth[1].air_g, held ? ' ' : '!');
	const struct torque_summary *q = &r->report.torque;
	bool torque = add(TORQUE, q->mean_nm, 1.96 * q->mean_sd_nm, r->truth[END_CAP].peak_torque_nm);
	printf("  torque %6.2f +/- %.2f, true %6.2f N m%c%s\n", q->mean_nm, 1.96 * q->mean_sd_nm,
	       r->truth[END_CAP].peak_torque_nm, torque ? ' ' : '!',
	       r->unpaired > 0 ? " unpaired strokes" : "");
	for (size_t k = 0; k < r->report.warnings.n; k++)
		printf("      - %.160s\n", r->report.warnings.line[k]);
	fflush(stdout);
	free(r);
}

static unsigned from_environment(const char *name, unsigned fallback)
{
	const char *text = getenv(name);
	return text != NULL ? (unsigned)strtoul(text, NULL, 10) : fallback;
}

START_TEST(machines_drawn_at_random)
{
	unsigned n = from_environment("WORK_MACHINES", 100), first = from_environment("WORK_FIRST", 0);
	for (unsigned i = first; i < first + n; i++)
		print_ride(i);
	puts("                         n     mean error      sd   worst   mean +/-   within +/-");
	for (int q = 0; q < QUANTITIES; q++) {
		const struct tally *t = &tally[q];
		double mean = t->sum / t->n;
		printf("%-22s %4u    %+8.2f%s %7.2f %7.2f %8.2f     %5.1f %%\n", NAME[q], t->n, mean,
		       RELATIVE[q] ? " %" : "  ", sqrt(fmax(t->square / t->n - mean * mean, 0)), t->worst,
		       t->half / t->n, 100.0 * t->inside / t->n);
	}
	/* Of 100 intervals at 95 %, fewer than 90 inside has a chance of 1 in 35. */
	for (int q = 0; q < QUANTITIES; q++)
		ck_assert_msg(tally[q].inside >= 0.9 * tally[q].n, "%s: the intervals are too narrow",
		              NAME[q]);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("accuracy of work");
	TCase *t = tcase_create("accuracy of work");
	tcase_set_timeout(t, 0);
	tcase_add_test(t, machines_drawn_at_random);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_set_fork_status(r, CK_NOFORK);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
