/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_search.h"

#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define ECONOMY_UNIT 1e5 /* J/kg that count 1 in a score */
#define HANDLES (2 * ENGINE_VALVES_MAX)
#define ORDER_PER_DEG 5.0
#define LATER_DEG 3.0 /* a step by which compression is put later to spare the rod */
#define LATER_TIMES 10
#define UNTIDY_PER_DEG 0.01
#define HOLDS_DEG 0.3 /* breaches below these are rounding of the search */
#define HOLDS_S 0.0005
#define HOLDS_PART 0.005

const char *plan_goal_name(enum plan_goal g)
{
	static const char *const names[PLAN_GOALS] = {"full-expansion", "economy", "torque", "torque="};
	return names[g];
}

struct plan_ideal plan_ideal_of(const struct plan_machine *m, const struct plan_conditions *at,
                                enum engine_end end)
{
	return (struct plan_ideal){.supply_pa = at->supply_pa,
	                           .ambient_pa = m->engine.ambient_pa,
	                           .air_k = m->engine.air_k,
	                           .clearance_ratio =
	                               m->mech.clearance_m3[end] / mech_swept_m3(&m->mech, end),
	                           .n = m->n[end],
	                           .fill = AIR_GAMMA,
	                           .friction_pa = m->friction_pa};
}

/* --- score ----------------------------------------------------------------- */

static double release_error(const struct plan_machine *m, const struct plan_conditions *at,
                            const struct plan_prediction *p)
{
	double sum = 0, gauge = at->supply_pa - m->engine.ambient_pa;
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end]) {
			double off = (p->first_release_pa[end] - m->engine.ambient_pa) / gauge;
			sum += off * off;
		}
	return sum;
}

static double ideal_work_j(const struct plan_machine *m, const struct plan_conditions *at)
{
	double sum = 0;
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end])
			sum += mech_swept_m3(&m->mech, (enum engine_end)end) *
			       (at->supply_pa - m->engine.ambient_pa);
	return sum;
}

/* Degrees by which admissions come later than they need to, and, for full expansion,
 * by which the exhaust opens away from the dead centre.  Work and air hardly
 * tell such timings apart; a person does. */
static double untidy_deg(const struct plan_machine *m, const struct plan_conditions *at,
                         const struct plan_aim *aim, const struct plan_prediction *p)
{
	double sum = 0;
	for (int i = 0; i < END_COUNT; i++) {
		enum engine_end end = (enum engine_end)i;
		if (!m->used[i])
			continue;
		double least = plan_least_admission_rad(m, end, at);
		sum += unit_deg(fmax(p->phi_rad[i][EVENT_ADMISSION] - least, 0));
		if (aim->goal == PLAN_FULL_EXPANSION)
			sum += unit_deg(fabs(p->phi_rad[i][EVENT_RELEASE] - UNIT_PI));
	}
	return sum;
}

static double merit(const struct plan_machine *m, const struct plan_conditions *at,
                    const struct plan_aim *aim, const struct plan_prediction *p)
{
	switch (aim->goal) {
	case PLAN_FULL_EXPANSION:
		return p->work_j / p->air_kg / ECONOMY_UNIT - 100 * release_error(m, at, p);
	case PLAN_TORQUE:
		return p->work_j / ideal_work_j(m, at);
	case PLAN_CHOSEN_TORQUE: {
		double wanted = aim->net_torque_nm;
		return p->economy_j_kg / ECONOMY_UNIT - 20 * fmax(1 - p->net_torque_nm / wanted, 0);
	}
	default:
		return p->economy_j_kg / ECONOMY_UNIT;
	}
}

static double penalty(const struct plan_breach *b)
{
	/* Order and lead of the valves weigh so much that no force is relieved by breaking them. */
	return ORDER_PER_DEG * unit_deg(b->early_admission_rad + b->overlap_rad) + 2000 * b->short_pulse_s +
	       50 * b->force_part + 20 * b->over_supply_part;
}

static bool small(const struct plan_breach *b)
{
	return unit_deg(b->early_admission_rad) < HOLDS_DEG && unit_deg(b->overlap_rad) < HOLDS_DEG &&
	       b->short_pulse_s < HOLDS_S && b->force_part < HOLDS_PART &&
	       b->over_supply_part < 4 * HOLDS_PART;
}

static double score(const struct plan_machine *m, const struct plan_conditions *at,
                    const struct plan_aim *aim, const struct plan_breach *b, const struct plan_prediction *p)
{
	double s = merit(m, at, aim, p) - penalty(b) - UNTIDY_PER_DEG * untidy_deg(m, at, aim, p);
	return p->air_kg > 0 && isfinite(s) ? s : -1e9;
}

/* --- search ---------------------------------------------------------------- */

struct handle { /* edges of valves that move together */
	bool moves[ENGINE_VALVES_MAX][2];
	int only; /* the end it moves; -1: both */
};

struct search {
	const struct plan_machine *m;
	const struct plan_conditions *at;
	const struct plan_aim *aim;
	struct handle handle[HANDLES];   /* single edges */
	struct handle pair[EVENT_KINDS]; /* the same event at both ends */
	int n;
	struct plan_solution *best;
	int in_vain; /* handles moved either way without gain since the best was found or the step changed */
	double least_compression[END_COUNT]; /* rad past the dead centre: earlier passes the force limit at
	                                        speed */
};

static int end_of_edge(const struct plan_machine *m, int valve, int on)
{
	int only = -2;
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		int end = i / EVENT_KINDS;
		const struct plan_edge *e = &m->edge[end][i % EVENT_KINDS];
		if (m->used[end] && e->valve == valve && e->on == (on == 1))
			only = only == -2 || only == end ? end : -1;
	}
	return only;
}

static void find_handles(struct search *s)
{
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 0; on < 2; on++) {
			int only = end_of_edge(s->m, v, on);
			if (only < -1)
				continue;
			s->handle[s->n] = (struct handle){.only = only};
			s->handle[s->n++].moves[v][on] = true;
		}
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		const struct plan_edge *e = &s->m->edge[i / EVENT_KINDS][i % EVENT_KINDS];
		s->pair[i % EVENT_KINDS].only = -1;
		if (s->m->used[i / EVENT_KINDS])
			s->pair[i % EVENT_KINDS].moves[e->valve][e->on] = true;
	}
}

static void move(struct plan_timing *t, const struct handle *h, double by_rad)
{
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 0; on < 2; on++)
			if (h->moves[v][on])
				t->command_rad[v][on] += by_rad;
}

static double early_compression_deg(const struct search *s, const struct plan_prediction *p)
{
	double sum = 0;
	for (int end = 0; end < END_COUNT; end++)
		if (s->m->used[end])
			sum +=
			    unit_deg(fmax(s->least_compression[end] - p->phi_rad[end][EVENT_COMPRESSION], 0));
	return sum;
}

static double score_of(const struct search *s, const struct plan_breach *b, const struct plan_prediction *p)
{
	return score(s->m, s->at, s->aim, b, p) - ORDER_PER_DEG * early_compression_deg(s, p);
}

static bool try(struct search *s, const struct plan_timing *timing, int only)
{
	struct plan_prediction p = s->best->prediction;
	plan_predict(s->m, s->at, timing, only, &p);
	struct plan_breach b = plan_breach_of(s->m, s->at, timing, &p);
	double got = score_of(s, &b, &p);
	s->best->trials++;
	if (got <= s->best->score)
		return false;
	s->best->timing = *timing;
	s->best->prediction = p;
	s->best->breach = b;
	s->best->score = got;
	s->in_vain = 0;
	return true;
}

/* Moves each handle either way by `step`, until all have been moved from the same place; true when something
 * became better. */
static bool explore(struct search *s, const struct handle *handle, int n, double step)
{
	bool better = false;
	for (int i = 0; i < n && s->in_vain < n; i++) {
		s->in_vain++;
		for (int way = -1; way <= 1; way += 2) {
			struct plan_timing t = s->best->timing;
			move(&t, &handle[i], way * step);
			if (try(s, &t, handle[i].only)) {
				better = true;
				break;
			}
		}
	}
	return better;
}

/* Goes on in the direction in which the last round went. */
static void leap(struct search *s, const struct plan_timing *before)
{
	struct plan_timing t = s->best->timing;
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 0; on < 2; on++)
			t.command_rad[v][on] += t.command_rad[v][on] - before->command_rad[v][on];
	try(s, &t, -1);
}

static void descend(struct search *s, const struct handle *handle, int n, double from_deg, double to_deg)
{
	const int rounds_most = 12;
	for (double step_deg = from_deg; step_deg >= to_deg; step_deg /= 2) {
		s->in_vain = 0;
		for (int round = 0; round < rounds_most; round++) {
			struct plan_timing before = s->best->timing;
			if (!explore(s, handle, n, unit_rad(step_deg)))
				break;
			leap(s, &before);
		}
	}
}

/* --- start ----------------------------------------------------------------- */

static double start_cut_off_part(const struct plan_machine *m, const struct plan_conditions *at,
                                 const struct plan_aim *aim, enum engine_end end)
{
	struct plan_ideal d = plan_ideal_of(m, at, end);
	switch (aim->goal) {
	case PLAN_FULL_EXPANSION:
		return plan_ideal_full_expansion(&d);
	case PLAN_TORQUE:
		return 0.85;
	case PLAN_CHOSEN_TORQUE:
		return 0.4;
	default:
		return plan_ideal_economy(&d, 0).x;
	}
}

static void start_timing(const struct plan_machine *m, const struct plan_conditions *at,
                         const struct plan_aim *aim, struct plan_timing *out)
{
	double phi[END_COUNT][EVENT_KINDS];
	for (int i = 0; i < END_COUNT; i++) {
		enum engine_end end = (enum engine_end)i;
		double part = m->used[i] ? fmin(fmax(start_cut_off_part(m, at, aim, end), 0.02), 0.95) : 0.5;
		double shortest = at->omega_rad_s * plan_shortest_admission_s(m, end, at);
		phi[i][EVENT_ADMISSION] = plan_least_admission_rad(m, end, at);
		phi[i][EVENT_CUT_OFF] =
		    fmax(mech_angle_at_fraction_rad(&m->mech, end, part), phi[i][EVENT_ADMISSION] + shortest);
		phi[i][EVENT_RELEASE] = fmax(unit_rad(172), phi[i][EVENT_CUT_OFF] + unit_rad(8));
		phi[i][EVENT_COMPRESSION] = unit_rad(345);
	}
	plan_timing_place(m, at, phi, out);
}

/* The same events at the top speed, as the leads make them: a lead holds for the plan's speed, and
 * the delay may change with it.  Compression as early as hardly any comes, for that is
 * what raises the force. */
static void predict_top(const struct search *s, struct plan_prediction *top)
{
	struct plan_conditions at = *s->at;
	struct plan_timing timing;
	double phi[END_COUNT][EVENT_KINDS];
	at.omega_rad_s = s->at->top_rad_s;
	memcpy(phi, s->best->prediction.phi_rad, sizeof phi);
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		const struct plan_edge *e = &s->m->edge[i / EVENT_KINDS][i % EVENT_KINDS];
		phi[i / EVENT_KINDS][i % EVENT_KINDS] +=
		    at.omega_rad_s * (plan_edge_delay_s(e, &at) - plan_edge_delay_s(e, s->at));
	}
	for (int end = 0; end < END_COUNT; end++)
		phi[end][EVENT_COMPRESSION] -=
		    PLAN_Z_FORCE * plan_edge_scatter_rad(s->m, &s->m->edge[end][EVENT_COMPRESSION], &at);
	plan_timing_place(s->m, &at, phi, &timing);
	plan_predict(s->m, &at, &timing, -1, top);
}

/* How far the force at the top speed is above its limit, as a part of it. */
static double over_force_at_top(struct search *s, struct plan_prediction *top)
{
	double limit = s->m->engine.limit_rod_force_n;
	if (!(s->at->top_rad_s > s->at->omega_rad_s))
		return 0;
	predict_top(s, top);
	s->best->top_force_n = top->rod_force_n;
	return isfinite(limit) ? fmax(top->rod_force_n / limit - 1, 0) : 0;
}

/* Lets the ends that push too hard at the top speed compress later, and searches on. */
static void spare_the_rod(struct search *s)
{
	struct plan_prediction top = {0};
	double over = over_force_at_top(s, &top);
	for (int i = 0; i < LATER_TIMES && over > 0; i++) {
		double limit = s->m->engine.limit_rod_force_n;
		bool alone = fmax(top.cycle[END_CAP].peak_force_n, top.cycle[END_ROD].peak_force_n) > limit;
		for (int end = 0; end < END_COUNT; end++)
			if (s->m->used[end] && (!alone || top.cycle[end].peak_force_n > limit))
				s->least_compression[end] =
				    fmax(s->least_compression[end],
				         s->best->prediction.phi_rad[end][EVENT_COMPRESSION]) +
				    unit_rad(LATER_DEG);
		s->best->score = score_of(s, &s->best->breach, &s->best->prediction);
		descend(s, s->handle, s->n, 4, 0.5);
		over = over_force_at_top(s, &top);
	}
	s->best->breach.force_part = fmax(s->best->breach.force_part, over);
}

static void judge(struct search *s, const struct plan_timing *timing)
{
	struct plan_solution *out = s->best;
	memset(out, 0, sizeof *out);
	out->timing = *timing;
	plan_predict(s->m, s->at, timing, -1, &out->prediction);
	out->breach = plan_breach_of(s->m, s->at, timing, &out->prediction);
	out->score = score(s->m, s->at, s->aim, &out->breach, &out->prediction);
	out->top_force_n = out->prediction.rod_force_n;
	out->trials = 1;
}

void plan_judge(const struct plan_machine *m, const struct plan_conditions *at, const struct plan_aim *aim,
                const struct plan_timing *timing, struct plan_solution *out)
{
	struct search s = {.m = m, .at = at, .aim = aim, .best = out};
	struct plan_prediction top = {0};
	judge(&s, timing);
	out->breach.force_part = fmax(out->breach.force_part, over_force_at_top(&s, &top));
	out->holds = small(&out->breach);
}

void plan_search(const struct plan_machine *m, const struct plan_conditions *at, const struct plan_aim *aim,
                 const struct plan_timing *start, struct plan_solution *out)
{
	struct search s = {.m = m, .at = at, .aim = aim, .best = out};
	struct plan_timing own;
	if (start == NULL)
		start_timing(m, at, aim, &own);
	judge(&s, start != NULL ? start : &own);
	find_handles(&s);
	descend(&s, s.pair, EVENT_KINDS, 16, 4); /* both ends alike, then each by itself */
	descend(&s, s.handle, s.n, 4, 0.5);
	spare_the_rod(&s);
	out->holds = small(&out->breach);
}

/* --- trade-off ------------------------------------------------------------- */

static struct plan_point point_of(const struct plan_machine *m, const struct plan_prediction *p)
{
	struct plan_point q = {.net_torque_nm = p->net_torque_nm,
	                       .economy_j_kg = p->economy_j_kg,
	                       .air_kg = p->air_kg,
	                       .useful_fraction = p->useful_fraction};
	for (int i = 0; i < END_COUNT; i++) {
		enum engine_end end = (enum engine_end)i;
		q.cut_off_rad[i] = q.cut_off_part[i] = NAN;
		if (!m->used[i])
			continue;
		double phi = p->phi_rad[i][EVENT_CUT_OFF];
		double v = mech_volume_m3(&m->mech, end, phi + mech_dead_centre_rad(&m->mech, end));
		q.cut_off_rad[i] = phi;
		q.cut_off_part[i] = (v - m->mech.clearance_m3[i]) / mech_swept_m3(&m->mech, end);
	}
	return q;
}

/* Keeps a point unless one there is at least as good in both; drops those it beats. */
static void add_point(struct plan_curve *c, const struct plan_point *q)
{
	size_t kept = 0;
	for (size_t i = 0; i < c->n; i++)
		if (c->point[i].net_torque_nm >= q->net_torque_nm &&
		    c->point[i].economy_j_kg >= q->economy_j_kg)
			return;
	for (size_t i = 0; i < c->n; i++)
		if (c->point[i].net_torque_nm > q->net_torque_nm ||
		    c->point[i].economy_j_kg > q->economy_j_kg)
			c->point[kept++] = c->point[i];
	size_t at = kept;
	for (; at > 0 && c->point[at - 1].net_torque_nm > q->net_torque_nm; at--)
		c->point[at] = c->point[at - 1];
	c->point[at] = *q;
	c->n = kept + 1;
}

static size_t knee_of(const struct plan_curve *c)
{
	size_t knee = 0;
	double farthest = 0;
	if (c->n < 3)
		return 0;
	const struct plan_point *a = &c->point[0], *b = &c->point[c->n - 1];
	double wide = b->net_torque_nm - a->net_torque_nm, high = a->economy_j_kg - b->economy_j_kg;
	for (size_t i = 1; i + 1 < c->n; i++) {
		double x = (c->point[i].net_torque_nm - a->net_torque_nm) / wide;
		double y = (c->point[i].economy_j_kg - b->economy_j_kg) / high;
		if (x + y - 1 > farthest) {
			farthest = x + y - 1;
			knee = i;
		}
	}
	return knee;
}

void plan_curve_find(const struct plan_machine *m, const struct plan_conditions *at, struct plan_curve *out)
{
	struct plan_aim aim = {.goal = PLAN_TORQUE};
	struct plan_solution strong, s;
	memset(out, 0, sizeof *out);
	plan_search(m, at, &aim, NULL, &strong);
	aim.goal = PLAN_ECONOMY;
	plan_search(m, at, &aim, NULL, &s);
	double low = s.prediction.net_torque_nm, high = strong.prediction.net_torque_nm;
	struct plan_point q = point_of(m, &s.prediction);
	if (s.holds)
		add_point(out, &q);
	aim.goal = PLAN_CHOSEN_TORQUE;
	for (int i = 1; i < PLAN_CURVE_POINTS - 1; i++) {
		struct plan_timing start = s.timing;
		aim.net_torque_nm = low + (high - low) * i / (PLAN_CURVE_POINTS - 1);
		plan_search(m, at, &aim, &start, &s);
		q = point_of(m, &s.prediction);
		if (s.holds)
			add_point(out, &q);
	}
	q = point_of(m, &strong.prediction);
	if (strong.holds)
		add_point(out, &q);
	out->knee = knee_of(out);
}
