/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/wheel_rig.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TWO_PI 6.283185307179586477
#define STEP_S 2e-4
#define T0_US 1000000

/* xorshift64* (Vigna 2014), so that a seed means the same everywhere */
static double uniform(uint64_t *s)
{
	*s ^= *s >> 12;
	*s ^= *s << 25;
	*s ^= *s >> 27;
	return (double)((*s * 2685821657736338717ull) >> 11) / 9007199254740992.0;
}

static double normal(uint64_t *s)
{
	double u = uniform(s), v = uniform(s);
	return sqrt(-2 * log(1 - u)) * cos(TWO_PI * v);
}

struct wheel_setup wheel_setup_plain(unsigned teeth, enum engine_edges edges, enum wheel_motion motion,
                                     unsigned seed)
{
	struct wheel_setup s = {.teeth = teeth,
	                        .edges = edges,
	                        .motion = motion,
	                        .rpm = 100,
	                        .rpm_to = 100,
	                        .seconds = 120,
	                        .duty = 0.45,
	                        .pitch_sd_deg = 0.2,
	                        .eccentric_deg = 0.2,
	                        .jitter_deg = 0.01,
	                        .missed = 0.05,
	                        .extra = 0.02,
	                        .index_deg = 14.5,
	                        .index_missed = 0.03,
	                        .index_extra = 0.01,
	                        .seed = seed};
	s.ripple_deg[1] = 1.0;
	s.ripple_deg[2] = 1.0;
	s.ripple_deg[3] = 0.1;
	s.ripple_deg[4] = 0.1;
	if (motion == WHEEL_SWEEP) {
		s.rpm = 60;
		s.rpm_to = 200;
	}
	return s;
}

/* Speed asked for at time t, rad/s: the ripple rides on it. */
static double wanted_omega(const struct wheel_setup *s, double t)
{
	double w = s->rpm * TWO_PI / 60, to = s->rpm_to * TWO_PI / 60, x = t / s->seconds;
	switch (s->motion) {
	case WHEEL_SWEEP:
		return w + (to - w) * (0.5 - 0.5 * cos(TWO_PI * 1.5 * x));
	case WHEEL_COAST:
		return w * (1 - 0.75 * x);
	case WHEEL_BACK: /* forward, a good while backward, forward again */
		return x < 0.4 ? w : x < 0.6 ? -0.6 * w : w;
	case WHEEL_TO_AND_FRO: { /* 20 s forward, 20 s back, speeds up and down within each */
		double in = fmod(t, 20), way = fmod(t, 40) < 20 ? 1 : -1;
		return way * w * (0.6 + 0.4 * sin(TWO_PI * in / 20 - 0.5));
	}
	case WHEEL_STOP_AND_GO:
		return x < 0.4 ? w : x < 0.5 ? 0 : w;
	default:
		return w;
	}
}

/* Rocking: a swing of a few teeth before the crank goes over. */
static double rocking_omega(const struct wheel_setup *s, double t)
{
	double w = s->rpm * TWO_PI / 60;
	if (t < 1)
		return 0;
	if (t < 2.2)
		return 1.2 * sin(TWO_PI * (t - 1) / 1.2);
	return t < 5 ? w * (t - 2.2) / 2.8 : w;
}

/* Torque of fixed size and order h gives an angle ripple falling with speed squared. */
static double ripple_alpha(const struct wheel_setup *s, double theta, double part)
{
	if (part >= s->turned_from && part < s->turned_to)
		theta += s->turned_rad;
	double w0 = 100 * TWO_PI / 60, a = 0;
	for (int h = 1; h < 7; h++)
		a += s->ripple_deg[h] * TWO_PI / 360 * h * h * w0 * w0 * sin(h * theta + 0.7 * h);
	return a;
}

static void integrate(struct wheel_rig *r, const struct wheel_setup *s, uint64_t *rng)
{
	r->step_s = STEP_S;
	r->theta_n = (size_t)(s->seconds / STEP_S) + 1;
	r->theta = malloc(r->theta_n * sizeof *r->theta);
	double theta = TWO_PI * uniform(rng), load = 0;
	double omega = s->motion == WHEEL_ROCKING_START ? 0 : wanted_omega(s, 0);
	for (size_t i = 0; i < r->theta_n; i++) {
		double t = (double)i * STEP_S;
		r->theta[i] = theta;
		bool driven = s->motion == WHEEL_ROCKING_START && t < 5;
		if (driven) {
			omega = rocking_omega(s, t);
			theta += omega * STEP_S;
			continue;
		}
		double want = wanted_omega(s, t);
		if (want == 0 && omega < 0.3) {
			omega = 0;
			continue;
		}
		/* a slow governor, a load that wanders, a torque that depends on the angle */
		load += STEP_S * (-0.5 * load) + 0.3 * sqrt(STEP_S) * normal(rng);
		double pull = want == 0 ? -3 : 2 * (want - omega);
		double on = want == 0 || s->motion == WHEEL_COAST ? 0.2 : 1;
		omega += STEP_S * (pull + load + on * ripple_alpha(s, theta, t / s->seconds));
		theta += omega * STEP_S;
	}
}

double wheel_rig_theta(const struct wheel_rig *r, double t_us)
{
	double x = 1e-6 * (t_us - T0_US) / r->step_s;
	if (x < 0 || x >= (double)(r->theta_n - 1))
		return NAN;
	size_t i = (size_t)x;
	return r->theta[i] + (x - (double)i) * (r->theta[i + 1] - r->theta[i]);
}

struct edge_list {
	struct ride_edge *e;
	size_t n, cap;
};

static void add_edge(struct edge_list *l, double t_us, unsigned level)
{
	if (l->n == l->cap) {
		l->cap = l->cap * 2 + 1024;
		l->e = realloc(l->e, l->cap * sizeof *l->e);
	}
	/* a 4 us tick */
	l->e[l->n++] = (struct ride_edge){4 * (int64_t)floor(t_us / 4), (uint8_t)level};
}

static int compare_edges(const void *a, const void *b)
{
	const struct ride_edge *x = a, *y = b;
	return (x->t_us > y->t_us) - (x->t_us < y->t_us);
}

static void place_errors(struct wheel_rig *r, const struct wheel_setup *s, uint64_t *rng)
{
	double phase = TWO_PI * uniform(rng);
	for (unsigned i = 0; i < 2 * s->teeth; i++) {
		double at = TWO_PI * (i / 2 + (i % 2 ? s->duty : 0)) / s->teeth;
		r->error_rad[i] =
		    TWO_PI / 360 * (s->pitch_sd_deg * normal(rng) + s->eccentric_deg * sin(at + phase));
	}
}

static double half_slot_angle(const struct wheel_rig *r, const struct wheel_setup *s, int64_t half)
{
	int64_t m = 2 * (int64_t)s->teeth, turn = (int64_t)floor((double)half / (double)m);
	unsigned i = (unsigned)(half - turn * m);
	return TWO_PI * (double)turn + TWO_PI * (i / 2 + (i % 2 ? s->duty : 0)) / s->teeth + r->error_rad[i];
}

static bool in_gap(const struct wheel_rig *r, double t_us)
{
	for (size_t i = 0; i < r->gap_n; i++)
		if (t_us > r->gap_s[i][0] && t_us < r->gap_s[i][1])
			return true;
	return false;
}

static void make_gaps(struct wheel_rig *r, const struct wheel_setup *s, uint64_t *rng)
{
	r->gap_n = s->dropouts;
	r->gap_s = calloc(s->dropouts + 1, sizeof *r->gap_s);
	for (size_t i = 0; i < r->gap_n; i++) {
		double from = T0_US + 1e6 * s->seconds * (0.1 + 0.8 * uniform(rng));
		r->gap_s[i][0] = from;
		r->gap_s[i][1] = from + 0.25e6;
	}
}

/* One true edge, with what may befall it. */
static void emit(struct wheel_rig *r, const struct wheel_setup *s, struct edge_list *l, double t_us,
                 unsigned level, uint64_t *rng)
{
	bool counts = s->edges == EDGES_BOTH || (level == 1) == (s->edges == EDGES_RISING);
	if (!counts && !s->all_levels)
		return;
	r->true_edges += counts;
	if (in_gap(r, t_us) || (counts && uniform(rng) < s->missed)) {
		r->missed += counts;
		return;
	}
	add_edge(l, t_us, level);
	if (counts && uniform(rng) < s->bounce) {
		add_edge(l, t_us + 100 + 1400 * uniform(rng), level);
		r->extra++;
	}
}

static void tooth_edges(struct wheel_rig *r, const struct wheel_setup *s, struct edge_list *l, uint64_t *rng)
{
	int64_t below = (int64_t)floor(r->theta[0] * s->teeth / TWO_PI) * 2 - 4;
	while (half_slot_angle(r, s, below + 1) <= r->theta[0])
		below++;
	double jitter = s->jitter_deg * TWO_PI / 360;
	for (size_t i = 0; i + 1 < r->theta_n; i++) {
		double a = r->theta[i], b = r->theta[i + 1];
		for (;;) {
			double up = half_slot_angle(r, s, below + 1), down = half_slot_angle(r, s, below);
			bool forward = b > up, back = b < down;
			if (!forward && !back)
				break;
			double at = forward ? up : down;
			int64_t half = forward ? below + 1 : below;
			double t_us = T0_US + 1e6 * r->step_s * ((double)i + (at - a) / (b - a));
			t_us += jitter * normal(rng) / fmax(fabs(b - a) / r->step_s, 0.3) * 1e6;
			unsigned level = ((half & 1) == 0) == forward;
			int64_t tooth = (half >> 1) % (int64_t)s->teeth;
			if (s->tooth_gone == 0 || (tooth + s->teeth) % s->teeth != s->tooth_gone)
				emit(r, s, l, t_us, level, rng);
			below += forward ? 1 : -1;
		}
	}
}

static void noise_edges(struct wheel_rig *r, const struct wheel_setup *s, struct edge_list *l, uint64_t *rng)
{
	size_t extras = (size_t)(s->extra * (double)r->true_edges);
	for (size_t i = 0; i < extras; i++) {
		unsigned level = s->edges == EDGES_BOTH ? uniform(rng) < 0.5 : s->edges == EDGES_RISING;
		add_edge(l, T0_US + 1e6 * s->seconds * uniform(rng), level);
	}
	for (unsigned i = 0; i < s->bursts; i++) {
		double from = T0_US + 1e6 * s->seconds * (0.1 + 0.8 * uniform(rng));
		for (unsigned j = 0; j < 10; j++)
			add_edge(l, from + 2e4 * uniform(rng),
			         s->edges == EDGES_BOTH ? j % 2 : s->edges == EDGES_RISING);
		extras += 10;
	}
	r->extra += extras;
}

static void close_switch(struct wheel_rig *r, const struct wheel_setup *s, struct edge_list *l, double t_us,
                         double omega, uint64_t *rng)
{
	if (uniform(rng) < s->index_missed) {
		r->index_missed++;
		return;
	}
	if (uniform(rng) < s->index_late)
		t_us += 1e6 * TWO_PI / 360 * (5 + 15 * uniform(rng)) / omega;
	double open_us = t_us + 1e6 * TWO_PI / 360 * 20 / omega;
	add_edge(l, t_us, 1);
	if (uniform(rng) < s->index_bounce) {
		add_edge(l, t_us + 400, 0);
		add_edge(l, t_us + 900, 1);
		r->index_bounces++;
	}
	add_edge(l, open_us, 0);
}

static void index_edges(struct wheel_rig *r, const struct wheel_setup *s, struct edge_list *l, uint64_t *rng)
{
	if (isnan(s->index_deg))
		return;
	double place = s->index_deg * TWO_PI / 360;
	for (size_t i = 0; i + 1 < r->theta_n; i++) {
		double a = (r->theta[i] - place) / TWO_PI, b = (r->theta[i + 1] - place) / TWO_PI;
		double opens = 20.0 / 360;
		if (floor(b - opens) < floor(a - opens)) {
			double omega = TWO_PI * (a - b) / r->step_s,
			       part = (a - opens - floor(a - opens)) / (a - b);
			close_switch(r, s, l, T0_US + 1e6 * r->step_s * ((double)i + part), fmax(omega, 0.5),
			             rng);
		}
		if (floor(b) > floor(a)) {
			double omega = TWO_PI * (b - a) / r->step_s, part = (floor(b) - a) / (b - a);
			close_switch(r, s, l, T0_US + 1e6 * r->step_s * ((double)i + part), fmax(omega, 0.5),
			             rng);
		}
	}
	double turns = (r->theta[r->theta_n - 1] - r->theta[0]) / TWO_PI;
	size_t extras = (size_t)(s->index_extra * turns + 0.5);
	for (size_t i = 0; i < extras; i++) {
		double t = T0_US + 1e6 * s->seconds * uniform(rng);
		add_edge(l, t, 1);
		add_edge(l, t + 9000, 0);
	}
	r->index_extra = extras;
}

/* The second pick-up sees a perfect wheel a quarter pitch later. */
static void second_edges(const struct wheel_rig *r, const struct wheel_setup *s, struct edge_list *l)
{
	bool level = false;
	for (size_t i = 0; s->quadrature && i < r->theta_n; i++) {
		double part = r->theta[i] * s->teeth / TWO_PI - 0.25;
		bool now = part - floor(part) < s->duty;
		if (i > 0 && now != level)
			add_edge(l, T0_US + 1e6 * r->step_s * ((double)i - 0.5), now);
		level = now;
	}
}

static void describe_engine(struct engine *e, const struct wheel_setup *s)
{
	*e = (struct engine){.name = "wheel rig",
	                     .mechanism = MECHANISM_OSCILLATING,
	                     .pivot_distance_m = 0.42,
	                     .rod_length_m = NAN,
	                     .offset_m = NAN,
	                     .crank_radius_m = 0.0625,
	                     .bore_m = 0.063,
	                     .rod_m = 0.02,
	                     .clearance_m3 = {18e-6, 21e-6},
	                     .ambient_pa = 101300,
	                     .air_k = 291,
	                     .tooth_count = s->teeth,
	                     .crank_ratio = 1,
	                     .edges = s->edges,
	                     .index_rad = s->index_deg * TWO_PI / 360};
}

struct wheel_rig *wheel_rig_new(const struct wheel_setup *s)
{
	struct wheel_rig *r = calloc(1, sizeof *r);
	uint64_t rng = 0x9e3779b97f4a7c15ull * (s->seed + 1);
	struct edge_list teeth = {0}, index = {0}, second = {0};
	describe_engine(&r->engine, s);
	place_errors(r, s, &rng);
	integrate(r, s, &rng);
	make_gaps(r, s, &rng);
	tooth_edges(r, s, &teeth, &rng);
	noise_edges(r, s, &teeth, &rng);
	index_edges(r, s, &index, &rng);
	second_edges(r, s, &second);
	qsort(teeth.e, teeth.n, sizeof *teeth.e, compare_edges);
	if (index.n > 0)
		qsort(index.e, index.n, sizeof *index.e, compare_edges);
	r->leg.tooth = teeth.e;
	r->leg.tooth_n = teeth.n;
	r->leg.tooth2 = second.e;
	r->leg.tooth2_n = second.n;
	r->leg.index = index.e;
	r->leg.index_n = index.n;
	r->leg.from_us = r->leg.core_from_us = T0_US;
	r->leg.to_us = T0_US + (int64_t)(1e6 * s->seconds);
	r->leg.core_to_us = r->leg.to_us + 1;
	return r;
}

void wheel_rig_free(struct wheel_rig *r)
{
	free(r->theta);
	free(r->gap_s);
	free(r->leg.tooth);
	free(r->leg.tooth2);
	free(r->leg.index);
	free(r);
}
