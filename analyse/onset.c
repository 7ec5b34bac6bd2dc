/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The forward model: pressures of a window for several sets of parameters
 * side by side.  One set alone would wait for each square root and division in
 * turn; ONSET_LANES of them share the waiting, and the inner loops vectorise. */
#include "analyse/onset.h"
#include "analyse/processor.h"
#include "common/air.h"

#include <math.h>
#include <string.h>

#define LANES ONSET_LANES

/* phi has an infinite slope at ratio 1; ISO 6358 models commonly run straight
 * into 0 from here on (laminar patch; value from memory).  A patch that begins earlier makes a wide passage
 * fill its chamber too slowly at last, which passes for a late movement. */
#define LAMINAR_RATIO 0.999

#define NEVER_S 10.0 /* as good as infinity for a movement */

struct lanes { /* one value a lane */
	double at[LANES];
};

struct gas { /* in the chamber */
	struct lanes p_pa;
	struct lanes m; /* mass x R Tw = p V Tw / T, J */
};

struct swing {                                   /* one passage's movement */
	struct lanes from_s, ramp_s, per_2_ramp; /* begins here */
	struct lanes bulge, per_bulge;           /* 1 + shape; 2/3 shape / ramp */
	struct lanes open_s;                     /* integral of the rising ramp up to the node at hand */
	double first_s, last_s;                  /* it begins and ends in the first and the last lane */
};

struct model { /* the parameters, ready for use */
	struct swing moving, other;
	struct lanes k_m3_s, other_k_m3_s, heat_w;
	struct lanes leak_w, leak_m3_s; /* inward, whatever the pressure; outward, by the pressure */
	double ambient2_pa2;            /* square of the ambient pressure */
	struct lanes b, per_1_b;        /* critical ratio, 1 / (1 - b) */
	struct lanes laminar_slope;     /* of phi from LAMINAR_RATIO on, < 0 */
	struct lanes lag_s;
	bool one_lag; /* the same in all lanes */
};

struct sums { /* of one lane, over the passages: flow, its slope by p, mass flow */
	double flow, slope, mass;
};

struct passage {                       /* one of the two, over one cell */
	struct lanes k_m3_s, outer_pa; /* K times area; pressure behind it */
	bool open;                     /* in any lane */
};

struct cell {
	double step_s, volume_m3, half; /* half: factor of the pressure by half the volume's change */
	double gain, heat; /* pressure by a flow over the step; share of it that the walls give */
};

/* max(2 x, 0) without a branch. */
static double twice_positive(double x)
{
	return x + fabs(x);
}

/* 1 for x >= 0, else 0, without a branch. */
static double above(double x)
{
	return 0.5 + copysign(0.5, x);
}

/* Flow of one passage in one lane, the chamber at p with the warmth t; outflow goes with the root of t, here
 * (1 + 3 t)/(3 + t): within 2 % for t = 0.4..2.5.  ISO 6358 flow function; choices are written as
 * arithmetic so that the lanes run abreast. */
static inline struct sums flow_of(const struct model *m, const struct passage *of, int l, double p, double t)
{
	double per = m->per_1_b.at[l], outer_pa = of->outer_pa.at[l], k = of->k_m3_s.at[l];
	double sum = p + outer_pa, apart = fabs(p - outer_pa), up = 0.5 * (sum + apart);
	double out = above(p - outer_pa), in = 1 - out;
	double r = (sum - apart) / (sum + apart); /* the lower over the higher */
	double x = twice_positive((r - m->b.at[l]) * (0.5 * per)), square = (1 + 1e-9) - x * x;
	double phi = sqrt(square), laminar = m->laminar_slope.at[l];
	double smooth = above(LAMINAR_RATIO - r), straight = 1 - smooth;
	double dphi = straight * laminar - smooth * (x * per / square) * phi; /* no wait for the root */
	phi = smooth * phi + straight * laminar * (r - 1);
	/* root(t) and root(t) / t over one denominator */
	double inverse = 1 / ((3 + t) * t), less = (1 + 3 * t) * inverse;
	double carry = in - out * less * t, flow = k * up * phi;
	return (struct sums){.flow = flow * carry,
	                     .slope = k * (in * dphi - out * carry * (r * dphi - phi)),
	                     .mass = flow * (in - out * less)};
}

/* Integral from -infinity of the rising ramp, c^2/(2 ramp) (1 + shape - 2/3 shape c/ramp) + what lies behind
 * it, without a branch. */
static void ramp_integral(const struct swing *restrict r, double t_s, struct lanes *restrict out)
{
	for (int l = 0; l < LANES; l++) {
		double into = twice_positive(0.5 * (t_s - r->from_s.at[l]));
		double behind = twice_positive(0.5 * (into - r->ramp_s.at[l]));
		double within = into - behind;
		double bulge = r->bulge.at[l] - r->per_bulge.at[l] * within;
		out->at[l] = within * within * r->per_2_ramp.at[l] * bulge + behind;
	}
}

/* The area where nothing moves. */
static void even_area(double area, struct lanes *restrict out)
{
	for (int l = 0; l < LANES; l++)
		out->at[l] = area;
}

/* Mean area over the cell that ends at to_s; the next cell goes on from there.  False when shut in all
 * lanes. */
static bool mean_area(struct swing *r, double to_s, double step_s, bool opening, struct lanes *restrict out)
{
	struct lanes then;
	double shut = opening ? 0 : 1, sign = (opening ? 1 : -1) / step_s;
	if (to_s <= r->first_s) { /* nothing moves yet in any lane */
		even_area(shut, out);
		return !opening;
	}
	ramp_integral(r, to_s, &then);
	for (int l = 0; l < LANES; l++)
		out->at[l] = shut + sign * (then.at[l] - r->open_s.at[l]);
	r->open_s = then;
	return opening || to_s - step_s < r->last_s;
}

/* exp(x) for the small volume changes of half a cell. */
static double exp_small(double x)
{
	return 1 + x * (1 + x / 2 * (1 + x / 3));
}

/* The passage that moves, in cell k, but for what lies behind it. */
static void moving_passage(const struct onset_window *w, struct model *m, size_t k, struct passage *out)
{
	double to = w->start_s + (double)(k + 1) * w->step_s;
	out->open = mean_area(&m->moving, to, w->step_s, w->opening, &out->k_m3_s);
	for (int l = 0; l < LANES; l++)
		out->k_m3_s.at[l] *= m->k_m3_s.at[l];
}

/* The same of the other passage. */
static void other_passage(const struct onset_window *w, struct model *m, size_t k, struct passage *out)
{
	double to = w->start_s + (double)(k + 1) * w->step_s;
	out->open = w->other.opening;
	even_area(w->other.opening, &out->k_m3_s);
	if (w->other.moves)
		out->open = mean_area(&m->other, to, w->step_s, w->other.opening, &out->k_m3_s);
	for (int l = 0; l < LANES; l++)
		out->k_m3_s.at[l] *= m->other_k_m3_s.at[l];
}

/* The supply's sensor is taken to lag as the chamber's does: what it shows a lag later. */
static double supply_later(const struct onset_window *w, size_t k, double lag_s)
{
	double at = (double)k + lag_s / w->step_s;
	size_t i = (size_t)at;
	if (i + 1 >= w->cells)
		return w->supply_pa[w->cells - 1];
	return w->supply_pa[i] + (at - (double)i) * (w->supply_pa[i + 1] - w->supply_pa[i]);
}

static void supply_now(const struct onset_window *w, size_t k, const struct model *m, struct lanes *out)
{
	double first = supply_later(w, k, m->lag_s.at[0]);
	for (int l = 0; l < LANES; l++)
		out->at[l] = m->one_lag ? first : supply_later(w, k, m->lag_s.at[l]);
}

static inline struct sums both(struct sums a, struct sums b)
{
	return (struct sums){a.flow + b.flow, a.slope + b.slope, a.mass + b.mass};
}

/* All lanes over one cell: half the volume change, flows and wall heat, the other half.  The flows take an
 * exponential step about the linearised flow, (1 - e^-x)/x as (6 + x)/(6 + 4 x + x^2), which neither
 * oscillates nor creeps where the flow stiffens near equilibrium.  One loop, so that nothing but the gas
 * goes to memory and back. */
static inline __attribute__((always_inline)) void step_lanes(const struct model *restrict m,
                                                             const struct cell *restrict c,
                                                             const struct passage *restrict of, bool first,
                                                             bool second, struct gas *restrict g)
{
	for (int l = 0; l < LANES; l++) {
		double p = g->p_pa.at[l] * c->half, warm = p * c->volume_m3 / g->m.at[l], damped = 1;
		double leak = m->leak_w.at[l] - m->leak_m3_s.at[l] * (p - m->ambient2_pa2 / p);
		struct sums s = {.flow = leak, .mass = leak};
		if (first)
			s = both(s, flow_of(m, &of[0], l, p, warm));
		if (second)
			s = both(s, flow_of(m, &of[1], l, p, warm));
		if (first || second) {
			double stiff = twice_positive(-0.5 * c->gain * s.slope);
			damped = (6 + stiff) / (6 + (4 + stiff) * stiff);
		}
		p += c->gain * s.flow * damped;
		p += c->heat * m->heat_w.at[l] * (1 - warm);
		g->p_pa.at[l] = p * c->half;
		g->m.at[l] += c->step_s * s.mass * damped;
	}
}

static struct cell cell_of(const struct onset_window *w, size_t k)
{
	double volume = w->volume_m3[k], walls = w->wall + w->wall_per_m3 * volume;
	return (struct cell){.step_s = w->step_s,
	                     .volume_m3 = volume,
	                     .half = exp_small(AIR_GAMMA / 2 * (w->log_volume[k] - w->log_volume[k + 1])),
	                     .gain = AIR_GAMMA * w->step_s / volume,
	                     .heat = w->step_s * (AIR_GAMMA - 1) / volume * walls};
}

static void advance(const struct onset_window *w, size_t k, struct model *m, struct gas *g)
{
	struct passage of[2]; /* the one that moves, the other */
	struct cell c = cell_of(w, k);
	bool exhaust = w->passage == ONSET_EXHAUST;
	supply_now(w, k, m, &of[exhaust].outer_pa);
	for (int l = 0; l < LANES; l++)
		of[!exhaust].outer_pa.at[l] = w->ambient_pa;
	moving_passage(w, m, k, &of[0]);
	other_passage(w, m, k, &of[1]);
	if (of[0].open && of[1].open)
		step_lanes(m, &c, of, true, true, g);
	else if (of[0].open)
		step_lanes(m, &c, of, true, false, g);
	else if (of[1].open)
		step_lanes(m, &c, of, false, true, g);
	else
		step_lanes(m, &c, of, false, false, g);
}

struct lag { /* exact for a pressure that runs straight over a cell */
	struct lanes keep, follow, ramp;
	struct lanes q_pa;
};

static void set_lag(double lag_s, double step_s, int l, struct lag *out)
{
	bool none = !(lag_s > 0);
	double keep = none ? 0 : exp(-step_s / lag_s);
	out->keep.at[l] = keep;
	out->follow.at[l] = 1 - keep;
	out->ramp.at[l] = none ? 1 : 1 - lag_s / step_s * (1 - keep);
}

static void lag_step(struct lag *restrict l, const struct lanes *restrict p,
                     const struct lanes *restrict next)
{
	for (int i = 0; i < LANES; i++)
		l->q_pa.at[i] = l->keep.at[i] * l->q_pa.at[i] + l->follow.at[i] * p->at[i] +
		                l->ramp.at[i] * (next->at[i] - p->at[i]);
}

/* Samples inside cell k, straight between its two nodes. */
static size_t sample_cell(const struct onset_window *w, size_t k, size_t i, const struct lanes *q,
                          const struct lanes *next, size_t lanes, double (*out)[ONSET_SAMPLES_MAX])
{
	double from = w->start_s + (double)k * w->step_s;
	double to = k + 1 == w->cells ? INFINITY : from + w->step_s;
	for (; i < w->n && w->t_s[i] < to; i++) {
		double into = (w->t_s[i] - from) / w->step_s;
		struct lanes now;
		for (int l = 0; l < LANES; l++)
			now.at[l] = q->at[l] + (next->at[l] - q->at[l]) * into;
		for (size_t l = 0; l < lanes; l++)
			out[l][i] = now.at[l];
	}
	return i;
}

/* Where in its ramp, 0..1, a rising area is half: x + shape x (1 - x) = 1/2. */
static double half_way(double shape)
{
	double b = 1 + shape;
	return 1 / (b + sqrt(b * b - 2 * shape));
}

/* A closing runs backward through the same lifts: turned upside down it rises with the shape's sign turned.
 */
static void set_swing(double t50_s, double ramp_s, double shape, bool opening, int l, struct swing *r)
{
	double rising = opening ? shape : -shape;
	double middle_s = t50_s > NEVER_S ? NEVER_S : t50_s < -NEVER_S ? -NEVER_S : t50_s;
	double from_s = middle_s - half_way(rising) * ramp_s, to_s = from_s + ramp_s;
	r->from_s.at[l] = from_s;
	r->ramp_s.at[l] = ramp_s;
	r->per_2_ramp.at[l] = 1 / (2 * ramp_s);
	r->bulge.at[l] = 1 + rising;
	r->per_bulge.at[l] = 2.0 / 3 * rising / ramp_s;
	r->first_s = l == 0 || from_s < r->first_s ? from_s : r->first_s;
	r->last_s = l == 0 || to_s > r->last_s ? to_s : r->last_s;
}

/* Mostly it is none, and this stands in the way of every fit. */
static double factor(double log_factor)
{
	return log_factor == 0 ? 1 : exp(log_factor);
}

/* Lanes beyond the number wanted repeat the first. */
static void set_lane(const double *value, const struct onset_window *w, int l, struct model *m, struct gas *g)
{
	double b = value[ONSET_B], per = 1 / (1 - b), x = (LAMINAR_RATIO - b) * per;
	set_swing(value[ONSET_T50], exp(value[ONSET_RAMP]), value[ONSET_SHAPE], w->opening, l, &m->moving);
	if (w->other.moves)
		set_swing(w->other.t50_s + value[ONSET_OTHER],
		          w->other.ramp_s * factor(value[ONSET_OTHER_RAMP]), w->other.shape, w->other.opening,
		          l, &m->other);
	m->other_k_m3_s.at[l] = w->other.k_m3_s * factor(value[ONSET_OTHER_K]);
	m->k_m3_s.at[l] = exp(value[ONSET_K]);
	m->heat_w.at[l] = exp(value[ONSET_HEAT]);
	m->leak_w.at[l] = fmax(value[ONSET_LEAK], 0) * m->k_m3_s.at[l] * w->supply_pa[0];
	m->leak_m3_s.at[l] = fmax(-value[ONSET_LEAK], 0) * m->k_m3_s.at[l];
	m->ambient2_pa2 = w->ambient_pa * w->ambient_pa;
	m->b.at[l] = b;
	m->per_1_b.at[l] = per;
	m->laminar_slope.at[l] = -sqrt(1 - x * x) / (1 - LAMINAR_RATIO);
	m->lag_s.at[l] = fmax(value[ONSET_LAG], 0);
	m->one_lag = (l == 0 || m->one_lag) && m->lag_s.at[l] == m->lag_s.at[0];
	g->p_pa.at[l] = exp(value[ONSET_P0]);
	g->m.at[l] = exp(value[ONSET_P0] + w->log_volume[0] - value[ONSET_WARM0] -
	                 value[ONSET_WARM_SPEED] * w->log_speed);
}

/* What the gauge makes of it. */
static void show(const struct onset_window *w, const double *value, double *out)
{
	for (size_t i = 0; i < w->n; i++)
		out[i] += value[ONSET_GAIN] * (out[i] - w->ambient_pa) + value[ONSET_ZERO];
}

static inline void predict(const struct onset_window *w, const double (*value)[ONSET_PARAMETERS],
                           size_t lanes, double (*out)[ONSET_SAMPLES_MAX])
{
	struct model m;
	struct gas g;
	struct lag lag;
	size_t i = 0;
	for (int l = 0; l < LANES; l++) {
		set_lane(value[(size_t)l < lanes ? l : 0], w, l, &m, &g);
		set_lag(m.lag_s.at[l], w->step_s, l, &lag);
	}
	ramp_integral(&m.moving, w->start_s, &m.moving.open_s);
	if (w->other.moves)
		ramp_integral(&m.other, w->start_s, &m.other.open_s);
	for (size_t k = 0; k < w->cells; k++) {
		struct lanes p = g.p_pa;
		advance(w, k, &m, &g);
		for (int l = 0; l < LANES && k == 0; l++) /* as if it had run on like this before */
			lag.q_pa.at[l] = p.at[l] - m.lag_s.at[l] * (g.p_pa.at[l] - p.at[l]) / w->step_s;
		struct lanes q = lag.q_pa;
		lag_step(&lag, &p, &g.p_pa);
		i = sample_cell(w, k, i, &q, &lag.q_pa, lanes, out);
	}
	for (size_t l = 0; l < lanes; l++)
		show(w, value[l], out[l]);
}

#ifdef __x86_64__
/* The lanes four abreast, where the processor can: the same numbers, as each lane is reckoned alike. */
__attribute__((target("avx2"), flatten)) static void predict_wide(const struct onset_window *w,
                                                                  const double (*value)[ONSET_PARAMETERS],
                                                                  size_t lanes,
                                                                  double (*out)[ONSET_SAMPLES_MAX])
{
	predict(w, value, lanes, out);
}

/* All eight. */
__attribute__((target(PROCESSOR_WIDEST), flatten)) static void
predict_widest(const struct onset_window *w, const double (*value)[ONSET_PARAMETERS], size_t lanes,
               double (*out)[ONSET_SAMPLES_MAX])
{
	predict(w, value, lanes, out);
}
#else
#define predict_wide predict
#define predict_widest predict
#endif

void onset_predict(const struct onset_window *w, const double (*value)[ONSET_PARAMETERS], size_t lanes,
                   double (*out)[ONSET_SAMPLES_MAX])
{
	if (processor_is_widest())
		predict_widest(w, value, lanes, out);
	else if (processor_is_wide())
		predict_wide(w, value, lanes, out);
	else
		predict(w, value, lanes, out);
}

double onset_start(const struct onset_window *w, double until_s)
{
	double sum = 0;
	size_t n = 0;
	for (; n < w->n && n < 6 && (n == 0 || w->t_s[n] < until_s); n++)
		sum += w->p_pa[n];
	return n ? log(fmax(sum / (double)n, 1000)) : NAN;
}
