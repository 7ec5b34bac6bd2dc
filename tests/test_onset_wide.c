/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The forward model four or eight lanes abreast gives the same bits as one lane after the other: the same log
 * gives the same report on every processor.  Includes the source: which way is taken is nobody else's
 * business, and here it runs with sanitizers, which it does not elsewhere (see the Makefile), on windows of
 * all sizes. */
#include "analyse/onset.c"

#include "analyse/rehearse/prng.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define WINDOWS 300

static double between(struct prng *r, double low, double high)
{
	return low + (high - low) * prng_uniform(r);
}

/* A piston on its way, either passage moving either way, the other one beside it. */
static void draw_window(struct prng *r, struct onset_window *w)
{
	double volume = between(r, 2e-5, 6e-4), grows = between(r, -0.003, 0.004);
	memset(w, 0, sizeof *w);
	w->passage = prng_chance(r, 0.5) ? ONSET_INLET : ONSET_EXHAUST;
	w->opening = prng_chance(r, 0.5);
	w->cells = 4 + (size_t)between(r, 0, ONSET_CELLS_MAX - 3);
	w->start_s = between(r, -0.03, 0);
	w->step_s = between(r, 1e-4, 6e-4);
	w->ambient_pa = 101300;
	w->noise_pa = 1000;
	w->wall = between(r, 0.3, 1);
	w->wall_per_m3 = between(r, 0, 2000);
	w->other.k_m3_s = between(r, 0, 8e-3);
	w->other.moves = prng_chance(r, 0.5);
	w->other.opening = prng_chance(r, 0.5);
	w->other.t50_s = between(r, -0.02, 0.04);
	w->other.ramp_s = between(r, 1e-3, 1e-2);
	for (size_t k = 0; k < w->cells; k++) {
		w->log_volume[k] = log(volume * (1 + grows * (double)k));
		w->volume_m3[k] = volume * (1 + grows * ((double)k + 0.5));
		w->supply_pa[k] = 6e5 + 2e4 * sin(0.05 * (double)k);
	}
	w->log_volume[w->cells] = log(volume * (1 + grows * (double)w->cells));
	w->n = 5 + (size_t)between(r, 0, ONSET_SAMPLES_MAX - 4);
	for (size_t i = 0; i < w->n; i++)
		w->t_s[i] = w->start_s + w->step_s * (double)w->cells * (double)i / (double)w->n;
}

static void draw_values(struct prng *r, double value[ONSET_LANES][ONSET_PARAMETERS])
{
	bool one_lag = prng_chance(r, 0.5);
	double lag_s = prng_chance(r, 0.3) ? 0 : between(r, 2e-4, 3e-3);
	for (int l = 0; l < ONSET_LANES; l++) {
		double *v = value[l];
		v[ONSET_T50] = prng_chance(r, 0.8)   ? between(r, -0.01, 0.04)
		               : prng_chance(r, 0.5) ? INFINITY
		                                     : -INFINITY;
		v[ONSET_P0] = log(between(r, 0.9e5, 7e5));
		v[ONSET_OTHER] = between(r, -2e-3, 2e-3);
		v[ONSET_K] = log(between(r, 1e-3, 1e-2));
		v[ONSET_WARM0] = between(r, -0.2, 0.3);
		v[ONSET_HEAT] = log(between(r, 20, 500));
		v[ONSET_RAMP] = log(between(r, 1e-3, 1e-2));
		v[ONSET_B] = between(r, 0.2, 0.5);
		v[ONSET_LEAK] = between(r, -0.05, 0.05);
		v[ONSET_SHAPE] = prng_chance(r, 0.5) ? 0 : between(r, -0.5, 0.5);
		v[ONSET_LAG] = one_lag ? lag_s : between(r, 0, 3e-3);
		v[ONSET_GAIN] = between(r, -0.03, 0.03);
		v[ONSET_ZERO] = between(r, -3e3, 3e3);
	}
}

typedef void (*prediction)(const struct onset_window *w, const double (*value)[ONSET_PARAMETERS],
                           size_t lanes, double (*out)[ONSET_SAMPLES_MAX]);

static void compare_with_plain(prediction abreast)
{
	static struct onset_window w;
	static double plain[ONSET_LANES][ONSET_SAMPLES_MAX], wide[ONSET_LANES][ONSET_SAMPLES_MAX];
	double value[ONSET_LANES][ONSET_PARAMETERS] = {0};
	struct prng r = prng_make(1, 0);
	for (int i = 0; i < WINDOWS; i++) {
		size_t lanes = 1 + (size_t)i % ONSET_LANES;
		draw_window(&r, &w);
		draw_values(&r, value);
		predict(&w, (const double(*)[ONSET_PARAMETERS])value, lanes, plain);
		abreast(&w, (const double(*)[ONSET_PARAMETERS])value, lanes, wide);
		for (size_t l = 0; l < lanes; l++) {
			ck_assert(isfinite(plain[l][w.n - 1]));
			ck_assert_msg(memcmp(plain[l], wide[l], w.n * sizeof plain[l][0]) == 0,
			              "window %d, lane %zu", i, l);
		}
	}
}

START_TEST(wide_and_plain_are_the_same_to_the_bit)
{
	if (processor_is_wide())
		compare_with_plain(predict_wide);
	else
		puts("test_onset_wide: this processor has no lanes so wide; nothing to compare");
}
END_TEST

START_TEST(widest_and_plain_are_the_same_to_the_bit)
{
	if (processor_is_widest())
		compare_with_plain(predict_widest);
	else
		puts("test_onset_wide: this processor has no lanes of the widest; nothing to compare");
}
END_TEST

int main(void)
{
	Suite *s = suite_create("onset, wide");
	TCase *t = tcase_create("onset, wide");
	tcase_add_test(t, wide_and_plain_are_the_same_to_the_bit);
	tcase_add_test(t, widest_and_plain_are_the_same_to_the_bit);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
