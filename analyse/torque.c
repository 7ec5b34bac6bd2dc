/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/torque.h"

#include "analyse/crank_motion.h"
#include "analyse/spd.h"

#include <math.h>
#include <string.h>

#define STEP_S 1e-3 /* longest step of the integration */
#define STEPS_MAX 64
#define HOLE_US 50000 /* samples farther apart are a hole */
#define ORDERS_ASSUMED 6
#define ORDERS_CHANGING 4 /* the lower ones, for which the wheel may be taken */
#define FIRST_CHANGING (1 + 2 * ORDERS_ASSUMED)
#define CHANGE_FIRST 0.1 /* part of the torque; until the ride has told */
#define CHANGE_LEAST 1e-6
#define ARM_STEP 1e-4

enum measured_column {              /* order of the columns */
	               COLUMN_DRAG, /* of either kind */
	               COLUMN_GAS,
	               COLUMN_GAS_RATE,
	               COLUMN_PLACE,
	               COLUMN_ZERO,
	               COLUMN_ROD,
	               COLUMN_FRICTION,
	               COLUMN_BEARING,
	               COLUMN_PACKING,
	               COLUMN_COS,
	               COLUMN_SIN,
	               COLUMN_PISTON,
	               COLUMNS_MEASURED,
	               COLUMN_WIND = COLUMNS_MEASURED
};

/* Factors by order of size: J from 0.01 kg m2 on; gauges lag a few ms;
 * friction a few per cent of the gas force, at the bearings on an arm of a few
 * millimetres; packings as tight as half a bar; half a kilogram out of balance; a
 * piston of a kilogram or two; the index is a degree or two off, a gauge 0.2 bar,
 * and one against the other a few per cent.  All but the first are in parts of 1/J, see scale(). */
#define PRIOR_INVERSE_J 100.0
#define PRIOR_LAG_S 3e-3
#define PRIOR_PLACE_RAD 0.03
#define PRIOR_ZERO_PA 2e4
#define PRIOR_GAIN 0.03
#define PRIOR_FRICTION 0.1 /* of the area */
#define PRIOR_BEARING_M 2e-3
#define PRIOR_PACKING_PA 5e4
#define PRIOR_UNBALANCE_KG 0.3
#define PRIOR_PISTON_KG 0.5
#define PRIOR_PISTON_KG_M3 8000.0 /* and as much steel as it sweeps */
#define PRIOR_WIND_RAD 0.01       /* a chain gives a few tenths of a degree ... */
#define PRIOR_WIND_PA 5e5         /* ... under the torque of that pressure at right angles */
#define TYPICAL_INVERSE_J 1.0
#define PRIOR_DRAG_MEASURED 30.0 /* 1/s: a brake that holds the speed */
#define PRIOR_DRAG_ASSUMED 10.0
#define PRIOR_ASSUMED 400.0 /* rad/s2 */

/* Root sum of squares of an assumed torque's orders, rad/s2; the prior's until found. */
static double assumed_size(const struct torque *t)
{
	double sum = 0;
	for (unsigned i = COLUMN_DRAG + 1; i < FIRST_CHANGING && i < t->columns; i++)
		sum += t->factor[i] * t->factor[i];
	return t->found ? fmax(sqrt(sum), 1e-3) : PRIOR_ASSUMED;
}

static void set_priors(struct torque *t, double inverse_j)
{
	double *sd = t->prior_sd;
	sd[COLUMN_DRAG] = t->kind == TORQUE_MEASURED ? PRIOR_DRAG_MEASURED : PRIOR_DRAG_ASSUMED;
	if (t->kind != TORQUE_MEASURED) {
		double size = assumed_size(t);
		for (unsigned i = COLUMN_DRAG + 1; i < t->columns; i++)
			sd[i] =
			    i < FIRST_CHANGING ? PRIOR_ASSUMED : size * fmax(t->change_part, CHANGE_LEAST);
		return;
	}
	sd[COLUMN_GAS] = PRIOR_INVERSE_J;
	sd[COLUMN_GAS_RATE] = PRIOR_LAG_S * inverse_j;
	sd[COLUMN_PLACE] = PRIOR_PLACE_RAD * inverse_j;
	sd[COLUMN_ZERO] = PRIOR_ZERO_PA * t->mech.area_m2[END_CAP] * inverse_j;
	sd[COLUMN_ROD] = PRIOR_GAIN * inverse_j;
	sd[COLUMN_FRICTION] = PRIOR_FRICTION * inverse_j;
	sd[COLUMN_BEARING] = PRIOR_BEARING_M * inverse_j;
	sd[COLUMN_PACKING] = PRIOR_PACKING_PA * t->mech.area_m2[END_CAP] * inverse_j;
	sd[COLUMN_COS] = sd[COLUMN_SIN] = PRIOR_UNBALANCE_KG * 9.81 * t->mech.r_m * inverse_j;
	double swept_m3 = 2 * t->mech.r_m * t->mech.area_m2[END_CAP];
	sd[COLUMN_PISTON] = (PRIOR_PISTON_KG + PRIOR_PISTON_KG_M3 * swept_m3) * inverse_j;
	if (t->winds)
		sd[COLUMN_WIND] = t->wind_prior_rad_nm;
}

void torque_found(struct torque *t, const double *factor, const double *factor_sd)
{
	t->found = true;
	memcpy(t->factor, factor, t->columns * sizeof *factor);
	if (t->kind == TORQUE_MEASURED)
		t->inverse_j = fmin(fabs(factor[COLUMN_GAS]) + 2 * factor_sd[COLUMN_GAS], PRIOR_INVERSE_J);
	if (t->kind != TORQUE_EVEN)
		set_priors(t, t->inverse_j);
}

struct torque torque_of(const struct engine *e, bool angle_known)
{
	struct torque t = {.kind = TORQUE_ASSUMED,
	                   .mech = mech_of(e),
	                   .ambient_pa = e->ambient_pa,
	                   .cap = engine_sensor_channel(e, SENSOR_CAP),
	                   .rod = engine_sensor_channel(e, SENSOR_ROD),
	                   .supply = engine_sensor_channel(e, SENSOR_SUPPLY),
	                   .columns = FIRST_CHANGING + 2 * ORDERS_CHANGING,
	                   .change_part = CHANGE_FIRST,
	                   .inverse_j = TYPICAL_INVERSE_J};
	bool single = isnan(t.mech.clearance_m3[END_ROD]) || isnan(t.mech.area_m2[END_ROD]);
	if (angle_known && t.cap >= 0 && (t.rod >= 0 || single)) {
		t.kind = TORQUE_MEASURED;
		t.winds = e->wind_up;
		t.columns = COLUMNS_MEASURED + t.winds;
		t.wind_nm = PRIOR_WIND_PA * t.mech.area_m2[END_CAP] * t.mech.r_m;
		t.wind_prior_rad_nm = PRIOR_WIND_RAD / t.wind_nm;
	}
	set_priors(&t, TYPICAL_INVERSE_J);
	return t;
}

void torque_may_change(struct torque *t, double part)
{
	t->change_part = part;
	set_priors(t, TYPICAL_INVERSE_J);
}

bool torque_follow_supply(struct torque *t, const struct leg *leg)
{
	const struct ride_series *s = &leg->sensor[t->supply < 0 ? 0 : t->supply];
	double sum = 0;
	for (size_t i = 0; i < s->n; i++)
		sum += fmax((double)s->value[i] - t->ambient_pa, 0);
	t->by_supply = t->kind == TORQUE_ASSUMED && t->supply >= 0 && sum > 0;
	t->supply_pa = t->by_supply ? sum / (double)s->n : NAN;
	return t->by_supply;
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

#define EVEN 4 /* coefficients: a cube of the time */

/* Least squares over a row, for what goes slowly there. */
struct even {
	double normal[EVEN * SPD_MAX], right[EVEN]; /* while it is gathered */
	double coefficient[EVEN], middle_s, half_s;
};

struct gas { /* what the gauges say */
	struct reader cap, rod, supply;
	struct even even; /* speed of the row; time from its first mark */
	double from_us;
	double change; /* speed of the row over the pivot, less 1 */
	double nm;     /* torque at the mark before */
	bool has_rod;
};

static double arm_bend_m(const struct mech *m, double theta)
{
	return (mech_arm_m(m, theta + ARM_STEP) - mech_arm_m(m, theta - ARM_STEP)) / (2 * ARM_STEP);
}

static void even_add(struct even *e, double t_s, double weight, double value)
{
	double at = (t_s - e->middle_s) / e->half_s, power[EVEN] = {1};
	for (int i = 1; i < EVEN; i++)
		power[i] = power[i - 1] * at;
	for (int i = 0; i < EVEN; i++) {
		e->right[i] += weight * power[i] * value;
		for (int j = 0; j < EVEN; j++)
			e->normal[i * SPD_MAX + j] += weight * power[i] * power[j];
	}
}

static double even_at(const struct even *e, double t_s)
{
	double at = (t_s - e->middle_s) / e->half_s;
	return e->coefficient[0] +
	       at * (e->coefficient[1] + at * (e->coefficient[2] + at * e->coefficient[3]));
}

/* How fast it grows, per s. */
static double even_rise(const struct even *e, double t_s)
{
	double at = (t_s - e->middle_s) / e->half_s;
	return (e->coefficient[1] + at * (2 * e->coefficient[2] + 3 * at * e->coefficient[3])) / e->half_s;
}

/* Force on the piston towards the rod end; of the rod end's share; how fast they grow. */
struct gas_force {
	double n, rod_n, n_s;
};

static struct gas_force gas_force(const struct torque *t, struct gas *g, double t_us)
{
	double rate = 0, rod_rate = 0;
	const double *area = t->mech.area_m2;
	struct gas_force f = {.n = area[END_CAP] * (read_at(&g->cap, t_us, &rate) - t->ambient_pa)};
	f.n_s = area[END_CAP] * rate;
	if (g->has_rod) {
		f.rod_n = area[END_ROD] * (read_at(&g->rod, t_us, &rod_rate) - t->ambient_pa);
		f.n -= f.rod_n;
		f.n_s -= area[END_ROD] * rod_rate;
	}
	return f;
}

/* The piston's inertia goes by the row's speed as it rises or falls on the whole: the
 * speed as seen at each edge has the edges' scatter in it, which would then stand on both
 * sides and pull, as hard as the column has little to say that the wheel's second order
 * does not. */
static void measured(const struct torque *t, struct gas *g, double t_us, double theta, double *u)
{
	const struct mech *m = &t->mech;
	double arm = mech_arm_m(m, theta), bend = arm_bend_m(m, theta);
	struct gas_force f = gas_force(t, g, t_us);
	u[COLUMN_GAS] = f.n * arm;
	u[COLUMN_GAS_RATE] = f.n_s * arm;
	u[COLUMN_PLACE] = f.n * bend;
	u[COLUMN_ZERO] = arm;
	u[COLUMN_ROD] = -f.rod_n * arm;
	u[COLUMN_FRICTION] = -fabs(f.n) * fabs(arm);
	u[COLUMN_BEARING] = -fabs(f.n);
	u[COLUMN_PACKING] = -fabs(arm);
	u[COLUMN_COS] = cos(theta);
	u[COLUMN_SIN] = sin(theta);
	double even = even_at(&g->even, 1e-6 * (t_us - g->from_us));
	u[COLUMN_PISTON] = -arm * bend * even * even;
	if (t->winds)
		u[COLUMN_WIND] = 0; /* moves the wheel, not what it is driven by: see wind_on */
}

static void assumed(const struct torque *t, struct gas *g, double t_us, double theta, double *u)
{
	double rate, part = 1;
	if (t->by_supply)
		part = fmax(read_at(&g->supply, t_us, &rate) - t->ambient_pa, 0) / t->supply_pa;
	for (unsigned h = 1; h <= ORDERS_ASSUMED; h++) {
		u[2 * h - 1] = part * cos(h * theta);
		u[2 * h] = part * sin(h * theta);
	}
	for (unsigned c = FIRST_CHANGING; c < t->columns; c++)
		u[c] = g->change * u[c - FIRST_CHANGING + 1];
}

struct stretch { /* between two edges */
	double from_us, dt_s;
	struct torque_turn from, to;
};

static double gas_nm(const struct torque *t, struct gas *g, double t_us, double theta)
{
	return gas_force(t, g, t_us).n * mech_arm_m(&t->mech, theta);
}

/* The wheel falls back by as much as the torque has grown since the mark before. */
static void wind_on(const struct torque *t, struct gas *g, const struct stretch *s, struct torque_push *push)
{
	double nm = gas_nm(t, g, s->from_us + 1e6 * s->dt_s, s->to.theta_rad);
	push[COLUMN_WIND].rad = g->nm - nm;
	g->nm = nm;
}

static bool push_over(const struct torque *t, struct gas *g, const struct stretch *s,
                      struct torque_push *push)
{
	double u[TORQUE_MAX];
	unsigned steps = (unsigned)fmin(fmax(ceil(s->dt_s / STEP_S), 2), STEPS_MAX);
	double h = s->dt_s / steps, rise = s->to.theta_rad - s->from.theta_rad;
	double left_rad, left_rad_s, rad, rad_s; /* of a push of 1 from here to the end; from a step on */
	motion_constant(t->drag_per_s, s->dt_s, &left_rad, &left_rad_s);
	for (unsigned c = 0; c < t->columns; c++)
		push[c] = (struct torque_push){0, 0, 0};
	for (unsigned j = 0; j < steps; j++) {
		double part = (j + 0.5) / steps, theta = s->from.theta_rad + part * rise;
		double omega = s->from.omega_rad_s + part * (s->to.omega_rad_s - s->from.omega_rad_s);
		if (t->kind == TORQUE_MEASURED)
			measured(t, g, s->from_us + 1e6 * part * s->dt_s, theta, u);
		else if (t->kind == TORQUE_ASSUMED)
			assumed(t, g, s->from_us + 1e6 * part * s->dt_s, theta, u);
		u[COLUMN_DRAG] = -omega;
		motion_constant(t->drag_per_s, s->dt_s - (j + 1) * h, &rad, &rad_s);
		for (unsigned c = 0; c < t->columns; c++) {
			push[c].impulse += h * u[c];
			push[c].rad_s += (left_rad_s - rad_s) * u[c];
			push[c].rad += (left_rad - rad) * u[c];
		}
		left_rad = rad;
		left_rad_s = rad_s;
	}
	if (t->winds)
		wind_on(t, g, s, push);
	if (t->winds && isnan(push[COLUMN_WIND].rad))
		return false;
	return t->columns < 2 || !isnan(push[COLUMN_GAS].rad);
}

struct row { /* of marks, with the pushes between them */
	const struct tooth_mark *mark;
	size_t n;
	struct torque_push *push;
	unsigned columns;
};

static double row_s(const struct row *r, size_t i)
{
	return 1e-6 * (double)(r->mark[i].t_us - r->mark[0].t_us);
}

/* The straight line over the row is taken out of a column: how torque and load
 * balance in the mean says nothing of the wheel, and the load is not known.  What
 * changes from turn to turn stays: the crank must have answered to it. */
static void take_line_out(const struct row *r, double drag_per_s, unsigned column)
{
	double middle = 0.5 * row_s(r, r->n - 1), moment = 0, spread = 0, sum = 0;
	for (size_t i = 0; i + 1 < r->n; i++) {
		const struct torque_push *push = &r->push[i * r->columns + column];
		double dt = row_s(r, i + 1) - row_s(r, i), at = row_s(r, i) + 0.5 * dt - middle;
		sum += push->impulse;
		moment += at * push->impulse;
		spread += at * at * dt;
	}
	double mean = sum / row_s(r, r->n - 1), slope = spread > 0 ? moment / spread : 0;
	for (size_t i = 0; i + 1 < r->n; i++) {
		struct torque_push *push = &r->push[i * r->columns + column];
		double rad, rad_s, dt = row_s(r, i + 1) - row_s(r, i);
		double off = mean + slope * (row_s(r, i) + 0.5 * dt - middle);
		motion_constant(drag_per_s, dt, &rad, &rad_s);
		push->rad_s -= off * rad_s;
		push->rad -= off * rad;
		push->impulse -= off * dt;
	}
}

/* What the drag is off by is learned from the speed as the pushes make it, not as
 * it was seen: scatter of the edges seen would stand on both sides, and pull. */
static void drag_by_model(const struct row *r, const struct torque *t)
{
	double speed = 0;
	for (size_t i = 0; i + 1 < r->n; i++) {
		struct torque_push *push = &r->push[i * r->columns];
		double rad, rad_s, dt = row_s(r, i + 1) - row_s(r, i);
		motion_constant(t->drag_per_s, dt, &rad, &rad_s);
		double next = (1 - t->drag_per_s * rad_s) * speed;
		for (unsigned c = COLUMN_DRAG + 1; c < t->columns; c++)
			next += t->factor[c] * push[c].rad_s;
		double mean = -0.5 * (speed + next);
		push[COLUMN_DRAG] = (struct torque_push){mean * rad, mean * rad_s, mean * dt};
		speed = next;
	}
}

/* Speed by the pushes between mark i and the next: the drag's own push is that, backward. */
static double pushed_speed(const struct row *r, size_t i)
{
	return -r->push[i * r->columns + COLUMN_DRAG].impulse / (row_s(r, i + 1) - row_s(r, i));
}

static struct even even_of(const struct row *r)
{
	double half = 0.5 * row_s(r, r->n - 1);
	return (struct even){.middle_s = half, .half_s = half};
}

static bool even_solve(struct even *e)
{
	return spd_solve(e->normal, e->right, EVEN, e->coefficient);
}

/* The row's speed on the whole; false where its marks do not tell. */
static bool even_speed(const struct row *r, const struct torque_turn *turn, struct even *e)
{
	*e = even_of(r);
	for (size_t i = 0; i + 1 < r->n; i++) {
		double dt = row_s(r, i + 1) - row_s(r, i);
		even_add(e, row_s(r, i) + 0.5 * dt, dt, (turn[i + 1].theta_rad - turn[i].theta_rad) / dt);
	}
	return even_solve(e);
}

/* So far the piston went along with a crank that turns evenly.  What it takes to follow
 * the crank's ups and downs as the pushes make them: the torque is its mass times the arm
 * times the growth of arm times speed. */
static bool piston_by_model(const struct row *r, const struct torque *t, const struct torque_turn *turn,
                            const struct even *even)
{
	struct even slow = even_of(r); /* of the speed by the pushes: the row's own stands for it */
	for (size_t i = 0; i + 1 < r->n; i++) {
		double dt = row_s(r, i + 1) - row_s(r, i);
		even_add(&slow, row_s(r, i) + 0.5 * dt, dt, pushed_speed(r, i));
	}
	if (!even_solve(&slow))
		return false;
	for (size_t i = 0; i + 1 < r->n; i++) {
		struct torque_push *push = &r->push[i * r->columns];
		double rad, rad_s, dt = row_s(r, i + 1) - row_s(r, i), at = row_s(r, i) + 0.5 * dt, gain = 0;
		motion_constant(t->drag_per_s, dt, &rad, &rad_s);
		for (unsigned c = COLUMN_DRAG + 1; c < t->columns; c++)
			gain += t->factor[c] * push[c].rad_s / rad_s;
		double speed = pushed_speed(r, i), omega = even_at(even, at),
		       more = speed - even_at(&slow, at);
		gain += even_rise(even, at) - even_rise(&slow, at) - t->drag_per_s * speed;
		double theta = 0.5 * (turn[i].theta_rad + turn[i + 1].theta_rad);
		double arm = mech_arm_m(&t->mech, theta), bend = arm_bend_m(&t->mech, theta);
		double push_more = -arm * (arm * gain + bend * more * (2 * omega + more));
		push[COLUMN_PISTON].rad += push_more * rad;
		push[COLUMN_PISTON].rad_s += push_more * rad_s;
		push[COLUMN_PISTON].impulse += push_more * dt;
	}
	return true;
}

static struct gas gas_from(const struct torque *t, const struct leg *leg, int64_t t_us)
{
	return (struct gas){.has_rod = t->rod >= 0,
	                    .cap = reader_at(leg, t->cap, t_us),
	                    .rod = reader_at(leg, t->rod, t_us),
	                    .supply = reader_at(leg, t->supply, t_us)};
}

void torque_gas(const struct torque *t, const struct leg *leg, const int64_t *t_us, const double *theta_rad,
                size_t n, double *nm)
{
	struct gas g = gas_from(t, leg, n > 0 ? t_us[0] : 0);
	for (size_t i = 0; i < n; i++)
		nm[i] = gas_nm(t, &g, (double)t_us[i], theta_rad[i]);
}

bool torque_pushes(const struct torque *t, const struct leg *leg, const struct tooth_mark *mark,
                   const struct torque_turn *turn, size_t n, struct torque_push *push)
{
	struct gas g = gas_from(t, leg, mark[0].t_us);
	struct row r = {mark, n, push, t->columns};
	if (n <= EVEN || !even_speed(&r, turn, &g.even))
		return false;
	g.from_us = (double)mark[0].t_us;
	g.nm = t->winds ? gas_nm(t, &g, g.from_us, turn[0].theta_rad) : 0;
	g.change = (turn[n - 1].theta_rad - turn[0].theta_rad) / row_s(&r, n - 1) / t->pivot_rad_s - 1;
	for (size_t i = 0; i + 1 < n; i++) {
		struct stretch s = {(double)mark[i].t_us, 1e-6 * (double)(mark[i + 1].t_us - mark[i].t_us),
		                    turn[i], turn[i + 1]};
		if (!push_over(t, &g, &s, push + i * t->columns))
			return false;
	}
	for (unsigned c = COLUMN_DRAG + 1; c < t->columns; c++)
		take_line_out(&r, t->drag_per_s, c);
	if (t->found)
		drag_by_model(&r, t);
	if (t->found && t->kind == TORQUE_MEASURED) {
		if (!piston_by_model(&r, t, turn, &g.even))
			return false;
		take_line_out(&r, t->drag_per_s, COLUMN_PISTON);
	}
	take_line_out(&r, t->drag_per_s, COLUMN_DRAG);
	return true;
}
