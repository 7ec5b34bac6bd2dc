/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/gains.h"

#include "analyse/plan_machine.h"
#include "analyse/report_words.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>

#define SUBSETS (1u << GAIN_CAUSES)
#define MODEL_PART 0.05   /* of a gain: what the simulated stroke leaves out; judgement */
#define MODEL_LEAST 0.005 /* of the stroke as it was: the same, of a gain near nothing; judgement */
#define WALLS_PART 0.05   /* of the air: heat of the walls while it comes in; judgement */
#define WIDER 2.0         /* times the conductance, to see what wire-drawing costs */
#define FLOOR_DEGREES 5
#define FLOOR_FROM 200 /* well inside the return stroke */
#define FLOOR_TO 359
#define REST_DEGREES 9 /* the supply at rest: highest mean over this much of the turn */

const char *gain_key(enum gain_cause c)
{
	static const char *const key[] = {"admission",   "cut_off",      "release",
	                                  "compression", "wire_drawing", "supply"};
	return key[c];
}

const char *gain_name(enum gain_cause c)
{
	static const char *const name[] = {"inlet opens on time",   "inlet shuts on time",
	                                   "exhaust opens on time", "exhaust shuts on time",
	                                   "valves and pipes x 2",  "supply does not sag"};
	return name[c];
}

/* --- the stroke, as it was and as it could be ------------------------------ */

struct bench {
	const struct plan_machine *m;
	enum engine_end end;
	struct cycle_case as_is;
	bool known[GAIN_CAUSES];
	double meant_rad[EVENT_KINDS]; /* past the end's dead centre */
	double rest_supply_pa;
};

static double rest_supply_pa(const struct stroke_diagram *d)
{
	double most = NAN;
	for (int b = 0; b < STROKE_BINS; b++) {
		double sum = 0;
		for (int k = 0; k < REST_DEGREES; k++)
			sum += d->supply_pa[(b + k) % STROKE_BINS];
		most = fmax(most, sum / REST_DEGREES);
	}
	return most;
}

static struct cycle_valve passage(const struct plan_machine *m, enum engine_end end, int exhaust)
{
	const struct plan_edge *e = &m->edge[end][exhaust ? EVENT_RELEASE : EVENT_ADMISSION];
	return (struct cycle_valve){
	    .c_m3_s_pa = m->c_m3_s_pa[end][exhaust],
	    .b = PLAN_CRITICAL_RATIO,
	    .opens_rad = e[0].actual_rad,
	    .shuts_rad = e[1].actual_rad,
	    .ramp_open_s = m->ramp_s[end][exhaust][0],
	    .ramp_shut_s = m->ramp_s[end][exhaust][1],
	};
}

static struct bench bench_of(const struct report *r, const struct plan_machine *m, enum engine_end end)
{
	struct bench b = {.m = m, .end = end, .rest_supply_pa = rest_supply_pa(&r->diagram[end])};
	b.as_is = (struct cycle_case){
	    .mech = &m->mech,
	    .end = end,
	    .table = &m->table[end],
	    .omega_rad_s = r->stroke[end].omega_rad_s,
	    .supply_pa = m->inlet_supply_pa[end],
	    .ambient_pa = r->engine.ambient_pa,
	    .air_k = r->engine.air_k,
	    .n = m->n[end],
	    .leak_m3_s_pa = m->leak_m3_s_pa[end],
	    .seat_m3_s_pa = m->seat_m3_s_pa[end],
	    .inlet = passage(m, end, 0),
	    .exhaust = passage(m, end, 1),
	};
	double dead_centre = mech_dead_centre_rad(&m->mech, end);
	for (int k = 0; k < EVENT_KINDS; k++) {
		b.meant_rad[k] =
		    plan_natural_rad((enum valve_event_kind)k, m->edge[end][k].setting_rad - dead_centre);
		b.known[k] = m->edge[end][k].source == PLAN_MEASURED && isfinite(b.meant_rad[k]);
	}
	b.known[GAIN_PASSAGES] = true;
	b.known[GAIN_SUPPLY] = isfinite(b.rest_supply_pa);
	return b;
}

/* Where a case has an event. */
static double *event_rad(struct cycle_case *c, int kind)
{
	double *const rad[EVENT_KINDS] = {&c->inlet.opens_rad, &c->inlet.shuts_rad, &c->exhaust.opens_rad,
	                                  &c->exhaust.shuts_rad};
	return rad[kind];
}

/* The case with these causes removed. */
static struct cycle_case without(const struct bench *b, unsigned causes)
{
	struct cycle_case c = b->as_is;
	for (int k = 0; k < EVENT_KINDS; k++)
		if (causes & 1u << k)
			*event_rad(&c, k) = b->meant_rad[k];
	if (causes & 1u << GAIN_PASSAGES) {
		c.inlet.c_m3_s_pa *= WIDER;
		c.exhaust.c_m3_s_pa *= WIDER;
	}
	if (causes & 1u << GAIN_SUPPLY)
		c.supply_pa = fmax(c.supply_pa, b->rest_supply_pa);
	return c;
}

static unsigned known_causes(const struct bench *b)
{
	unsigned known = 0;
	for (unsigned c = 0; c < GAIN_CAUSES; c++)
		known |= b->known[c] ? 1u << c : 0;
	return known;
}

/* --- shares and ranks ------------------------------------------------------- */

static unsigned count_of(unsigned set)
{
	unsigned n = 0;
	for (; set != 0; set &= set - 1)
		n++;
	return n;
}

/* Mean over all orders of what cause c adds: a set of s of the other n - 1 causes goes before it in
 * s! (n - 1 - s)! of the n! orders. */
static double share(const double value[SUBSETS], unsigned known, unsigned c)
{
	unsigned n = count_of(known);
	double sum = 0;
	for (unsigned set = 0; set < SUBSETS; set++) {
		if ((set & ~known) != 0 || (set & 1u << c) != 0)
			continue;
		unsigned s = count_of(set);
		sum += (value[set | 1u << c] - value[set]) * tgamma(s + 1) * tgamma(n - s) / tgamma(n + 1);
	}
	return sum;
}

static void rank(enum gain_cause order[GAIN_CAUSES], const double value[GAIN_CAUSES])
{
	for (int i = 0; i < GAIN_CAUSES; i++) {
		int k = i;
		for (; k > 0 && (value[i] > value[order[k - 1]] || isnan(value[order[k - 1]])); k--)
			order[k] = order[k - 1];
		order[k] = (enum gain_cause)i;
	}
}

static void fill(struct gains *g, unsigned known, const double work[SUBSETS], const double air[SUBSETS])
{
	double by_work[GAIN_CAUSES], by_air[GAIN_CAUSES];
	for (unsigned c = 0; c < GAIN_CAUSES; c++) {
		struct gain *x = &g->gain[c];
		*x = (struct gain){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
		if (known & 1u << c) {
			double j = work[1u << c], kg = air[1u << c];
			*x = (struct gain){.work_j = j - work[0],
			                   .air_kg = kg - air[0],
			                   .j_per_kg = j / kg - work[0] / air[0],
			                   .share_j = share(work, known, c),
			                   .share_kg = share(air, known, c)};
		}
		by_work[c] = x->work_j;
		by_air[c] = x->j_per_kg;
	}
	rank(g->by_work, by_work);
	rank(g->by_air, by_air);
	g->all_j = work[known] - work[0];
	g->all_kg = air[known] - air[0];
}

/* --- an end ------------------------------------------------------------------- */

static struct cycle_result run_without(const struct bench *b, unsigned causes)
{
	struct cycle_result result;
	struct cycle_case c = without(b, causes);
	cycle_run(&c, &result);
	return result;
}

/* Runs every subset, each beginning where the stroke as it was ends. */
static void run_all(struct bench *b, unsigned known, double work[SUBSETS], double air[SUBSETS])
{
	for (unsigned set = 0; set < SUBSETS; set++) {
		if ((set & ~known) != 0)
			continue;
		const struct cycle_result result = run_without(b, set);
		work[set] = result.work_j;
		air[set] = result.air_kg;
		if (set == 0) {
			b->as_is.start_pa = result.end_pa;
			b->as_is.start_k = result.end_k;
		}
	}
}

/* --- how sure ------------------------------------------------------------- */

enum { DOUBT_PASSAGES = EVENT_KINDS, DOUBTS = EVENT_KINDS + 2 }; /* each event's place; inlet, exhaust */

/* One thing of the stroke as it was off by as much as it may be, 95 %. */
static struct bench doubted(const struct bench *b, int doubt)
{
	struct bench d = *b;
	double *passage_c[2] = {&d.as_is.inlet.c_m3_s_pa, &d.as_is.exhaust.c_m3_s_pa};
	if (doubt < DOUBT_PASSAGES) {
		double sd_s = b->m->edge[b->end][doubt].delay_sd_s;
		*event_rad(&d.as_is, doubt) += isfinite(sd_s) ? 1.96 * sd_s * b->as_is.omega_rad_s : 0;
	} else
		*passage_c[doubt - DOUBT_PASSAGES] *=
		    1 + 1.96 * b->m->c_sd_part[b->end][doubt - DOUBT_PASSAGES];
	return d;
}

struct swings { /* by each doubt: of the stroke as it was, and of what a cause would gain */
	double was_j[DOUBTS], gain_j[DOUBTS], gain_kg[DOUBTS], gain_j_per_kg[DOUBTS];
};

/* Doubts together, squared, knowing that the stroke as it was does what was measured, within `agree_j`:
 * doubts that it contradicts count for less (normal theory, one observation). */
static double together(const double was_j[DOUBTS], const double gain[DOUBTS], double agree_j)
{
	double square = 0, both = 0, seen = agree_j * agree_j;
	for (int i = 0; i < DOUBTS; i++) {
		square += gain[i] * gain[i];
		both += gain[i] * was_j[i];
		seen += was_j[i] * was_j[i];
	}
	return fmax(square - both * both / seen, 0);
}

struct error {
	double work_j, air_kg, j_per_kg;
};

/* Of work per air after a change, by what the model may be off by in either. */
static double model_per_air(const struct gains *g, double work_j, double air_kg, double model_j,
                            double model_kg)
{
	double then_j = g->simulated_j + work_j, then_kg = g->simulated_air_kg + air_kg;
	return hypot(model_j / then_kg, model_kg * then_j / (then_kg * then_kg));
}

/* Of what a change to `put_right` brings, `work_j` and `air_kg`: by what the measured may be off by, and what
 * the model leaves out. */
static struct error error_of(const struct bench *b, const struct gains *g, unsigned put_right, double work_j,
                             double air_kg)
{
	struct swings s;
	double j_per_kg =
	    (g->simulated_j + work_j) / (g->simulated_air_kg + air_kg) - g->simulated_j / g->simulated_air_kg;
	for (int i = 0; i < DOUBTS; i++) {
		const struct bench d = doubted(b, i);
		const struct cycle_result was = run_without(&d, 0), then = run_without(&d, put_right);
		s.was_j[i] = was.work_j - g->simulated_j;
		s.gain_j[i] = then.work_j - was.work_j - work_j;
		s.gain_kg[i] = then.air_kg - was.air_kg - air_kg;
		s.gain_j_per_kg[i] = then.work_j / then.air_kg - was.work_j / was.air_kg - j_per_kg;
	}
	double agree_j = MODEL_PART * fabs(g->measured_j);
	double model = hypot(MODEL_PART, g->simulated_j / g->measured_j - 1);
	double model_j = hypot(model * work_j, MODEL_LEAST * g->simulated_j);
	double model_kg = hypot(hypot(model, WALLS_PART) * air_kg, MODEL_LEAST * g->simulated_air_kg);
	double model_j_per_kg = model_per_air(g, work_j, air_kg, model_j, model_kg);
	return (struct error){
	    .work_j = sqrt(together(s.was_j, s.gain_j, agree_j) + model_j * model_j),
	    .air_kg = sqrt(together(s.was_j, s.gain_kg, agree_j) + model_kg * model_kg),
	    .j_per_kg = sqrt(together(s.was_j, s.gain_j_per_kg, agree_j) + model_j_per_kg * model_j_per_kg),
	};
}

static void find_errors(const struct bench *b, unsigned known, struct gains *g)
{
	for (unsigned c = 0; c < GAIN_CAUSES; c++) {
		struct gain *x = &g->gain[c];
		struct error e = error_of(b, g, 1u << c, x->work_j, x->air_kg);
		x->work_error_j = e.work_j;
		x->air_error_kg = e.air_kg;
		x->j_per_kg_error = e.j_per_kg;
	}
	struct error all = error_of(b, g, known, g->all_j, g->all_kg);
	g->all_error_j = all.work_j;
	g->all_error_kg = all.air_kg;
}

/* Air of the stroke as it was with all passages this much wider. */
static double air_wider_kg(const struct bench *b, double times)
{
	struct cycle_result result;
	struct cycle_case c = b->as_is;
	c.inlet.c_m3_s_pa *= times;
	c.exhaust.c_m3_s_pa *= times;
	cycle_run(&c, &result);
	return result.air_kg;
}

/* Mean pressure over FLOOR_DEGREES from a degree on. */
static double floor_at(const double *pressure_pa, int from)
{
	double sum = 0;
	for (int k = from; k < from + FLOOR_DEGREES; k++)
		sum += pressure_pa[k];
	return sum / FLOOR_DEGREES;
}

static void find_floor(const struct report *r, const struct bench *b, const struct cycle_result *as_is,
                       struct gains *g)
{
	const double *measured_pa = r->diagram[b->end].measured_pa;
	struct cycle_case top = b->as_is;
	struct cycle_result at_top;
	int place = -1;
	for (int k = FLOOR_FROM; k + FLOOR_DEGREES <= FLOOR_TO; k++)
		if (isfinite(floor_at(measured_pa, k)) && !(floor_at(measured_pa, k) >= g->floor_pa)) {
			g->floor_pa = floor_at(measured_pa, k);
			place = k;
		}
	if (place < 0)
		return;
	top.omega_rad_s = fmax(r->speed_rpm.max * 2 * UNIT_PI / 60, top.omega_rad_s);
	cycle_run(&top, &at_top);
	g->simulated_floor_pa = floor_at(as_is->pressure_pa, place);
	g->top_floor_pa = floor_at(at_top.pressure_pa, place);
}

static void reckon_end(const struct report *r, const struct plan_machine *m, enum engine_end end,
                       struct gains *g)
{
	if (!m->used[end] || !r->has_strokes[end] || !isfinite(m->inlet_supply_pa[end])) {
		snprintf(g->why, sizeof g->why, "%s",
		         r->has_strokes[end] ? "the supply pressure or a valve of this end is not known"
		                             : words_no_strokes(r, end));
		return;
	}
	struct bench b = bench_of(r, m, end);
	struct cycle_result as_is;
	cycle_run(&b.as_is, &as_is);
	g->measured_j = r->stroke[end].work_j;
	g->simulated_j = as_is.work_j;
	find_floor(r, &b, &as_is, g);
	g->simulated_air_kg = as_is.air_kg;
	double off = 1.96 * m->c_sd_part[end][0];
	g->simulated_air_error_kg =
	    hypot(fabs(air_wider_kg(&b, 1 + off) - air_wider_kg(&b, 1 - off)) / 2, WALLS_PART * as_is.air_kg);
	g->known = fabs(as_is.work_j - g->measured_j) <= GAINS_AGREE * fabs(g->measured_j);
	if (!g->known) {
		snprintf(g->why, sizeof g->why,
		         "the simulated stroke does %.1f J where %.1f J were measured, too far apart to "
		         "say what a change would gain",
		         as_is.work_j, g->measured_j);
		return;
	}
	double work[SUBSETS], air[SUBSETS];
	unsigned known = known_causes(&b);
	run_all(&b, known, work, air);
	fill(g, known, work, air);
	find_errors(&b, known, g);
}

void gains_reckon(const struct report *r, struct gains *out)
{
	struct plan_machine *m = malloc(sizeof *m);
	if (m != NULL)
		plan_machine_from_report(r, NULL, m);
	for (int end = 0; end < END_COUNT; end++) {
		out[end] = (struct gains){.why = "out of memory",
		                          .measured_j = NAN,
		                          .simulated_j = NAN,
		                          .floor_pa = NAN,
		                          .simulated_floor_pa = NAN,
		                          .top_floor_pa = NAN,
		                          .simulated_air_kg = NAN,
		                          .simulated_air_error_kg = NAN,
		                          .all_j = NAN,
		                          .all_kg = NAN,
		                          .all_error_j = NAN,
		                          .all_error_kg = NAN};
		if (m != NULL)
			reckon_end(r, m, (enum engine_end)end, &out[end]);
	}
	free(m);
}
