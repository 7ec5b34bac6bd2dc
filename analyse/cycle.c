/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/cycle.h"

#include "analyse/indicator.h"
#include "common/air.h"
#include "common/unit.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TURN (2 * UNIT_PI)
#define CP (AIR_R * AIR_GAMMA / (AIR_GAMMA - 1))
#define CV (AIR_R / (AIR_GAMMA - 1))
#define LAMINAR_RATIO 0.995 /* the ellipse's slope at equal pressures is infinite */
#define TURNS_MOST 20
#define PERIODIC 3e-4       /* of the supply pressure */
#define STEP_ERROR 2e-3     /* of the embedded first-order step */
#define PERIODIC_MASS 2e-3  /* of the air in the clearance */
#define STEPS_MOST 400      /* between two nodes */
#define USEFUL_GAUGE 0.1    /* of the supply's gauge pressure */
#define RAMP_LEAST_DEG 0.25 /* a shorter ramp is drawn this long */
#define KINKS 8             /* ends of four ramps */
#define NODES (CYCLE_DEGREES + KINKS + 1)

enum { MASS, ENERGY, WORK, AIR, VENT, HEAT, ENTHALPY, STATES };

struct ramp {
	double opens, length; /* half area to half area; opens in [0, TURN) */
	double rise, fall;    /* whole ramps, rad */
};

/* A place on the turn: the geometry and both areas are the same in every turn. */
struct node {
	double phi, v, dv;
	double area[2]; /* inlet, exhaust */
	int degree;     /* -1: only a kink of an area */
};

struct run {
	const struct cycle_case *c;
	double dead_centre;
	struct ramp ramp[2]; /* inlet, exhaust */
	double density;      /* rho0 sqrt(T0/T) of the air outside */
	struct node node[NODES];
	int nodes;
};

/* --- areas ---------------------------------------------------------------- */

static double forward(double from_rad, double to_rad)
{
	double d = to_rad - from_rad;
	if (!(fabs(d) < TURN)) /* else it would give the same */
		d = fmod(d, TURN);
	return d < 0 ? d + TURN : d;
}

static struct ramp ramp_of(const struct cycle_valve *v, double omega)
{
	double least = unit_rad(RAMP_LEAST_DEG);
	double opens = v->opens_rad + omega * v->delay_open_s, shuts = v->shuts_rad + omega * v->delay_shut_s;
	return (struct ramp){
	    .opens = forward(0, opens),
	    .length = v->c_m3_s_pa > 0 ? forward(opens, shuts) : 0,
	    .rise = fmax(omega * v->ramp_open_s, least),
	    .fall = fmax(omega * v->ramp_shut_s, least),
	};
}

/* From 0 to 1 over `span` with its middle at 0. */
static double even_rise(double x, double span)
{
	return x <= -span / 2 ? 0 : x >= span / 2 ? 1 : 0.5 + x / span;
}

/* One opening that begins at 0 and ends at `length`. */
static double pulse(const struct ramp *r, double since)
{
	double risen = even_rise(since, r->rise), not_fallen = even_rise(r->length - since, r->fall);
	return risen < not_fallen ? risen : not_fallen;
}

/* phi in [0, TURN].  The openings before and after reach over by half a ramp. */
static double ramp_area(const struct ramp *r, double phi)
{
	double since = phi - r->opens, most = 0;
	for (int turn = -1; turn <= 1 && r->length != 0; turn++) {
		double area = pulse(r, since + turn * TURN);
		most = area > most ? area : most;
	}
	return most;
}

double cycle_area(const struct cycle_valve *v, double omega_rad_s, double phi_rad)
{
	struct ramp r = ramp_of(v, omega_rad_s);
	return ramp_area(&r, forward(0, phi_rad));
}

/* --- nodes ---------------------------------------------------------------- */

void cycle_table_fill(struct cycle_table *t, const struct mech *m, enum engine_end end)
{
	for (int degree = 0; degree <= CYCLE_DEGREES; degree++) {
		double theta = mech_dead_centre_rad(m, end) + unit_rad(degree);
		t->v_m3[degree] = mech_volume_m3(m, end, theta);
		t->dv_m3[degree] = mech_dvolume_m3(m, end, theta);
	}
}

/* `degree` -1: not a whole one. */
static struct node place(const struct run *r, double phi, int degree)
{
	const struct cycle_case *c = r->c;
	const struct cycle_table *t = degree >= 0 ? c->table : NULL;
	double theta = phi + r->dead_centre;
	return (struct node){
	    .phi = phi,
	    .v = t != NULL ? t->v_m3[degree] : mech_volume_m3(c->mech, c->end, theta),
	    .dv = t != NULL ? t->dv_m3[degree] : mech_dvolume_m3(c->mech, c->end, theta),
	    .area = {ramp_area(&r->ramp[0], phi), ramp_area(&r->ramp[1], phi)},
	    .degree = degree,
	};
}

static void find_kinks(const struct run *r, double kink[KINKS])
{
	for (int i = 0; i < 2; i++) {
		const struct ramp *a = &r->ramp[i];
		double shuts = a->opens + a->length;
		kink[4 * i] = forward(0, a->opens - a->rise / 2);
		kink[4 * i + 1] = forward(0, a->opens + a->rise / 2);
		kink[4 * i + 2] = forward(0, shuts - a->fall / 2);
		kink[4 * i + 3] = forward(0, shuts + a->fall / 2);
	}
	gsl_sort(kink, 1, KINKS);
}

/* Every whole degree, and between them the ends of the ramps. */
static void place_nodes(struct run *r)
{
	double kink[KINKS];
	int k = 0;
	find_kinks(r, kink);
	for (int degree = 0; degree <= CYCLE_DEGREES; degree++) {
		double phi = unit_rad(degree);
		for (; k < KINKS && kink[k] < phi; k++)
			if (kink[k] > r->node[r->nodes - 1].phi)
				r->node[r->nodes++] = place(r, kink[k], -1);
		r->node[r->nodes++] = place(r, phi, degree);
	}
}

/* --- balance -------------------------------------------------------------- */

struct flow {
	double q, d_up, d_down; /* kg/s, and its slope in either pressure */
};

/* `k` = C rho0 sqrt(T0 / T_up). */
static struct flow flow_of(double k, double b, double up, double down)
{
	double ratio = down / up, phi = 1, slope = 0;
	if (ratio > LAMINAR_RATIO) {
		slope = -air_flow_function(LAMINAR_RATIO, b) / (1 - LAMINAR_RATIO);
		phi = slope * (ratio - 1);
	} else if (ratio > b) {
		double x = (ratio - b) / (1 - b);
		phi = air_flow_function(ratio, b);
		slope = -x / ((1 - b) * phi);
	}
	return (struct flow){.q = k * up * phi, .d_up = k * (phi - ratio * slope), .d_down = k * slope};
}

struct rates {
	double f[STATES]; /* per radian */
	double j[STATES]; /* their slope in the internal energy, at constant temperature */
};

/* Exchange through a passage with air outside at p_out; `k_out` = rho0
 * sqrt(T0/T) there, `h_out` its enthalpy.  `count` books what comes in, with `sign`. */
static void exchange(struct rates *r, double c, double b, const double outside[3], const double inside[3],
                     int count, double sign)
{
	double p_out = outside[0], p = inside[0];
	if (c <= 0 || p_out == p)
		return;
	double in, slope, h;
	if (p_out > p) {
		struct flow w = flow_of(c * outside[1], b, p_out, p);
		in = w.q, slope = w.d_down, h = outside[2];
	} else {
		struct flow w = flow_of(c * inside[1], b, p, p_out);
		in = -w.q, slope = -w.d_up, h = inside[2];
	}
	r->f[MASS] += in, r->j[MASS] += slope;
	r->f[ENTHALPY] += in * h, r->j[ENTHALPY] += slope * h;
	r->f[count] += sign * in, r->j[count] += sign * slope;
}

/* Rates per radian at a place with the state y. */
static void balance(const struct run *run, const struct node *at, const double y[STATES], struct rates *r)
{
	const struct cycle_case *c = run->c;
	double per_energy = (AIR_GAMMA - 1) / at->v;
	double p = y[ENERGY] * per_energy, t = y[ENERGY] / (y[MASS] * CV);
	double density = AIR_ANR_DENSITY * sqrt(AIR_ANR_TEMPERATURE_K / t);
	const double inside[3] = {p, density, CP * t};
	const double supply[3] = {c->supply_pa, run->density, CP * c->air_k};
	const double around[3] = {c->ambient_pa, run->density, CP * c->air_k};
	memset(r, 0, sizeof *r);
	exchange(r, c->inlet.c_m3_s_pa * at->area[0] + c->seat_m3_s_pa, c->inlet.b, supply, inside, AIR, 1);
	exchange(r, c->exhaust.c_m3_s_pa * at->area[1], c->exhaust.b, around, inside, VENT, -1);
	exchange(r, c->leak_m3_s_pa, c->exhaust.b, around, inside, VENT, -1);
	double per_second = 1 / c->omega_rad_s;
	for (int i = 0; i < STATES; i++) {
		r->f[i] *= per_second;
		r->j[i] *= per_second * per_energy;
	}
	double shut = (1 - at->area[0]) * (1 - at->area[1]);
	double warmth = shut * (AIR_GAMMA - c->n) / (AIR_GAMMA - 1);
	r->f[WORK] = p * at->dv, r->j[WORK] = per_energy * at->dv;
	r->f[HEAT] = warmth * r->f[WORK], r->j[HEAT] = warmth * r->j[WORK];
	r->f[ENERGY] = r->f[ENTHALPY] - r->f[WORK] + r->f[HEAT];
	r->j[ENERGY] = r->j[ENTHALPY] - r->j[WORK] + r->j[HEAT];
}

/* Solves (1 - g h J) k = rhs, where J has the column of the energy only.  An energy
 * that would grow by itself (compression) is left to the explicit part. */
static void solve(const struct rates *r, double g_h, const double rhs[STATES], double k[STATES])
{
	double slope = fmin(r->j[ENERGY], 0), energy = rhs[ENERGY] / (1 - g_h * slope);
	double scale = r->j[ENERGY] < 0 ? g_h * energy : 0;
	for (int i = 0; i < STATES; i++)
		k[i] = rhs[i] + scale * r->j[i];
	k[ENERGY] = energy;
}

/* One step of the two-stage Rosenbrock method; returns the error of pressure (of
 * the supply's) or mass (of itself), whichever is more.
 * `drift`, the rates' own change as the piston moves, keeps the pressure beside
 * an open valve where it belongs. */
static double step(const struct run *run, const struct node *a, const struct node *b, const double y[STATES],
                   double next[STATES])
{
	const double g = 1 - 1 / 1.41421356237309504880;
	double h = b->phi - a->phi, k1[STATES], k2[STATES], rhs[STATES], z[STATES];
	struct rates first, second;
	balance(run, a, y, &first);
	double drift = -g * h * y[ENERGY] * a->dv / a->v;
	for (int i = 0; i < STATES; i++)
		rhs[i] = first.f[i] + drift * first.j[i];
	solve(&first, g * h, rhs, k1);
	for (int i = 0; i < STATES; i++)
		z[i] = y[i] + h * k1[i];
	if (!(z[MASS] > 0 && z[ENERGY] > 0))
		return INFINITY;
	balance(run, b, z, &second);
	for (int i = 0; i < STATES; i++)
		rhs[i] = second.f[i] - 2 * k1[i] - drift * first.j[i];
	solve(&first, g * h, rhs, k2);
	for (int i = 0; i < STATES; i++)
		next[i] = y[i] + h * (1.5 * k1[i] + 0.5 * k2[i]);
	if (!(next[MASS] > 0 && next[ENERGY] > 0))
		return INFINITY;
	double pressure = 0.5 * h * (k1[ENERGY] + k2[ENERGY]) * (AIR_GAMMA - 1) / b->v;
	double mass = 0.5 * h * (k1[MASS] + k2[MASS]) / next[MASS];
	return fmax(fabs(pressure) / run->c->supply_pa, fabs(mass));
}

/* From one node to the next, in as many steps as the error asks for. */
static void advance(const struct run *run, const struct node *from, const struct node *to, double y[STATES])
{
	double next[STATES];
	struct node at = *from;
	double h = to->phi - from->phi;
	for (int steps = 0; at.phi < to->phi && steps < STEPS_MOST; steps++) {
		bool last = at.phi + h >= to->phi * (1 - 1e-15);
		struct node target = last ? *to : place(run, at.phi + h, -1);
		double error = step(run, &at, &target, y, next);
		double change =
		    isfinite(error) ? 0.9 * sqrt(STEP_ERROR / fmax(error, 1e-3 * STEP_ERROR)) : 0.2;
		if (error <= STEP_ERROR || h < 1e-9) {
			memcpy(y, next, STATES * sizeof *y);
			at = target;
		}
		h *= fmin(fmax(change, 0.2), 4);
	}
}

/* --- the turn ------------------------------------------------------------- */

static double pressure(const struct node *at, const double y[STATES])
{
	return y[ENERGY] * (AIR_GAMMA - 1) / at->v;
}

static void turn(const struct run *r, double y[STATES], struct cycle_result *out)
{
	double start[STATES];
	for (int i = WORK; i < STATES; i++)
		y[i] = 0;
	memcpy(start, y, sizeof start);
	out->pressure_pa[0] = pressure(&r->node[0], y);
	for (int i = 1; i < r->nodes; i++) {
		advance(r, &r->node[i - 1], &r->node[i], y);
		if (r->node[i].degree >= 0)
			out->pressure_pa[r->node[i].degree] = pressure(&r->node[i], y);
	}
	out->gap_pa = out->pressure_pa[CYCLE_DEGREES] - out->pressure_pa[0];
	out->mass_change_kg = y[MASS] - start[MASS];
	out->energy_change_j = y[ENERGY] - start[ENERGY];
	out->work_j = y[WORK];
	out->air_kg = y[AIR];
	out->vent_kg = y[VENT];
	out->heat_j = y[HEAT];
	out->enthalpy_j = y[ENTHALPY];
}

double cycle_pressure_at(const struct cycle_result *r, double phi_rad)
{
	double degree = unit_deg(forward(0, phi_rad));
	int i = degree < CYCLE_DEGREES ? (int)degree : CYCLE_DEGREES - 1;
	double part = degree - i;
	return r->pressure_pa[i] * (1 - part) + r->pressure_pa[i + 1] * part;
}

static double useful(const struct run *r, const struct cycle_result *out)
{
	const struct cycle_case *c = r->c;
	double least = c->ambient_pa + USEFUL_GAUGE * (c->supply_pa - c->ambient_pa), sum = 0;
	double other = mech_dead_centre_rad(c->mech, c->end == END_CAP ? END_ROD : END_CAP);
	double back = forward(r->dead_centre, other);
	for (int i = 0; i < CYCLE_DEGREES && unit_rad(i) < back; i++) {
		double from = unit_rad(i), to = fmin(unit_rad(i + 1), back);
		double end = cycle_pressure_at(out, to);
		sum += indicator_span_above(from, out->pressure_pa[i] - least, to, end - least);
	}
	return sum;
}

static void summarise(const struct run *r, struct cycle_result *out)
{
	const struct cycle_case *c = r->c;
	out->torque_least_nm = INFINITY;
	out->torque_most_nm = -INFINITY;
	for (int i = 0; i < r->nodes; i++) {
		const struct node *at = &r->node[i];
		if (at->degree < 0)
			continue;
		double torque = (out->pressure_pa[at->degree] - c->ambient_pa) * at->dv;
		out->torque_least_nm = fmin(out->torque_least_nm, torque);
		out->torque_most_nm = fmax(out->torque_most_nm, torque);
		out->peak_pa = fmax(out->peak_pa, out->pressure_pa[at->degree]);
	}
	out->torque_mean_nm = out->work_j / TURN;
	out->peak_force_n = (out->peak_pa - c->ambient_pa) * c->mech->area_m2[c->end];
	out->cut_off_pa = cycle_pressure_at(out, c->inlet.shuts_rad + c->omega_rad_s * c->inlet.delay_shut_s);
	out->release_pa =
	    cycle_pressure_at(out, c->exhaust.opens_rad + c->omega_rad_s * c->exhaust.delay_open_s);
	out->useful_rad = useful(r, out);
}

static bool sensible(const struct cycle_case *c)
{
	const struct mech *m = c->mech;
	return c->omega_rad_s > 0 && c->supply_pa > 0 && c->ambient_pa > 0 && c->air_k > 0 && c->n > 0 &&
	       m->area_m2[c->end] > 0 && m->clearance_m3[c->end] > 0 && isfinite(c->inlet.opens_rad) &&
	       isfinite(c->inlet.shuts_rad) && isfinite(c->exhaust.opens_rad) &&
	       isfinite(c->exhaust.shuts_rad) && c->inlet.c_m3_s_pa >= 0 && c->exhaust.c_m3_s_pa >= 0 &&
	       isfinite(c->omega_rad_s * c->supply_pa);
}

static void nothing_known(struct cycle_result *out)
{
	*out = (struct cycle_result){.work_j = NAN,
	                             .air_kg = NAN,
	                             .vent_kg = NAN,
	                             .heat_j = NAN,
	                             .enthalpy_j = NAN,
	                             .useful_rad = NAN,
	                             .torque_mean_nm = NAN,
	                             .torque_least_nm = NAN,
	                             .torque_most_nm = NAN,
	                             .peak_pa = NAN,
	                             .peak_force_n = NAN,
	                             .cut_off_pa = NAN,
	                             .release_pa = NAN,
	                             .end_pa = NAN,
	                             .end_k = NAN,
	                             .gap_pa = NAN,
	                             .mass_change_kg = NAN,
	                             .energy_change_j = NAN};
	for (int i = 0; i <= CYCLE_DEGREES; i++)
		out->pressure_pa[i] = NAN;
}

void cycle_run(const struct cycle_case *c, struct cycle_result *out)
{
	struct run r = {.c = c, .dead_centre = mech_dead_centre_rad(c->mech, c->end)};
	if (!sensible(c)) {
		nothing_known(out);
		return;
	}
	*out = (struct cycle_result){0};
	r.density = AIR_ANR_DENSITY * sqrt(AIR_ANR_TEMPERATURE_K / c->air_k);
	r.ramp[0] = ramp_of(&c->inlet, c->omega_rad_s);
	r.ramp[1] = ramp_of(&c->exhaust, c->omega_rad_s);
	place_nodes(&r);
	double v = r.node[0].v, y[STATES] = {0};
	bool warm = c->start_pa > 0 && c->start_k > 0;
	y[MASS] = warm ? c->start_pa * v / (AIR_R * c->start_k) : c->ambient_pa * v / (AIR_R * c->air_k);
	y[ENERGY] = (warm ? c->start_pa : c->ambient_pa) * v / (AIR_GAMMA - 1);
	while (out->turns < TURNS_MOST && !out->periodic) {
		turn(&r, y, out);
		out->turns++;
		out->periodic = fabs(out->gap_pa) <= PERIODIC * c->supply_pa &&
		                fabs(out->mass_change_kg) <= PERIODIC_MASS * y[MASS];
	}
	out->end_pa = out->pressure_pa[CYCLE_DEGREES];
	out->end_k = y[ENERGY] / (y[MASS] * CV);
	summarise(&r, out);
}
