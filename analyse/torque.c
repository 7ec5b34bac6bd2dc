/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/torque.h"

#include <math.h>

#define STEP_S 2e-3 /* longest step of the integration */
#define STEPS_MAX 64
#define HOLE_US 50000 /* samples farther apart are a hole */
#define ORDERS_ASSUMED 6
#define ARM_STEP 1e-4

enum measured_column {                 /* order of the columns */
	               COLUMN_VISCOUS, /* of either kind */
	               COLUMN_GAS,
	               COLUMN_GAS_RATE,
	               COLUMN_FRICTION,
	               COLUMN_COS,
	               COLUMN_SIN,
	               COLUMN_PISTON,
	               COLUMNS_MEASURED
};

/* Factors by order of size: J from 0.01 kg m2 on; gauges lag a few ms;
 * friction a few per cent of the gas force; half a kilogram out of balance; a
 * piston of a kilogram or two.  All but the first are in parts of 1/J, see scale(). */
#define PRIOR_INVERSE_J 100.0
#define PRIOR_LAG_S 3e-3
#define PRIOR_FRICTION 0.1 /* of the area */
#define PRIOR_UNBALANCE_KG 0.3
#define PRIOR_PISTON_KG 1.0
#define TYPICAL_INVERSE_J 1.0
#define PRIOR_VISCOUS 1.0  /* 1/s */
#define PRIOR_ASSUMED 40.0 /* rad/s2 */

static void set_priors(struct torque *t, double inverse_j)
{
	double *sd = t->prior_sd;
	sd[COLUMN_VISCOUS] = PRIOR_VISCOUS;
	if (t->kind != TORQUE_MEASURED) {
		for (unsigned i = COLUMN_VISCOUS + 1; i < t->columns; i++)
			sd[i] = PRIOR_ASSUMED;
		return;
	}
	sd[COLUMN_GAS] = PRIOR_INVERSE_J;
	sd[COLUMN_GAS_RATE] = PRIOR_LAG_S * inverse_j;
	sd[COLUMN_FRICTION] = PRIOR_FRICTION * inverse_j;
	sd[COLUMN_COS] = sd[COLUMN_SIN] = PRIOR_UNBALANCE_KG * 9.81 * t->mech.r_m * inverse_j;
	sd[COLUMN_PISTON] = PRIOR_PISTON_KG * inverse_j;
}

void torque_scale(struct torque *t, const double *factor, const double *factor_sd)
{
	if (t->kind == TORQUE_MEASURED)
		set_priors(t, fmin(fabs(factor[COLUMN_GAS]) + 2 * factor_sd[COLUMN_GAS], PRIOR_INVERSE_J));
}

double torque_assumed_order(const struct torque *t, const double *factor, unsigned order)
{
	return 2 * order < t->columns ? hypot(factor[2 * order - 1], factor[2 * order]) : 0;
}

struct torque torque_of(const struct engine *e, bool angle_known)
{
	struct torque t = {.kind = TORQUE_ASSUMED,
	                   .mech = mech_of(e),
	                   .ambient_pa = e->ambient_pa,
	                   .cap = engine_sensor_channel(e, SENSOR_CAP),
	                   .rod = engine_sensor_channel(e, SENSOR_ROD),
	                   .supply = engine_sensor_channel(e, SENSOR_SUPPLY),
	                   .columns = 1 + 2 * ORDERS_ASSUMED};
	bool single = isnan(t.mech.clearance_m3[END_ROD]) || isnan(t.mech.area_m2[END_ROD]);
	if (angle_known && t.cap >= 0 && (t.rod >= 0 || single)) {
		t.kind = TORQUE_MEASURED;
		t.columns = COLUMNS_MEASURED;
	}
	set_priors(&t, TYPICAL_INVERSE_J);
	return t;
}

struct torque torque_even(void)
{
	struct torque t = {.kind = TORQUE_EVEN, .cap = -1, .rod = -1, .supply = -1, .columns = 1};
	set_priors(&t, TYPICAL_INVERSE_J);
	return t;
}

/* A series read at rising times. */
struct reader {
	const struct ride_series *s;
	size_t at;
};

static double read_at(struct reader *r, double t_us, double *rate_s)
{
	const struct ride_series *s = r->s;
	while (r->at + 1 < s->n && (double)s->t_us[r->at + 1] <= t_us)
		r->at++;
	if (r->at + 1 >= s->n || (double)s->t_us[r->at] > t_us)
		return NAN;
	double t0 = (double)s->t_us[r->at], t1 = (double)s->t_us[r->at + 1];
	if (t1 - t0 > HOLE_US)
		return NAN;
	double v0 = (double)s->value[r->at], v1 = (double)s->value[r->at + 1];
	*rate_s = 1e6 * (v1 - v0) / (t1 - t0);
	return v0 + (v1 - v0) * (t_us - t0) / (t1 - t0);
}

static struct reader reader_at(const struct leg *leg, int channel, int64_t from_us)
{
	struct reader r = {&leg->sensor[channel < 0 ? 0 : channel], 0};
	r.at = ride_lower_bound(r.s->t_us, r.s->n, from_us);
	r.at -= r.at > 0;
	return r;
}

struct gas { /* both chambers' gauges */
	struct reader cap, rod;
	bool has_rod;
};

static void measured(const struct torque *t, struct gas *g, double t_us, double theta, double omega,
                     double *u)
{
	const struct mech *m = &t->mech;
	double arm = mech_arm_m(m, theta), rate = 0, rod_rate = 0;
	double force = m->area_m2[END_CAP] * (read_at(&g->cap, t_us, &rate) - t->ambient_pa);
	double force_rate = m->area_m2[END_CAP] * rate;
	if (g->has_rod) {
		force -= m->area_m2[END_ROD] * (read_at(&g->rod, t_us, &rod_rate) - t->ambient_pa);
		force_rate -= m->area_m2[END_ROD] * rod_rate;
	}
	double bend = (mech_arm_m(m, theta + ARM_STEP) - mech_arm_m(m, theta - ARM_STEP)) / (2 * ARM_STEP);
	u[COLUMN_GAS] = force * arm;
	u[COLUMN_GAS_RATE] = force_rate * arm;
	u[COLUMN_FRICTION] = -fabs(force) * fabs(arm);
	u[COLUMN_COS] = cos(theta);
	u[COLUMN_SIN] = sin(theta);
	u[COLUMN_PISTON] = -arm * bend * omega * omega;
}

static void assumed(double theta, double *u)
{
	for (unsigned h = 1; h <= ORDERS_ASSUMED; h++) {
		u[2 * h - 1] = cos(h * theta);
		u[2 * h] = sin(h * theta);
	}
}

struct stretch { /* between two edges */
	double from_us, dt_s;
	struct torque_turn from, to;
};

static bool push_over(const struct torque *t, struct gas *g, const struct stretch *s,
                      struct torque_push *push)
{
	double u[TORQUE_MAX];
	unsigned steps = (unsigned)fmin(fmax(ceil(s->dt_s / STEP_S), 2), STEPS_MAX);
	double h = s->dt_s / steps, rise = s->to.theta_rad - s->from.theta_rad;
	for (unsigned c = 0; c < t->columns; c++)
		push[c] = (struct torque_push){0, 0, 0};
	for (unsigned j = 0; j < steps; j++) {
		double part = (j + 0.5) / steps, theta = s->from.theta_rad + part * rise;
		double omega = s->from.omega_rad_s + part * (s->to.omega_rad_s - s->from.omega_rad_s);
		if (t->kind == TORQUE_MEASURED)
			measured(t, g, s->from_us + 1e6 * part * s->dt_s, theta, omega, u);
		else if (t->kind == TORQUE_ASSUMED)
			assumed(theta, u);
		u[COLUMN_VISCOUS] = -omega;
		for (unsigned c = 0; c < t->columns; c++) {
			push[c].rad_s += h * u[c];
			push[c].rad += h * u[c] * (1 - part) * s->dt_s;
		}
	}
	return t->kind != TORQUE_MEASURED || !isnan(push[COLUMN_GAS].rad);
}

struct window { /* a turn of marks */
	size_t from, to;
};

static struct window turn_about(const struct tooth_mark *mark, size_t n, size_t i, int64_t slots,
                                struct window w)
{
	int64_t first = mark[i].slot - slots / 2, latest = mark[n - 1].slot - slots;
	first = first < latest ? first : latest;
	while (w.from + 1 < n && mark[w.from].slot < first)
		w.from++;
	while (w.to + 1 < n && mark[w.to].slot < mark[w.from].slot + slots)
		w.to++;
	return w;
}

/* The mean over a turn is taken out of every column: how torque and load
 * balance in the mean says nothing of the wheel, and the load is not known. */
static void take_mean_out(unsigned columns, const struct tooth_mark *mark, size_t n, int64_t slots,
                          struct torque_push *push)
{
	for (unsigned c = 0; c < columns; c++) {
		const struct torque_push *last = &push[(n - 2) * columns + c];
		double end = last->sum_rad_s + last->rad_s;
		struct window w = {0, 0};
		for (size_t i = 0; i + 1 < n; i++) {
			w = turn_about(mark, n, i, slots, w);
			double to = w.to + 1 < n ? push[w.to * columns + c].sum_rad_s : end;
			double mean = (to - push[w.from * columns + c].sum_rad_s) /
			              (1e-6 * (double)(mark[w.to].t_us - mark[w.from].t_us));
			double dt = 1e-6 * (double)(mark[i + 1].t_us - mark[i].t_us);
			push[i * columns + c].rad_s -= mean * dt;
			push[i * columns + c].rad -= 0.5 * mean * dt * dt;
		}
	}
}

bool torque_pushes(const struct torque *t, const struct leg *leg, const struct tooth_mark *mark,
                   const struct torque_turn *turn, size_t n, unsigned slots, struct torque_push *push)
{
	struct gas g = {.has_rod = t->rod >= 0};
	g.cap = reader_at(leg, t->cap, mark[0].t_us);
	g.rod = reader_at(leg, t->rod, mark[0].t_us);
	for (size_t i = 0; i + 1 < n; i++) {
		struct stretch s = {(double)mark[i].t_us, 1e-6 * (double)(mark[i + 1].t_us - mark[i].t_us),
		                    turn[i], turn[i + 1]};
		if (!push_over(t, &g, &s, push + i * t->columns))
			return false;
		for (unsigned c = 0; i > 0 && c < t->columns; c++) {
			const struct torque_push *before = &push[(i - 1) * t->columns + c];
			push[i * t->columns + c].sum_rad_s = before->sum_rad_s + before->rad_s;
		}
	}
	if (n >= 2)
		take_mean_out(t->columns, mark, n, (int64_t)slots, push);
	return true;
}
