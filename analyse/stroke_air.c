/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/stroke_air.h"

#include "common/air.h"
#include "common/unit.h"

#include <math.h>

/* Heat between air and wall of a small cylinder at 1 to 6 bar and some rounds a second: for gas springs
 * Nu = 0.56 Pe^0.69, Pe = omega D^2 / (4 alpha), D = 4 V / A (Kornhauser and Smith, ASME J. Heat Transfer
 * 116, 1994; value from memory) gives 40 to 60 for 40 to 63 mm bore; the air that rushes in stirs it, which
 * adds. */
#define WALL_W_M2_K 60.0
#define WALL_OFF 1.0       /* 95 %: it may well be nothing or twice that */
#define EXHAUST_OFF 0.3    /* 95 %: of the exhaust's conductance */
#define SHUT_SD_S 0.001    /* by which the instant of the exhaust's shutting is off alike in all strokes */
#define FULL_PART 0.3      /* of the supply's gauge pressure, on the way back: its inlet stands open */
#define FILLED_PART 0.85   /* of the same, half-way through admission: less, and the exhaust stands open */
#define CRITICAL_RATIO 0.3 /* of the exhaust, ISO 6358: between .2 and .5 for valves */
#define WARM_LEAST 0.5     /* times the supply's temperature: beyond, pressure or volume is wrong */
#define WARM_MOST 2.5
/* 95 %: sonic conductance of what leaks by seats, piston and gland of a sound machine, by its bore: 0.006
 * dm3/(s bar) at 63 mm, too little to show in the expansion; judgement. */
#define LEAK_M2_S_PA 1e-9
#define CP (AIR_GAMMA * AIR_R / (AIR_GAMMA - 1))

double stroke_air_admitted_kg(const struct indicator_node *node, size_t n, double supply_k)
{
	if (n < 2)
		return 0;
	const struct indicator_node *a = &node[0], *b = &node[n - 1];
	double stored_j = (b->p_pa * b->v_m3 - a->p_pa * a->v_m3) / (AIR_GAMMA - 1);
	return (stored_j + indicator_work_j(node, n)) / (CP * supply_k);
}

/* How much of the exhaust's area is open: last turn's shutting, this turn's opening. */
static double exhaust_open(const struct stroke_air_case *c, double phi, double shuts_later_rad)
{
	double shut_ramp = fmax(c->omega_rad_s * c->ramp_s[1][1], 1e-6);
	double open_ramp = fmax(c->omega_rad_s * c->ramp_s[1][0], 1e-6);
	double shutting = 0.5 - (phi - c->last_compression.phi_rad - shuts_later_rad) / shut_ramp;
	double opening = 0.5 + (phi - c->angles->phi_rad[EVENT_RELEASE]) / open_ramp;
	return fmin(fmax(fmax(shutting, opening), 0), 1);
}

struct balance {
	double kg;                          /* that came in */
	double heat_kg;                     /* of it, to make up for what the walls took */
	double left_kg;                     /* by the exhaust meanwhile */
	double left_warm_kg;                /* of kg, to make up for that */
	double left_early_kg, left_late_kg; /* the same, had the exhaust shut twice its sd earlier or later */
	double start_kg;                    /* in the chamber before */
};

static const struct stroke_air UNKNOWN = {NAN, NAN};

/* What is left in the clearance stood in the open with the walls' temperature and was compressed since. */
static double start_kg(const struct stroke_air_case *c, const struct indicator_node *at)
{
	double pressed = pow(fmax(at->p_pa / c->ambient_pa, 1), (AIR_GAMMA - 1) / AIR_GAMMA);
	return at->p_pa * at->v_m3 / (AIR_R * c->air_k * pressed);
}

static double left_kg_s(const struct stroke_air_case *c, double p_pa, double air_k, double open)
{
	if (open == 0 || !isfinite(c->exhaust_m3_s_pa))
		return 0;
	return open * air_mass_flow(c->exhaust_m3_s_pa, CRITICAL_RATIO, p_pa, air_k, c->ambient_pa);
}

static void from_node_to_next(const struct stroke_air_case *c, const struct indicator_node *a,
                              struct balance *b)
{
	double dt = (a[1].phi_rad - a[0].phi_rad) / c->omega_rad_s;
	double p = (a[0].p_pa + a[1].p_pa) / 2, v = (a[0].v_m3 + a[1].v_m3) / 2;
	double phi = (a[0].phi_rad + a[1].phi_rad) / 2, walls_m2 = c->wall_m2 + c->wall_per_m * v;
	double inside_kg = b->start_kg + b->kg - b->left_kg;
	double warm = fmin(fmax(p * v / (AIR_R * inside_kg * c->air_k), WARM_LEAST), WARM_MOST);
	double heat_kg = WALL_W_M2_K * walls_m2 * (warm - 1) * dt / CP;
	double doubt_rad = 2 * hypot(c->last_compression.sd_rad, SHUT_SD_S * c->omega_rad_s);
	double left_kg = left_kg_s(c, p, warm * c->air_k, exhaust_open(c, phi, 0)) * dt;
	double early = exhaust_open(c, phi, -doubt_rad), late = exhaust_open(c, phi, doubt_rad);
	b->heat_kg += heat_kg;
	b->left_kg += left_kg;
	/* Warm air takes more with it than as much of the supply's brought. */
	b->left_warm_kg += left_kg * warm;
	b->left_early_kg += left_kg_s(c, p, warm * c->air_k, early) * dt * warm;
	b->left_late_kg += left_kg_s(c, p, warm * c->air_k, late) * dt * warm;
	b->kg += stroke_air_admitted_kg(a, 2, c->air_k) + heat_kg + left_kg * warm;
}

/* No command to shut was seen before this admission, and the chamber does not fill: it is not that only its
 * record was lost. */
static bool exhaust_stood_open(const struct stroke_air_case *c)
{
	const double *phi = c->angles->phi_rad;
	double filled_pa = stroke_nodes_pa(c->nodes, (phi[EVENT_ADMISSION] + phi[EVENT_CUT_OFF]) / 2);
	return c->last_compression.source == FROM_MISSED ||
	       (c->last_compression.source == FROM_MEAN &&
	        filled_pa < c->ambient_pa + FILLED_PART * (c->supply_pa - c->ambient_pa));
}

static struct stroke_air over(const struct stroke_air_case *given, size_t first, size_t last)
{
	struct stroke_air_case with = *given;
	const struct stroke_air_case *c = &with;
	if (exhaust_stood_open(given))
		with.last_compression = (struct stroke_event_angle){2 * UNIT_PI, 0, FROM_MISSED};
	const struct indicator_node *node = c->nodes->node;
	struct balance b = {.start_kg = start_kg(c, &node[first])};
	for (size_t k = first; k < last; k++)
		from_node_to_next(c, &node[k], &b);
	double by_instant = fmax(b.left_late_kg - b.left_warm_kg, b.left_warm_kg - b.left_early_kg);
	double left = hypot(EXHAUST_OFF * b.left_warm_kg, by_instant);
	double leak = AIR_ANR_DENSITY * LEAK_M2_S_PA * c->bore_m *
	              (isfinite(c->supply_pa) ? c->supply_pa : node[last].p_pa) * 2 * UNIT_PI /
	              c->omega_rad_s;
	return (struct stroke_air){b.kg, hypot(WALL_OFF * b.heat_kg, hypot(left, leak))};
}

/* Through one passage after the other goes the sonic conductance 1 / sqrt(1/C1^2 + 1/C2^2) at most (ISO 6358
 * for like critical ratios), while the exhaust is open, half the turn. */
static struct stroke_air straight_through(const struct stroke_air_case *c)
{
	double in = c->inlet_m3_s_pa, out = c->exhaust_m3_s_pa;
	double kg = AIR_ANR_DENSITY * in * out / hypot(in, out) * c->supply_pa * UNIT_PI / c->omega_rad_s;
	return (struct stroke_air){NAN, kg};
}

/* No command to shut was seen: was none sent, or was only its record lost? */
static bool inlet_stood_open(const struct stroke_air_case *c)
{
	enum stroke_event_source source = c->angles->source[EVENT_CUT_OFF];
	double back_pa = stroke_nodes_pa(c->nodes, c->turn_back_rad + UNIT_PI / 2);
	return source == FROM_MISSED ||
	       (source == FROM_MEAN && back_pa > c->ambient_pa + FULL_PART * (c->supply_pa - c->ambient_pa));
}

struct stroke_air stroke_air(const struct stroke_air_case *c)
{
	const struct stroke_angles *a = c->angles;
	if (a->source[EVENT_ADMISSION] == FROM_MISSED)
		return (struct stroke_air){0, 0};
	if (inlet_stood_open(c))
		return straight_through(c);
	double from = a->phi_rad[EVENT_ADMISSION] - c->omega_rad_s * c->ramp_s[0][0];
	double to = fmin(a->phi_rad[EVENT_CUT_OFF] + c->omega_rad_s * c->ramp_s[0][1], 2 * UNIT_PI);
	if (!isfinite(from) || !isfinite(to))
		return UNKNOWN;
	size_t first = stroke_nodes_at(c->nodes, from), past = stroke_nodes_at(c->nodes, to);
	return first + 1 < past ? over(c, first, past - 1) : UNKNOWN;
}
