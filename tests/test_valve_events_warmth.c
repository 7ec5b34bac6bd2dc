/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How warm the air is before an event, from the pressures, beside the full energy balance of the rig. */
#include "analyse/valve_events_internal.h"
#include "tests/chamber_found.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

struct apart { /* told less true, log T/Tw */
	double n, sum, square;
};

/* At the beginnings of the windows that a kind was learned from. */
static struct apart compare(const struct found *f, enum engine_end end, int kind)
{
	const struct batch *b = &f->v->batch[end][kind];
	struct apart a = {0};
	for (size_t i = 0; i < b->n; i++) {
		const struct onset_window *w = &b->window[i];
		double told = valve_window_warmth(f->v, &f->rig->crank, end, w, b->command_us[i]);
		size_t ms = (size_t)llround((b->command_us[i] + 1e6 * w->start_s) * 1e-3);
		double is = f->rig->log_warmth[end][ms];
		if (!b->use[i] || isnan(told))
			continue;
		a.n++;
		a.sum += told - is;
		a.square += (told - is) * (told - is);
	}
	return a;
}

/* The air before a release is 0.11 to 0.14 colder than the walls, before the exhaust shuts 0.22 to 0.28. */
static const double most_off[EVENT_KINDS] = {0.1, 0.1, 0.03, 0.12};

/* _i: 0 the healthy machine, 1 one whose sensor lags, 2 one that leaks. */
START_TEST(the_temperature_before_an_event_is_told_from_the_pressures)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.lag_s = _i == 1 ? 2e-3 : 0;
	s.leak = _i == 2 ? 0.05e-8 : 0;
	found_run(&s, &f);
	for (int end = 0; end < END_COUNT; end++)
		for (int k = 0; k < EVENT_KINDS; k++) {
			struct apart a = compare(&f, (enum engine_end)end, k);
			ck_assert_double_ge(a.n, 12);
			ck_assert_double_lt(fabs(a.sum / a.n), most_off[k]);
			ck_assert_double_lt(sqrt(a.square / a.n), most_off[k] + 0.02);
		}
	found_done(&f);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("the air's temperature before an event");
	TCase *tc = tcase_create("the air's temperature before an event");
	tcase_set_timeout(tc, 120);
	tcase_add_loop_test(tc, the_temperature_before_an_event_is_told_from_the_pressures, 0, 3);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_ENV);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
