/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Accuracy of the valve events against simulated truth, and of delay and
 * offset over 1000 synthetic rides, printed as tables.  With a word: only the scenarios whose
 * name holds it ("delay" for the second table). */
#include "analyse/delay.h"
#include "tests/chamber_found.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

struct score {
	unsigned n, missed_found, missed_true, invented, lost, wild, inside;
	double sum, square, claimed;
};

static void score_event(const struct rig_event *truth, const struct valve_event *e, struct score *s)
{
	bool found = found_counted(e);
	s->missed_true += truth->missed;
	s->missed_found += truth->missed && e->cls == EVENT_CLASS_MISSED;
	s->invented += (e->cls == EVENT_CLASS_MISSED && !truth->missed) || (found && !truth->moved);
	s->lost += truth->moved && !found;
	if (!found || !truth->moved)
		return;
	double off = (e->event_t_us - truth->t50_us) * 1e-3;
	if (fabs(off) > 10) {
		s->wild++;
		return;
	}
	s->n++;
	s->sum += off;
	s->square += off * off;
	s->claimed += e->sd_s * 1e3;
	s->inside += fabs(off) < 2e3 * e->sd_s;
}

static void print_score(enum valve_event_kind k, const struct score *s)
{
	double n = s->n ? s->n : 1, mean = s->sum / n, sd = sqrt(fmax(s->square / n - mean * mean, 0));
	printf("  %-12s %5u %+6.2f %5.2f %7.2f %6.1f %5u %5u %9u/%-5u %8u\n", valve_event_name(k), s->n, mean,
	       sd, s->claimed / n, 100.0 * s->inside / n, s->wild, s->lost, s->missed_found, s->missed_true,
	       s->invented);
}

static double cpu_s(void)
{
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

struct account { /* of one scenario */
	struct score score[EVENT_KINDS];
	size_t commands;
	double spent_s;
};

static void one_ride_of(const struct rig_setup *setup, bool say, struct account *a)
{
	struct found f;
	struct rig *r = rig_run(setup);
	double before = cpu_s();
	found_in(r, &f);
	a->spent_s += cpu_s() - before;
	a->commands += f.n;
	for (size_t i = 0; i < f.n && i < r->event_n; i++)
		score_event(&r->event[i], &f.row[i], &a->score[f.row[i].event]);
	for (size_t i = 0; say && valve_events_finding(f.v, i) != NULL; i++)
		printf("  - %s\n", valve_events_finding(f.v, i));
	found_done(&f);
}

#define RIDES 5 /* one alone is an accident: the sensor's lag alone moves all its events by 0.1 or 0.2 ms */

/* RIDES of each scenario, or as many as EVENT_RIDES in the environment says, with noise, jitter and misses of
 * their own. */
static void run(const char *name, const struct rig_setup *setup)
{
	struct account a = {.commands = 0};
	struct rig_setup s = *setup;
	const char *rides = getenv("EVENT_RIDES");
	unsigned long n = rides != NULL ? strtoul(rides, NULL, 10) : RIDES;
	for (s.seed = 1; s.seed <= n; s.seed++)
		one_ride_of(&s, s.seed == 1, &a);
	printf("%s: %lu rides, %zu commands, %.0f us each with learning\n", name, n, a.commands,
	       1e6 * a.spent_s / (double)a.commands);
	printf("  %-12s %5s %6s %5s %7s %6s %5s %5s %15s %8s\n", "event", "n", "bias", "sd", "claimed",
	       "in 2sd", "wild", "lost", "missed seen/all", "invented");
	for (int k = 0; k < EVENT_KINDS; k++)
		print_score((enum valve_event_kind)k, &a.score[k]);
}

struct scenario {
	const char *name;
	void (*change)(struct rig_setup *s);
};

static void same(struct rig_setup *s)
{
	(void)s;
}
static void rpm60(struct rig_setup *s)
{
	s->rpm_from = s->rpm_to = 60;
}
static void rpm100(struct rig_setup *s)
{
	s->rpm_from = s->rpm_to = 100;
}
static void rpm200(struct rig_setup *s)
{
	s->rpm_from = s->rpm_to = 200;
}
static void scale_ramps(struct rig_setup *s, double by)
{
	for (int p = 0; p < 2; p++)
		for (int k = 0; k < 2; k++)
			s->ramp_s[p][k] *= by;
}
static void short_ramps(struct rig_setup *s)
{
	scale_ramps(s, 0.5);
}
static void long_ramps(struct rig_setup *s)
{
	scale_ramps(s, 2);
}
static void small_valves(struct rig_setup *s)
{
	s->conductance[0] *= 0.7;
	s->conductance[1] *= 0.7;
}
static void large_valves(struct rig_setup *s)
{
	s->conductance[0] *= 1.3;
	s->conductance[1] *= 1.3;
}
static void leaking(struct rig_setup *s)
{
	s->leak = 0.05e-8;
}
static void leaking_much(struct rig_setup *s)
{
	s->leak = 0.5e-8;
}
static void lag1(struct rig_setup *s)
{
	s->lag_s = 1e-3;
}
static void lag2(struct rig_setup *s)
{
	s->lag_s = 2e-3;
}
static void lag3(struct rig_setup *s)
{
	s->lag_s = 3e-3;
}
static void overlapping(struct rig_setup *s)
{
	s->shuts_deg[1] = 352;
	s->opens_deg[0] = -6;
	s->delay_s[1][1] = 30e-3;
}
static void missing(struct rig_setup *s)
{
	s->missed_share = 0.05;
	s->seconds = 130; /* 2000 commands */
}
static void late20(struct rig_setup *s)
{
	s->late_share = 0.1;
	s->late_s = 20e-3;
}
static void slow_sampling(struct rig_setup *s)
{
	s->sample_s = 5e-3;
}
static void quiet(struct rig_setup *s)
{
	s->noise_of_scale = 0.001;
}
static void no_supply(struct rig_setup *s)
{
	s->supply_sensor = false;
}
static void late_cut_off(struct rig_setup *s)
{
	s->shuts_deg[0] = 120;
	s->opens_deg[1] = 155;
	s->conductance[1] = 6e-8;
}
static void sealed(struct rig_setup *s)
{
	s->sealed = true;
	s->seconds = 260; /* 4000 commands */
}
static void other_b(struct rig_setup *s)
{
	s->critical_ratio = 0.5;
}
static void more_heat(struct rig_setup *s)
{
	s->wall_w_k = 1.5;
}
static void short_run(struct rig_setup *s)
{
	s->seconds = 12;
}

static const struct scenario scenario[] = {{"healthy", same},
                                           {"60 rpm", rpm60},
                                           {"100 rpm", rpm100},
                                           {"200 rpm", rpm200},
                                           {"ramps x0.5", short_ramps},
                                           {"ramps x2", long_ramps},
                                           {"flow -30 %", small_valves},
                                           {"flow +30 %", large_valves},
                                           {"leak", leaking},
                                           {"leak x10", leaking_much},
                                           {"lag 1 ms", lag1},
                                           {"lag 2 ms", lag2},
                                           {"lag 3 ms", lag3},
                                           {"overlap", overlapping},
                                           {"both at once, as a spool", rig_as_spool},
                                           {"5 % missed", missing},
                                           {"10 % 20 ms late", late20},
                                           {"200 Hz", slow_sampling},
                                           {"0.1 % noise", quiet},
                                           {"no supply sensor", no_supply},
                                           {"cut-off 120, large exhaust", late_cut_off},
                                           {"b = 0.5", other_b},
                                           {"wall heat x3", more_heat},
                                           {"12 s", short_run},
                                           {"sealed", sealed}};

/* --- delay and offset ------------------------------------------------------------------- */

#define EVENTS 200
#define SETS 1000
#define RPM (M_PI / 30)

struct line_score {
	double slope2, offset2;
	unsigned slope_inside, offset_inside, middle_inside, mean_inside, refused;
};

static bool holds(const double ci[2], double x)
{
	return ci[0] < x && x < ci[1];
}

/* 2 deg and 20 ms; scatter 0.1 deg and 0.4 ms; one in ten 20 ms off. */
static void one_ride(gsl_rng *rng, double low_rpm, double high_rpm, struct line_score *s)
{
	double speed[EVENTS], y[EVENTS], delay[EVENTS], offset = 2 * M_PI / 180;
	struct delay_line l;
	struct delay_mean m;
	for (int i = 0; i < EVENTS; i++) {
		speed[i] = RPM * (low_rpm + (high_rpm - low_rpm) * gsl_rng_uniform(rng));
		delay[i] = 20e-3 + gsl_ran_gaussian(rng, 0.4e-3);
		if (gsl_rng_uniform(rng) < 0.1)
			delay[i] += gsl_rng_uniform(rng) < 0.5 ? -20e-3 : 20e-3;
		y[i] = offset + gsl_ran_gaussian(rng, 0.1) * M_PI / 180 + speed[i] * delay[i];
	}
	if (delay_line(speed, y, NULL, EVENTS, &l) != 0 || delay_mean(delay, NULL, EVENTS, &m) != 0)
		exit(EXIT_FAILURE);
	s->middle_inside += holds(l.at_mean_ci95, offset + 20e-3 * l.mean_speed);
	s->mean_inside += holds(m.ci95, 20e-3);
	s->refused += !l.separable;
	if (!l.separable)
		return;
	s->slope2 += pow(l.slope - 20e-3, 2);
	s->offset2 += pow(l.at_zero - offset, 2);
	s->slope_inside += holds(l.slope_ci95, 20e-3);
	s->offset_inside += holds(l.at_zero_ci95, offset);
}

static void delays(double low_rpm, double high_rpm)
{
	struct line_score s = {0};
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	for (int i = 0; i < SETS; i++)
		one_ride(rng, low_rpm, high_rpm, &s);
	gsl_rng_free(rng);
	unsigned n = SETS - s.refused;
	printf("delay and offset, %.0f to %.0f rpm, %d rides of %d events: refused as not separable %u\n",
	       low_rpm, high_rpm, SETS, EVENTS, s.refused);
	if (n > 0)
		printf("  rms error of delay %.3f ms, of offset %.3f deg; 95 %% intervals hold the truth in "
		       "%.1f and "
		       "%.1f %%\n",
		       1e3 * sqrt(s.slope2 / n), 180 / M_PI * sqrt(s.offset2 / n), 100.0 * s.slope_inside / n,
		       100.0 * s.offset_inside / n);
	printf("  interval at the mean speed holds it in %.1f %%, that of the mean delay in %.1f %%\n",
	       100.0 * s.middle_inside / SETS, 100.0 * s.mean_inside / SETS);
}

int main(int argc, char **argv)
{
	for (size_t i = 0; i < sizeof(scenario) / sizeof(*scenario); i++) {
		struct rig_setup s = rig_healthy();
		if (argc > 1 && strstr(scenario[i].name, argv[1]) == NULL)
			continue;
		scenario[i].change(&s);
		run(scenario[i].name, &s);
	}
	if (argc < 2 || strcmp(argv[1], "delay") == 0) {
		delays(60, 200);
		delays(90, 110);
	}
	return EXIT_SUCCESS;
}
