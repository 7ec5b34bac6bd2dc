/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A fit with its sums abreast gives the same bits as a plain one.  Includes the source: which way is taken is
 * nobody else's business. */
#include "analyse/onset_fit.c"

#include "analyse/rehearse/prng.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>

#define WINDOWS 50

/* A still chamber, its valve about to move either way; another valve beside it now and then. */
static void draw_event(struct prng *r, struct onset_window *w, struct onset_prior *prior)
{
	static samples shown[ONSET_LANES];
	parameters value[1] = {{[ONSET_T50] = 0.004 + 0.006 * prng_uniform(r),
	                        [ONSET_P0] = log(2e5 + 4e5 * prng_uniform(r)),
	                        [ONSET_K] = -6 + 0.4 * prng_normal(r),
	                        [ONSET_HEAT] = 5,
	                        [ONSET_RAMP] = -5.5,
	                        [ONSET_B] = 0.35}};
	double volume_m3 = 1e-4 + 3e-4 * prng_uniform(r);
	memset(w, 0, sizeof *w);
	w->passage = prng_chance(r, 0.5) ? ONSET_INLET : ONSET_EXHAUST;
	w->opening = prng_chance(r, 0.5);
	w->other.moves = prng_chance(r, 0.3);
	w->other.t50_s = 0.012;
	w->other.ramp_s = 4e-3;
	w->other.k_m3_s = 2e-3;
	w->cells = 40;
	w->step_s = 5e-4;
	w->ambient_pa = 101300;
	w->noise_pa = 1500;
	w->wall = 1;
	w->n = 15 + (size_t)(5 * prng_uniform(r));
	for (size_t k = 0; k <= w->cells; k++)
		w->log_volume[k] = log(volume_m3);
	for (size_t k = 0; k < w->cells; k++) {
		w->volume_m3[k] = volume_m3;
		w->supply_pa[k] = 7e5;
	}
	for (size_t i = 0; i < w->n; i++)
		w->t_s[i] = 1e-3 * ((double)i + 0.5);
	onset_predict(w, (const double(*)[ONSET_PARAMETERS])value, 1, shown);
	for (size_t i = 0; i < w->n; i++)
		w->p_pa[i] = shown[0][i] + w->noise_pa * prng_normal(r);
	*prior = (struct onset_prior){.earliest_s = 1e-3, .latest_s = 0.018};
	memcpy(prior->mean, value[0], sizeof prior->mean);
	for (int k = 0; k < LOCAL; k++)
		prior->sd[which[k]] = k == 0 ? 3e-3 : which[k] == ONSET_P0 ? INFINITY : 0.05;
}

START_TEST(a_fit_abreast_and_a_plain_one_are_the_same_to_the_bit)
{
	static struct onset_window w;
	struct onset_prior prior;
	struct prng r = prng_make(2, 0);
	if (!processor_is_wide()) {
		puts("test_onset_fit_wide: this processor has no lanes so wide; nothing to compare");
		return;
	}
	for (int i = 0; i < WINDOWS; i++) {
		struct onset_result plain, abreast;
		draw_event(&r, &w, &prior);
		ck_assert(fit(&w, &prior, &plain));
		ck_assert(fit_wide(&w, &prior, &abreast));
		ck_assert_msg(memcmp(&plain, &abreast, sizeof plain) == 0, "window %d", i);
	}
}
END_TEST

int main(void)
{
	Suite *s = suite_create("onset fit, wide");
	TCase *t = tcase_create("onset fit, wide");
	tcase_add_test(t, a_fit_abreast_and_a_plain_one_are_the_same_to_the_bit);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
