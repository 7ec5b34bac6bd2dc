/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/plant.h"

#include "analyse/rehearse/drive.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define DM3_S_BAR 1e-8 /* m3/(s Pa) in 1 dm3/(s bar) */
#define TANK_WITHOUT_FILE_L 50
#define OPEN_END_STROKES 5
#define OPEN_END_C 60 /* dm3/(s bar) */

static double given_or(double x, double fallback)
{
	return isnan(x) ? fallback : x;
}

static void convert_flows(struct plant *p, const struct settings *s)
{
	for (int i = 0; i < PORT_COUNT; i++) {
		p->c[i] = s->c[i] * DM3_S_BAR;
		p->seat_leak_c[i] = s->seat_leak[i] * DM3_S_BAR;
	}
	p->regulator_c = s->regulator_c * DM3_S_BAR;
	p->piston_leak_c = s->piston_leak * DM3_S_BAR;
	p->gland_leak_c = s->gland_leak * DM3_S_BAR;
}

static void start_gas(struct plant *p)
{
	const struct settings *s = &p->s;
	double tank = p->ambient_pa + s->tank * 1e5, line = plant_regulator_pa(p, 0);
	p->y[TANK_M] = gas_mass(tank, p->wall_k, p->tank_m3);
	p->y[TANK_U] = gas_energy(tank, p->tank_m3);
	p->y[LINE_M] = gas_mass(line, p->wall_k, p->line_m3);
	p->y[LINE_U] = gas_energy(line, p->line_m3);
	for (enum engine_end end = END_CAP; end < END_COUNT; end++) {
		double v = mech_volume_m3(&p->mech, end, p->y[THETA]),
		       pa = p->ambient_pa + s->chamber_start * 1e5;
		p->y[CHAMBER_M + 2 * end] = gas_mass(pa, p->wall_k, v);
		p->y[CHAMBER_U + 2 * end] = gas_energy(pa, v);
	}
}

double plant_regulator_pa(const struct plant *p, double t_s)
{
	const struct settings *s = &p->s;
	if (t_s >= s->shut_at)
		return p->ambient_pa;
	double to = given_or(s->regulator_to, s->regulator);
	return p->ambient_pa + 1e5 * (s->regulator + (to - s->regulator) * fmin(t_s / s->duration, 1));
}

static struct plant_view view_of(const struct plant *p, const double y[PLANT_STATES])
{
	const struct mech *m = &p->mech;
	struct plant_view v = {.x_m = mech_travel_m(m, y[THETA]), .arm_m = mech_arm_m(m, y[THETA])};
	double v_cap = m->clearance_m3[END_CAP] + m->area_m2[END_CAP] * v.x_m;
	double v_rod = m->clearance_m3[END_ROD] + m->area_m2[END_ROD] * (m->stroke_m - v.x_m);
	v.tank = gas_state(y[TANK_M], y[TANK_U], p->tank_m3);
	v.line = gas_state(y[LINE_M], y[LINE_U], p->line_m3);
	v.chamber[END_CAP] = gas_state(y[CHAMBER_M], y[CHAMBER_U], v_cap);
	v.chamber[END_ROD] = gas_state(y[ROD_M], y[ROD_U], v_rod);
	return v;
}

/* The rod end of a single-acting engine: so much room, and so wide an opening,
 * that it stays at the pressure of the surroundings. */
static void open_rod_end(struct plant *p)
{
	struct mech *m = &p->mech;
	m->area_m2[END_ROD] = m->area_m2[END_CAP];
	m->clearance_m3[END_ROD] = OPEN_END_STROKES * m->area_m2[END_CAP] * m->stroke_m;
	p->gland_leak_c = OPEN_END_C * DM3_S_BAR;
}

struct plant plant_make(const struct engine *e, const struct settings *s)
{
	struct plant p = {.mech = mech_of(e), .s = *s, .step_s = s->step * 1e-3, .bore_m = e->bore_m};
	p.ambient_pa = e->ambient_pa;
	convert_flows(&p, s);
	p.single_acting = isnan(e->clearance_m3[END_ROD]);
	if (p.single_acting)
		open_rod_end(&p);
	p.wall_k = e->air_k;
	p.tank_m3 =
	    isnan(s->tank_volume) ? given_or(e->tank_m3, TANK_WITHOUT_FILE_L * 1e-3) : s->tank_volume * 1e-3;
	p.line_m3 = s->line_volume * 1e-6;
	p.mass_kg = given_or(e->mass_kg, 0) + s->extra_mass;
	p.metre_per_rad = given_or(e->wheel_diameter_m / 2 * e->crank_sprocket / e->wheel_sprocket, 0);
	p.inertia = s->inertia + p.mass_kg * p.metre_per_rad * p.metre_per_rad;
	p.dry = drive_dry_torque(&p);
	p.y[THETA] = unit_rad(s->start_angle);
	p.y[OMEGA] = drive_start_speed(s);
	start_gas(&p);
	memcpy(p.y_before, p.y, sizeof p.y);
	p.now = p.before = view_of(&p, p.y);
	return p;
}

/* What flows at one instant. */
struct flows {
	struct gas_rate tank, line, chamber[END_COUNT], vented;
	double inlet[END_COUNT]; /* kg/s */
};

/* The regulator opens in proportion to how far the line is below its setting
 * and never lets air back. */
static void feed_line(const struct plant *p, double t_s, const struct plant_view *v, struct flows *f)
{
	double opening = (plant_regulator_pa(p, t_s) - v->line.p_pa) / (p->s.droop * 1e5);
	opening = fmin(fmax(opening, 0), 1);
	if (v->tank.p_pa > v->line.p_pa)
		gas_flow(opening * p->regulator_c, 0.3, v->tank, v->line, &f->tank, &f->line);
}

static void breathe(const struct plant *p, const double area[PORT_COUNT], const struct plant_view *v,
                    struct flows *f)
{
	const struct gas ambient = {.p_pa = p->ambient_pa, .t_k = p->wall_k};
	for (int end = END_CAP; end < END_COUNT; end++) {
		int in = end == END_CAP ? PORT_CAP_INLET : PORT_ROD_INLET, out = in + 1;
		f->inlet[end] = gas_flow(p->c[in] * area[in] + p->seat_leak_c[in], p->s.b[in], v->line,
		                         v->chamber[end], &f->line, &f->chamber[end]);
		gas_flow(p->c[out] * area[out] + p->seat_leak_c[out], p->s.b[out], v->chamber[end], ambient,
		         &f->chamber[end], &f->vented);
	}
	gas_flow(p->piston_leak_c, 0.3, v->chamber[END_CAP], v->chamber[END_ROD], &f->chamber[END_CAP],
	         &f->chamber[END_ROD]);
	gas_flow(p->gland_leak_c, 0.3, v->chamber[END_ROD], ambient, &f->chamber[END_ROD], &f->vented);
}

/* Heat from a wall, W.  No volume takes on the wall's temperature faster than
 * within a step, which keeps even absurdly conducting walls stable. */
static double from_wall(const struct plant *p, double w_k, struct gas g, double u_j)
{
	double fastest = u_j / g.t_k / p->step_s;
	return fmin(w_k, fastest) * (p->wall_k - g.t_k);
}

static void warm(const struct plant *p, const double y[PLANT_STATES], const struct plant_view *v,
                 struct flows *f)
{
	double around = UNIT_PI * p->bore_m;
	f->tank.u += from_wall(p, p->s.tank_heat, v->tank, y[TANK_U]);
	f->line.u += from_wall(p, p->s.line_heat, v->line, y[LINE_U]);
	for (int end = END_CAP; end < END_COUNT; end++) {
		double length = end == END_CAP ? v->x_m : p->mech.stroke_m - v->x_m;
		double exposed = 2 * p->mech.area_m2[end] + around * length;
		f->chamber[end].u +=
		    from_wall(p, p->s.wall_h * exposed, v->chamber[end], y[CHAMBER_U + 2 * end]);
	}
}

double plant_gas_torque(const struct plant *p, const struct plant_view *v)
{
	double cap = (v->chamber[END_CAP].p_pa - p->ambient_pa) * p->mech.area_m2[END_CAP];
	double rod = (v->chamber[END_ROD].p_pa - p->ambient_pa) * p->mech.area_m2[END_ROD];
	return (cap - rod) * v->arm_m;
}

static struct drive_load load_of(const struct plant *p, const struct plant_view *v)
{
	double across = fabs(v->chamber[END_CAP].p_pa - v->chamber[END_ROD].p_pa) * 1e-5;
	return (struct drive_load){.gas = plant_gas_torque(p, v),
	                           .dry = p->dry + p->s.pressure_friction * across};
}

static void put(double d[PLANT_STATES], int at, struct gas_rate r)
{
	d[at] = r.m;
	d[at + 1] = r.u;
}

static void derivative(const struct plant *p, double t_s, const double y[PLANT_STATES],
                       const struct plant_view *v, const double area[PORT_COUNT], double d[PLANT_STATES])
{
	struct flows f = {.inlet = {0}};
	feed_line(p, t_s, v, &f);
	breathe(p, area, v, &f);
	warm(p, y, v, &f);
	double omega = p->at_rest ? 0 : y[OMEGA], piston = v->arm_m * omega;
	d[WORK] = v->chamber[END_CAP].p_pa * p->mech.area_m2[END_CAP] * piston;
	d[WORK_ROD] = -v->chamber[END_ROD].p_pa * p->mech.area_m2[END_ROD] * piston;
	f.chamber[END_CAP].u -= d[WORK];
	f.chamber[END_ROD].u -= d[WORK_ROD];
	put(d, TANK_M, f.tank);
	put(d, LINE_M, f.line);
	put(d, CHAMBER_M, f.chamber[END_CAP]);
	put(d, ROD_M, f.chamber[END_ROD]);
	d[AIR] = f.inlet[END_CAP];
	d[AIR_ROD] = f.inlet[END_ROD];
	d[VENT] = f.vented.m;
	struct drive_load load = load_of(p, v);
	d[THETA] = omega;
	d[OMEGA] = p->at_rest ? 0 : drive_acceleration(p, t_s, y[OMEGA], &load);
}

static void add_scaled(double out[PLANT_STATES], const double y[PLANT_STATES], double h,
                       const double d[PLANT_STATES])
{
	for (int i = 0; i < PLANT_STATES; i++)
		out[i] = y[i] + h * d[i];
}

/* The derivative a part h of a step further along k. */
static void further(const struct plant *p, double h, const double k[PLANT_STATES],
                    const double area[PORT_COUNT], double d[PLANT_STATES])
{
	double z[PLANT_STATES];
	add_scaled(z, p->y, h, k);
	struct plant_view v = view_of(p, z);
	derivative(p, p->t_s + h, z, &v, area, d);
}

static void integrate(struct plant *p, const struct plant_areas *areas)
{
	double h = p->step_s, k1[PLANT_STATES], k2[PLANT_STATES], k3[PLANT_STATES], k4[PLANT_STATES];
	derivative(p, p->t_s, p->y, &p->now, areas->at[0], k1);
	further(p, h / 2, k1, areas->at[1], k2);
	further(p, h / 2, k2, areas->at[1], k3);
	further(p, h, k3, areas->at[2], k4);
	for (int i = 0; i < PLANT_STATES; i++)
		p->y[i] += h / 6 * (k1[i] + 2 * k2[i] + 2 * k3[i] + k4[i]);
}

void plant_step(struct plant *p, const struct plant_areas *areas)
{
	struct drive_load load = load_of(p, &p->now);
	p->at_rest = drive_holds(p, p->t_s, p->y[OMEGA], &load);
	if (p->at_rest)
		p->y[OMEGA] = 0;
	memcpy(p->y_before, p->y, sizeof p->y);
	p->before = p->now;
	integrate(p, areas);
	p->now = view_of(p, p->y);
	p->t_s += p->step_s;
}

/* Cubic Hermite over the last step. */
double plant_theta(const struct plant *p, double t_s)
{
	double h = p->step_s, u = (t_s - (p->t_s - h)) / h, a = p->y_before[THETA], b = p->y[THETA];
	double va = p->y_before[OMEGA] * h, vb = p->y[OMEGA] * h;
	return a + u * (va + u * (3 * (b - a) - 2 * va - vb + u * (2 * (a - b) + va + vb)));
}

double plant_omega(const struct plant *p, double t_s)
{
	double u = (t_s - (p->t_s - p->step_s)) / p->step_s;
	return p->y_before[OMEGA] + u * (p->y[OMEGA] - p->y_before[OMEGA]);
}

double plant_passes(const struct plant *p, double theta_rad)
{
	double low = p->t_s - p->step_s, high = p->t_s;
	bool rising = p->y[THETA] > p->y_before[THETA];
	/* 40 halvings of 0.1 ms end below any clock. */
	for (int i = 0; i < 40; i++) {
		double middle = (low + high) / 2;
		if ((plant_theta(p, middle) < theta_rad) == rising)
			low = middle;
		else
			high = middle;
	}
	return (low + high) / 2;
}
