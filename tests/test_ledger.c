/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The ledger adds up whatever the events, and puts a loss where it was made. */
#include "analyse/analysis.h"
#include "analyse/ledger.h"
#include "common/air.h"
#include "common/unit.h"

#include <check.h>
#include <dirent.h>
#include <math.h>
#include <stdlib.h>

#define SAMPLES 300
#define NODES_MAX (SAMPLES + 20)

static const double TURN = 2 * UNIT_PI;

static const struct engine ENGINE = {.mechanism = MECHANISM_OSCILLATING,
                                     .pivot_distance_m = 0.42,
                                     .crank_radius_m = 0.0625,
                                     .bore_m = 0.063,
                                     .rod_m = 0.02,
                                     .clearance_m3 = {18e-6, 21e-6},
                                     .ambient_pa = 101300};

static struct mech mech;
static struct indicator_node node[NODES_MAX];
static size_t node_n;

static uint64_t seed;
static double random_between(double low, double high)
{
	seed = seed * 6364136223846793005u + 1442695040888963407u;
	return low + (high - low) * (double)(seed >> 11) * 0x1p-53;
}

static double volume(double phi)
{
	return mech_volume_m3(&mech, END_CAP, phi);
}

static struct ledger_case case_with(double intended, double admission, double cut_off, double release,
                                    double compression)
{
	struct ledger_case c = {
	    .supply_pa = 6.2e5,
	    .ambient_pa = ENGINE.ambient_pa,
	    .n = 1.3,
	    .turn_back_rad = UNIT_PI,
	    .intended_cut_off_rad = unit_rad(intended),
	    .admission_rad = unit_rad(admission),
	    .cut_off_rad = unit_rad(cut_off),
	    .release_rad = unit_rad(release),
	    .compression_rad = unit_rad(compression),
	    .next_admission_rad = TURN + unit_rad(admission),
	    .v_dead_m3 = volume(0),
	    .v_turn_back_m3 = volume(UNIT_PI),
	};
	c.v_intended_m3 = volume(c.intended_cut_off_rad);
	return c;
}

static int by_angle(const void *a, const void *b)
{
	double x = ((const struct indicator_node *)a)->phi_rad,
	       y = ((const struct indicator_node *)b)->phi_rad;
	return (x > y) - (x < y);
}

/* Nodes: equal steps, and the ledger's boundaries; pressure by `p`. */
static void lay_nodes(struct ledger_case *c, double (*p)(const struct ledger_case *, double phi))
{
	double extra[LEDGER_BOUNDARIES];
	size_t extras = ledger_boundaries(c, extra);
	node_n = 0;
	for (size_t k = 0; k <= SAMPLES; k++)
		node[node_n++].phi_rad = TURN * (double)k / SAMPLES;
	for (size_t k = 0; k < extras; k++)
		node[node_n++].phi_rad = extra[k];
	qsort(node, node_n, sizeof *node, by_angle);
	for (size_t k = 0; k < node_n; k++) {
		node[k].v_m3 = volume(node[k].phi_rad);
		node[k].p_pa = p(c, node[k].phi_rad);
	}
	double caught = fmin(fmax(c->cut_off_rad, 0), c->turn_back_rad);
	c->v_cut_off_m3 = volume(caught);
	c->p_cut_off_pa = p(c, caught);
}

static double sum_of(const double *line)
{
	double sum = 0;
	for (int l = 0; l < LEDGER_LINES; l++)
		sum += line[l];
	return sum;
}

static double wild(const struct ledger_case *c, double phi)
{
	(void)c;
	return 3e5 + 2e5 * sin(phi) + 9e4 * sin(7 * phi + 1) + 3e4 * sin(41 * phi);
}

START_TEST(lines_add_up_for_a_thousand_random_event_sets)
{
	seed = 20;
	for (int i = 0; i < 1000; i++) {
		struct ledger_case c =
		    case_with(random_between(0, 190), random_between(-40, 120), random_between(0, 220),
		              random_between(90, 300), random_between(180, 400));
		c.n = random_between(1.0, 1.4);
		c.supply_pa = random_between(2e5, 9e5);
		c.next_admission_rad = random_between(0.8 * TURN, 1.2 * TURN);
		c.intended_cut_off_rad = fmin(c.intended_cut_off_rad, c.turn_back_rad);
		c.v_intended_m3 = volume(c.intended_cut_off_rad);
		lay_nodes(&c, wild);
		double line[LEDGER_LINES], ideal = ledger_ideal_work_j(&c);
		ledger_partition(&c, node, node_n, line);
		double lost = ideal - indicator_work_j(node, node_n);
		ck_assert_double_eq_tol(sum_of(line), lost, 1e-9 * (fabs(ideal) + fabs(lost)));
	}
}
END_TEST

/* Follows the reference diagram but for a late cut-off at the case's own angle. */
static double late_cut_off(const struct ledger_case *c, double phi)
{
	double v = volume(phi);
	if (phi > c->turn_back_rad)
		return c->ambient_pa;
	return phi <= c->cut_off_rad ? c->supply_pa
	                             : air_polytropic_pa(c->supply_pa, volume(c->cut_off_rad), v, c->n);
}

static void partition(struct ledger_case *c, double (*p)(const struct ledger_case *, double), double *line)
{
	lay_nodes(c, p);
	ledger_partition(c, node, node_n, line);
}

START_TEST(a_late_cut_off_gains_work_in_its_own_line_only)
{
	double line[LEDGER_LINES];
	struct ledger_case c = case_with(90, 0, 110, 180, 360);
	partition(&c, late_cut_off, line);
	double gained = c.supply_pa * (volume(unit_rad(110)) - volume(unit_rad(90))) +
	                air_polytropic_work(c.supply_pa, volume(unit_rad(110)), volume(UNIT_PI), c.n) -
	                air_polytropic_work(c.supply_pa, volume(unit_rad(90)), volume(UNIT_PI), c.n);
	ck_assert(gained > 1);
	ck_assert_double_eq_tol(line[LEDGER_CUT_OFF], -gained, 1e-3 * gained);
	ck_assert_double_eq_tol(line[LEDGER_WIRE_DRAWING], 0, 1e-9);
	ck_assert_double_eq_tol(line[LEDGER_LATE_ADMISSION], 0, 1e-9);
	ck_assert_double_eq_tol(line[LEDGER_COMPRESSION], 0, 1e-9);
	ck_assert_double_eq_tol(line[LEDGER_BACK_PRESSURE], 0, 1e-9);
	/* The trapezium rule leaves a little of the expansion. */
	ck_assert_double_eq_tol(line[LEDGER_REMAINDER], 0, 1e-3 * gained);
}
END_TEST

/* Wire-drawn by a fifth while admitting, then an exact expansion of what was caught. */
static double wire_drawn(const struct ledger_case *c, double phi)
{
	if (phi > c->turn_back_rad)
		return c->ambient_pa;
	double low = 0.8 * c->supply_pa;
	return phi <= c->cut_off_rad ? low
	                             : air_polytropic_pa(low, volume(c->cut_off_rad), volume(phi), c->n);
}

START_TEST(wire_drawing_takes_its_share_of_the_expansion)
{
	double line[LEDGER_LINES];
	struct ledger_case c = case_with(90, 0, 90, 180, 360);
	partition(&c, wire_drawn, line);
	double forward = ledger_ideal_work_j(&c) + c.ambient_pa * (c.v_turn_back_m3 - c.v_dead_m3);
	ck_assert_double_eq_tol(line[LEDGER_WIRE_DRAWING], 0.2 * forward, 1e-3 * forward);
	ck_assert_double_eq_tol(line[LEDGER_CUT_OFF], 0, 1e-9);
	ck_assert_double_eq_tol(line[LEDGER_REMAINDER], 0, 1e-3 * forward);
}
END_TEST

/* Nothing in until the inlet opens; exhaust late, then slow; shut early. */
static double sloppy(const struct ledger_case *c, double phi)
{
	if (phi < c->admission_rad)
		return c->ambient_pa;
	if (phi <= c->turn_back_rad)
		return ledger_ideal_pa(c, phi, volume(phi));
	if (phi < c->release_rad)
		return 2.5e5;
	if (phi < c->compression_rad)
		return c->ambient_pa + 1e4;
	return air_polytropic_pa(c->ambient_pa + 1e4, volume(c->compression_rad), volume(phi), c->n);
}

START_TEST(each_fault_of_the_setting_stands_in_its_line)
{
	double line[LEDGER_LINES];
	struct ledger_case c = case_with(90, 20, 90, 200, 330);
	partition(&c, sloppy, line);
	double late = (c.supply_pa - c.ambient_pa) * (volume(unit_rad(20)) - volume(0));
	ck_assert_double_eq_tol(line[LEDGER_LATE_ADMISSION], late, 0.05 * late);
	double held = (2.5e5 - c.ambient_pa) * (volume(UNIT_PI) - volume(unit_rad(200)));
	ck_assert_double_eq_tol(line[LEDGER_RELEASE], held, 0.1 * held);
	double back = 1e4 * (volume(unit_rad(200)) - volume(unit_rad(330)));
	ck_assert_double_eq_tol(line[LEDGER_BACK_PRESSURE], back, 0.02 * back);
	ck_assert(line[LEDGER_COMPRESSION] > 0);
	double sum = ledger_ideal_work_j(&c) - indicator_work_j(node, node_n);
	ck_assert_double_eq_tol(sum_of(line), sum, 1e-9 * sum);
}
END_TEST

START_TEST(inlet_opening_before_the_dead_centre_is_the_admissions_fault)
{
	double line[LEDGER_LINES];
	struct ledger_case c = case_with(90, 0, 90, 180, 330);
	c.next_admission_rad = unit_rad(345);
	partition(&c, wild, line);
	struct ledger_case late = c;
	late.next_admission_rad = TURN;
	double without[LEDGER_LINES];
	ledger_partition(&late, node, node_n, without);
	double moved = line[LEDGER_LATE_ADMISSION] - without[LEDGER_LATE_ADMISSION];
	ck_assert(fabs(moved) > 0);
	ck_assert_double_eq_tol(moved, without[LEDGER_COMPRESSION] - line[LEDGER_COMPRESSION], 1e-9);
}
END_TEST

/* Ideal mean effective pressure over atmosphere at 5 bar gauge (6.01325 bar absolute), clearance 5 %,
 * exhaust at 1.01325 bar, no compression: computed from the closed form of forward mean pressure. */
START_TEST(the_ideal_work_gives_the_tabulated_mean_pressures)
{
	static const struct {
		double cut_off, n1, n13;
	} ROW[] = {{0.10, 1.3433, 0.9176}, {0.20, 2.3468, 1.9424}, {0.25, 2.7500, 2.3739},
	           {0.30, 3.1029, 2.7605}, {0.40, 3.6848, 3.4166}, {0.50, 4.1320, 3.9373},
	           {0.75, 4.8049, 4.7529}, {1.00, 5.0000, 5.0000}};
	for (size_t i = 0; i < sizeof ROW / sizeof *ROW; i++)
		for (int k = 0; k < 2; k++) {
			struct ledger_case c = {.supply_pa = 6.01325e5,
			                        .ambient_pa = 1.01325e5,
			                        .n = k == 0 ? 1 : 1.3,
			                        .turn_back_rad = UNIT_PI,
			                        .v_dead_m3 = 0.05,
			                        .v_turn_back_m3 = 1.05,
			                        .v_intended_m3 = 0.05 + ROW[i].cut_off};
			double expected = k == 0 ? ROW[i].n1 : ROW[i].n13;
			ck_assert_double_eq_tol(ledger_ideal_work_j(&c) / 1e5, expected, 1e-4);
		}
}
END_TEST

START_TEST(boundaries_come_sorted_once_and_inside_the_turn)
{
	double phi[LEDGER_BOUNDARIES];
	struct ledger_case c = case_with(90, -5, 90, 170, 380);
	size_t n = ledger_boundaries(&c, phi);
	ck_assert_uint_eq(n, 4); /* 90 once, 170, 180, 355 */
	for (size_t k = 1; k < n; k++)
		ck_assert(phi[k] > phi[k - 1]);
	ck_assert_double_eq_tol(phi[3], unit_rad(355), 1e-12);
}
END_TEST

/* --- the sample logs ---------------------------------------------------------- */

static int check_rows(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	unsigned *checked = ctx;
	(void)fault;
	for (size_t i = 0; i < rows->stroke_n; i++) {
		const struct stroke *s = &rows->stroke[i];
		if (s->flag[0] != '\0')
			continue;
		ck_assert_double_eq_tol(sum_of(s->ledger_j), s->ideal_work_j - s->work_j,
		                        1e-9 * s->ideal_work_j);
		ck_assert_double_le(s->loop_gap_j, 1e-9 * fabs(s->work_j));
		(*checked)++;
	}
	return 0;
}

static void check_sample_log(const char *path)
{
	struct fault f = {0};
	unsigned checked = 0;
	struct report *r = calloc(1, sizeof *r);
	struct ride *ride = ride_open(path, NULL, 60, &f);
	ck_assert_msg(ride != NULL, "%s", f.text);
	const struct analysis_sink sink = {.ctx = &checked, .rows = check_rows};
	ck_assert_msg(analysis_run(ride, &sink, r, &f) == 0, "%s", f.text);
	ck_assert_uint_ge(checked, 60);
	for (int end = 0; end < END_COUNT; end++) {
		const struct stroke_summary *s = &r->stroke[end];
		ck_assert_double_eq_tol(sum_of(s->ledger_j), s->ideal_work_j * (1 - s->diagram_factor),
		                        1e-9 * s->ideal_work_j);
		ck_assert_double_le(s->ledger_gap, 1e-9);
		ck_assert_double_le(s->loop_gap, 1e-9);
	}
	ride_close(ride);
	free(r);
}

/* Every directory of sample-logs that holds a log. */
START_TEST(lines_add_up_in_every_stroke_of_every_sample_log)
{
	DIR *d = opendir("sample-logs");
	ck_assert_ptr_nonnull(d);
	unsigned logs = 0;
	for (const struct dirent *e; (e = readdir(d)) != NULL;) {
		char path[400];
		snprintf(path, sizeof path, "sample-logs/%s/000001-0001.tram", e->d_name);
		FILE *there = fopen(path, "rb");
		if (there == NULL)
			continue;
		fclose(there);
		check_sample_log(path);
		logs++;
	}
	closedir(d);
	ck_assert_uint_ge(logs, 3);
}
END_TEST

int main(void)
{
	mech = mech_of(&ENGINE);
	Suite *s = suite_create("ledger");
	TCase *t = tcase_create("ledger");
	tcase_add_test(t, lines_add_up_for_a_thousand_random_event_sets);
	tcase_add_test(t, a_late_cut_off_gains_work_in_its_own_line_only);
	tcase_add_test(t, wire_drawing_takes_its_share_of_the_expansion);
	tcase_add_test(t, each_fault_of_the_setting_stands_in_its_line);
	tcase_add_test(t, inlet_opening_before_the_dead_centre_is_the_admissions_fault);
	tcase_add_test(t, the_ideal_work_gives_the_tabulated_mean_pressures);
	tcase_add_test(t, boundaries_come_sorted_once_and_inside_the_turn);
	suite_add_tcase(s, t);
	TCase *logs = tcase_create("sample logs");
	tcase_set_timeout(logs, 120);
	tcase_add_test(logs, lines_add_up_in_every_stroke_of_every_sample_log);
	suite_add_tcase(s, logs);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
