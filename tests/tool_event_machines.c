/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Valve events on machines drawn at random, rehearsed with their full energy
 * balance and taken the whole way from the link to the report.  EVENT_MACHINES, EVENT_FIRST, EVENT_HZ and
 * EVENT_SECONDS in the environment choose others; EVENT_ODD draws odd gauges, wide passages and overlap
 * besides; EVENT_EACH prints a row a machine. */
#include "tests/event_machines.h"
#include "tests/road_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct off { /* one kind of event of one machine: found less true, ms */
	unsigned n, inside, wild, lost, invented;
	double sum, square, claimed;
};

struct total { /* one kind over all machines */
	unsigned n, inside, wild, lost, invented, machines, beyond, sets, sets_inside;
	double within, sum, square, worst, claimed;
};

static const double goal_bias_ms[EVENT_KINDS] = {0.25, 0.3, 0.2, 1.0};

struct request {
	unsigned machines, first;
	double hz, seconds;
	bool each, odd;
};

static void score(const struct road_event *e, struct off *o)
{
	bool found = e->cls == EVENT_CLASS_A || e->cls == EVENT_CLASS_B;
	if (e->flagged)
		return;
	o->lost += !found && !isnan(e->true_delay_ms);
	o->invented += found && isnan(e->true_delay_ms);
	if (!found || isnan(e->true_delay_ms))
		return;
	double off = e->delay_ms - e->true_delay_ms;
	o->wild += fabs(off) > 10;
	if (fabs(off) > 10)
		return;
	o->n++;
	o->sum += off;
	o->square += off * off;
	o->claimed += e->sd_ms;
	o->inside += fabs(off) < 1.96 * e->sd_ms;
}

/* Does the interval of each row's mean delay hold the mean of what really was? */
static void score_means(const struct road *r, struct total *total)
{
	for (size_t i = 0; i < r->report->event_n; i++) {
		const struct valve_event_summary *s = &r->report->event[i];
		double sum = 0, n = 0;
		for (size_t k = 0; k < r->events; k++) {
			const struct road_event *e = &r->event[k];
			if (e->valve == s->valve && e->end == s->end && e->event == s->event &&
			    !isnan(e->true_delay_ms) && !isnan(e->delay_ms)) {
				sum += e->true_delay_ms;
				n++;
			}
		}
		if (n < 8 || isnan(s->delay_ci95_s[0]))
			continue;
		total[s->event].sets++;
		total[s->event].sets_inside +=
		    s->delay_ci95_s[0] * 1e3 < sum / n && sum / n < s->delay_ci95_s[1] * 1e3;
	}
}

static void add(const struct off *o, double goal_ms, struct total *t)
{
	double mean = o->n ? o->sum / o->n : 0;
	t->n += o->n;
	t->inside += o->inside;
	t->wild += o->wild;
	t->lost += o->lost;
	t->invented += o->invented;
	t->claimed += o->claimed;
	if (o->n < 8)
		return;
	t->machines++;
	t->beyond += fabs(mean) > goal_ms;
	t->within += o->square / o->n - mean * mean;
	t->sum += mean;
	t->square += mean * mean;
	t->worst = fmax(t->worst, fabs(mean));
}

struct lags {
	double sum, square;
	unsigned n, inside;
};

static void print_machine(unsigned i, const struct event_machine *m, const struct road *r,
                          const struct off off[EVENT_KINDS])
{
	printf("%4u bore %3.0f swept %4.0f rpm %3.0f-%3.0f %.1f bar lag %.2f found %.2f %.2f ", i, m->bore_mm,
	       m->swept_ml, m->rpm, m->rpm_to, m->supply_bar, m->lag_ms, 1e3 * r->report->gas.sensor_lag_s[0],
	       1e3 * r->report->gas.sensor_lag_s[1]);
	for (int k = 0; k < EVENT_KINDS; k++) {
		double n = off[k].n ? off[k].n : 1, mean = off[k].sum / n;
		printf("|%3u %+5.2f %4.2f (%4.2f) ", off[k].n, mean,
		       sqrt(fmax(off[k].square / n - mean * mean, 0)), off[k].claimed / n);
	}
	putchar('\n');
	for (size_t k = 0; k < r->report->findings.n; k++)
		printf("     - %s\n", r->report->findings.line[k]);
	fflush(stdout);
}

static struct road *ride_of(const struct event_machine *m)
{
	char path[] = "/tmp/event-machine-XXXXXX";
	int fd = mkstemp(path);
	FILE *f = fd < 0 ? NULL : fdopen(fd, "w");
	ck_assert_ptr_nonnull(f);
	fputs(m->engine, f);
	fclose(f);
	struct road *r = road_ride(path, LINK_FRAMES, m->words);
	unlink(path);
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	return r;
}

static void one_machine(unsigned i, const struct request *q, struct total *total, struct lags *lags)
{
	struct event_machine m;
	struct off off[EVENT_KINDS] = {0};
	event_machine_draw(i, q->seconds, q->hz, q->odd, &m);
	struct road *r = ride_of(&m);
	for (size_t k = 0; k < r->events; k++)
		score(&r->event[k], &off[r->event[k].event]);
	for (int k = 0; k < EVENT_KINDS; k++)
		add(&off[k], goal_bias_ms[k], &total[k]);
	score_means(r, total);
	for (int end = 0; end < 2; end++) {
		double wrong = 1e3 * r->report->gas.sensor_lag_s[end] - m.lag_ms;
		lags->sum += wrong;
		lags->square += wrong * wrong;
		lags->n++;
		lags->inside += fabs(wrong) < 1.96e3 * r->report->gas.sensor_lag_sd_s[end];
	}
	if (q->each)
		print_machine(i, &m, r, off);
	road_free(r);
}

static void print_total(const struct total total[EVENT_KINDS], const struct lags *lags)
{
	printf("%-12s %6s %8s %10s %6s %6s %12s %8s %7s %7s %5s %5s %8s\n", "event", "n", "sd", "mean bias",
	       "rms", "worst", "beyond goal", "claimed", "in 95%", "means", "wild", "lost", "invented");
	for (int k = 0; k < EVENT_KINDS; k++) {
		const struct total *t = &total[k];
		double m = t->machines ? t->machines : 1, n = t->n ? t->n : 1;
		printf("%-12s %6u %8.2f %+10.2f %6.2f %6.2f %5u of %-3u %8.2f %7.1f %7.1f %5u %5u %8u\n",
		       valve_event_name((enum valve_event_kind)k), t->n, sqrt(t->within / m), t->sum / m,
		       sqrt(t->square / m), t->worst, t->beyond, t->machines, t->claimed / n,
		       100 * t->inside / n, 100.0 * t->sets_inside / (t->sets ? t->sets : 1), t->wild,
		       t->lost, t->invented);
	}
	printf("lag found less true: mean %+.2f ms, rms %.2f ms, in 95%% %.1f\n", lags->sum / lags->n,
	       sqrt(lags->square / lags->n), 100.0 * lags->inside / lags->n);
}

static double from_environment(const char *name, double fallback)
{
	const char *text = getenv(name);
	return text != NULL ? strtod(text, NULL) : fallback;
}

START_TEST(machines)
{
	struct request q = {.machines = (unsigned)from_environment("EVENT_MACHINES", 40),
	                    .first = (unsigned)from_environment("EVENT_FIRST", 0),
	                    .hz = from_environment("EVENT_HZ", 1000),
	                    .seconds = from_environment("EVENT_SECONDS", 30),
	                    .each = getenv("EVENT_EACH") != NULL,
	                    .odd = getenv("EVENT_ODD") != NULL};
	struct total total[EVENT_KINDS] = {0};
	struct lags lags = {0};
	for (unsigned i = q.first; i < q.first + q.machines; i++)
		one_machine(i, &q, total, &lags);
	printf("%u %smachines from number %u, %.0f Hz, %.0f s each; ms\n", q.machines, q.odd ? "odd " : "",
	       q.first, q.hz, q.seconds);
	print_total(total, &lags);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("accuracy on drawn machines");
	TCase *c = tcase_create("accuracy on drawn machines");
	tcase_set_timeout(c, 0);
	tcase_add_test(c, machines);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_set_fork_status(r, CK_NOFORK);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
