/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_machine.h"

#include "common/air.h"
#include "common/unit.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TURN (2 * UNIT_PI)
#define Z95 1.96
#define ASSUMED_DELAY_S 0.015 /* where no event of any valve was found; judgement */
#define ASSUMED_DELAY_SD_S 0.010
#define KEPT_DELAY_SD_S 0.002     /* read back from a lead that was loaded */
#define BORROWED_DELAY_SD_S 0.005 /* taken from another valve of the machine */
#define MEASURED_C_SD 0.15
#define ASSUMED_C_SD 0.5
#define RAMP_MOST 2.0    /* times the median */
#define PASSAGE_MOST 2.5 /* times the median, or part of it */
#define CHANGED_S 0.008  /* a valve does not change by more than this between two rides */
#define EVENTS_LEAST 3
#define VALVE_SCATTER_S 0.001 /* a solenoid valve does not scatter by more; judgement */
#define EXPANSION_LEAST 0.2   /* of ln V, to read n from */

double plan_instant_sd_s(enum valve_event_kind k, double scatter_s)
{
	static const double attained[EVENT_KINDS] = {0.00015, 0.00025, 0.0002, 0.001};
	double hidden = scatter_s > VALVE_SCATTER_S ? scatter_s - VALVE_SCATTER_S : 0;
	return hypot(attained[k], hidden);
}

double plan_per_sd(enum plan_covariate k)
{
	static const double judged[PLAN_COVARIATES] = {
	    [PLAN_SUPPLY] = 1e-8, [PLAN_BATTERY] = 2e-3, [PLAN_SPEED] = 5e-5};
	return judged[k];
}

unsigned plan_passage(enum engine_end end, enum valve_event_kind k)
{
	bool inlet = k == EVENT_ADMISSION || k == EVENT_CUT_OFF;
	if (end == END_CAP)
		return inlet ? PASSAGE_CAP_INLET : PASSAGE_CAP_EXHAUST;
	return inlet ? PASSAGE_ROD_INLET : PASSAGE_ROD_EXHAUST;
}

double plan_ride_supply_pa(const struct plan_machine *m)
{
	double sum = 0;
	int n = 0;
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end] && isfinite(m->inlet_supply_pa[end])) {
			sum += m->inlet_supply_pa[end];
			n++;
		}
	return n > 0 ? sum / n : m->supply_pa.median;
}

/* How far these conditions are from where the delay was found; 0 where one of both is not known. */
static void from_there(const struct plan_edge *e, const struct plan_conditions *at,
                       double off[PLAN_COVARIATES])
{
	const double here[PLAN_COVARIATES] = {[PLAN_SUPPLY] = at->supply_pa,
	                                      [PLAN_BATTERY] = at->battery_v > 0 ? at->battery_v : NAN,
	                                      [PLAN_SPEED] = at->omega_rad_s};
	for (int k = 0; k < PLAN_COVARIATES; k++)
		off[k] = isfinite(here[k] - e->at[k]) ? here[k] - e->at[k] : 0;
}

double plan_edge_delay_s(const struct plan_edge *e, const struct plan_conditions *at)
{
	double off[PLAN_COVARIATES], delay = e->delay_s;
	from_there(e, at, off);
	for (int k = 0; k < PLAN_COVARIATES; k++)
		delay += e->per[k] * off[k];
	return fmax(delay, 0);
}

double plan_edge_delay_sd_s(const struct plan_edge *e, const struct plan_conditions *at)
{
	double off[PLAN_COVARIATES], sd = e->delay_sd_s;
	from_there(e, at, off);
	for (int k = 0; k < PLAN_COVARIATES; k++)
		sd = hypot(sd, e->per_sd[k] * off[k]);
	return sd;
}

double plan_edge_lead_s(const struct plan_edge *e, const struct plan_conditions *at)
{
	return fmax(plan_edge_delay_s(e, at) + e->latency_s, 0);
}

double plan_edge_scatter_rad(const struct plan_machine *m, const struct plan_edge *e,
                             const struct plan_conditions *at)
{
	double time = at->omega_rad_s * hypot(e->scatter_s, plan_edge_delay_sd_s(e, at));
	double tooth = m->tooth_pitch_rad / sqrt(12);
	return sqrt(time * time + tooth * tooth + e->offset_sd_rad * e->offset_sd_rad);
}

double plan_natural_rad(enum valve_event_kind k, double phi_rad)
{
	static const double low[EVENT_KINDS] = {-UNIT_PI, 0, UNIT_PI / 3, UNIT_PI};
	double d = fmod(phi_rad - low[k], TURN);
	return low[k] + (d < 0 ? d + TURN : d);
}

static bool opens(enum valve_event_kind k)
{
	return k == EVENT_ADMISSION || k == EVENT_RELEASE;
}

/* --- edges ---------------------------------------------------------------- */

static struct plan_edge bare_edge(const struct plan_machine *m, enum engine_end end, enum valve_event_kind k)
{
	struct plan_edge e = {.valve =
	                          engine_valve_for(&m->engine, (enum engine_passage)plan_passage(end, k)),
	                      .delay_s = ASSUMED_DELAY_S,
	                      .delay_sd_s = ASSUMED_DELAY_SD_S,
	                      .offset_sd_rad = unit_rad(0.5),
	                      .setting_rad = NAN,
	                      .actual_rad = NAN};
	for (int i = 0; i < PLAN_COVARIATES; i++) {
		e.per_sd[i] = plan_per_sd((enum plan_covariate)i);
		e.at[i] = e.low[i] = e.high[i] = NAN;
	}
	if (e.valve < 0)
		return e;
	const struct engine_valve *v = &m->engine.valve[e.valve];
	e.on = opens(k) == engine_energised_opens(v, plan_passage(end, k));
	e.setting_rad = e.on ? v->opens_rad : v->shuts_rad;
	e.lead_s = e.on ? v->lead_open_s : v->lead_shut_s;
	return e;
}

static void bare_edges(struct plan_machine *m)
{
	for (int end = 0; end < END_COUNT; end++) {
		m->used[end] = !isnan(m->mech.area_m2[end]) && !isnan(m->mech.clearance_m3[end]);
		for (int k = 0; k < EVENT_KINDS; k++) {
			m->edge[end][k] = bare_edge(m, (enum engine_end)end, (enum valve_event_kind)k);
			m->used[end] = m->used[end] && m->edge[end][k].valve >= 0;
		}
	}
}

static double half_width(const double ci[2])
{
	return isfinite(ci[0]) && isfinite(ci[1]) ? (ci[1] - ci[0]) / 2 / Z95 : 0;
}

/* The controller's part of an error: command - setting = offset + (latency - lead) x speed. */
static void controller_part(const struct valve_event_summary *s, struct plan_edge *e)
{
	if (s->separable && isfinite(s->offset_rad) && isfinite(s->latency_s)) {
		e->offset_rad = s->offset_rad;
		e->offset_sd_rad = fmax(half_width(s->offset_ci95_rad), unit_rad(0.1));
		e->latency_s = s->latency_s + e->lead_s;
	} else {
		double error = remainder(s->commanded_rad - s->intended_rad, TURN);
		double late = isfinite(error) ? error : 0,
		       speed = isfinite(s->speed_rad_s) ? s->speed_rad_s : 0;
		e->offset_rad = late + e->lead_s * speed;
		e->latency_s = 0;
	}
}

/* A controller that waits for the next tooth commands in steps: over speed its errors make
 * no straight line.  Its count does; waiting costs half a pitch on the mean. */
static void stepping_controller(const struct plan_machine *m, const struct plan_learn *learn,
                                struct plan_edge *e)
{
	double offset, latency;
	if (m->tooth_pitch_rad == 0 || !plan_learn_count(learn, &offset, &latency))
		return;
	e->offset_rad = offset + m->tooth_pitch_rad / 2;
	e->latency_s = latency;
}

static void measured_edge(const struct plan_machine *m, const struct plan_learn *learn,
                          const struct valve_event_summary *s, struct plan_edge *e)
{
	enum valve_event_kind k = (enum valve_event_kind)s->event;
	if (isfinite(s->intended_rad))
		e->setting_rad = s->intended_rad;
	controller_part(s, e);
	stepping_controller(m, learn, e);
	if (s->count < EVENTS_LEAST || !isfinite(s->delay_s))
		return;
	/* Where pressures are nearly equal an event can be read quite wrongly; a lead that an earlier
	 * plan found by measuring knows better, a guessed one does not. */
	if (m->planned_before && e->lead_s > 0 && fabs(s->delay_s - (e->lead_s - e->latency_s)) > CHANGED_S)
		return;
	e->source = PLAN_MEASURED;
	e->delay_s = s->delay_s;
	e->scatter_sd_s = half_width(s->delay_ci95_s);
	e->scatter_s = isfinite(s->delay_sd_s) ? s->delay_sd_s : 0;
	e->delay_sd_s = hypot(e->scatter_sd_s, plan_instant_sd_s(k, e->scatter_s));
	double dead_centre = mech_dead_centre_rad(&m->mech, (enum engine_end)s->end);
	e->actual_rad = plan_natural_rad(k, s->actual_rad - dead_centre);
}

static void learn_edges(const struct report *r, const struct plan_learn *learn, struct plan_machine *m)
{
	for (size_t i = 0; i < r->event_n; i++) {
		const struct valve_event_summary *s = &r->event[i];
		struct plan_edge *e = &m->edge[s->end][s->event];
		if (e->valve == s->valve)
			measured_edge(m, learn, s, e);
	}
}

/* --- edges that were not seen ---------------------------------------------- */

/* Mean delay of the measured edges that switch the same way; NAN when none. */
static double typical_delay_s(const struct plan_machine *m, bool on, int valve)
{
	double sum = 0;
	int n = 0;
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		const struct plan_edge *e = &m->edge[i / EVENT_KINDS][i % EVENT_KINDS];
		if (e->source == PLAN_MEASURED && e->on == on && (valve < 0 || e->valve == valve)) {
			sum += e->delay_s;
			n++;
		}
	}
	return n > 0 ? sum / n : NAN;
}

/* A well-timed valve moves where pressures are equal, and hides.  The lead that was loaded for
 * it is what an earlier ride knew; else the other valves stand for it. */
static void borrow(const struct plan_machine *m, struct plan_edge *e)
{
	double delay = typical_delay_s(m, e->on, e->valve);
	if (isnan(delay))
		delay = typical_delay_s(m, e->on, -1);
	if (e->lead_s > 0) {
		e->source = PLAN_KEPT_LEAD;
		e->delay_s = fmax(e->lead_s - e->latency_s, 0);
		e->delay_sd_s = KEPT_DELAY_SD_S;
	} else if (isfinite(delay)) {
		e->source = PLAN_BORROWED;
		e->delay_s = delay;
		e->delay_sd_s = BORROWED_DELAY_SD_S;
	}
}

/* Where the event is now, as far as setting, controller and delay tell. */
static void reckon_actual(const struct plan_machine *m, enum engine_end end, enum valve_event_kind k,
                          double omega, struct plan_edge *e)
{
	double command = e->setting_rad + e->offset_rad + (e->latency_s - e->lead_s) * omega;
	if (isnan(e->actual_rad) && isfinite(command))
		e->actual_rad =
		    plan_natural_rad(k, command + omega * e->delay_s - mech_dead_centre_rad(&m->mech, end));
}

static void fill_gaps(struct plan_machine *m)
{
	for (int end = 0; end < END_COUNT; end++)
		for (int k = 0; k < EVENT_KINDS && m->used[end]; k++) {
			struct plan_edge *e = &m->edge[end][k];
			if (e->source != PLAN_MEASURED && m->from_ride)
				borrow(m, e);
			if (m->from_ride)
				reckon_actual(m, (enum engine_end)end, (enum valve_event_kind)k,
				              m->speed_rad_s.median, e);
		}
}

/* --- gas ------------------------------------------------------------------ */

static void assume_gas(struct plan_machine *m, double c_m3_s_pa)
{
	for (int end = 0; end < END_COUNT; end++) {
		m->n[end] = PLAN_N;
		m->n_sd[end] = PLAN_N_SD;
		for (int p = 0; p < 2; p++) {
			m->c_m3_s_pa[end][p] = c_m3_s_pa;
			m->c_sd_part[end][p] = ASSUMED_C_SD;
			m->ramp_s[end][p][0] = m->ramp_s[end][p][1] = PLAN_RAMP_S;
		}
	}
}

static void take_gas(struct plan_machine *m, const struct gas_model *g)
{
	for (int end = 0; end < END_COUNT; end++) {
		if (isfinite(g->leak_m3_s_pa[end]))
			m->leak_m3_s_pa[end] = fmax(g->leak_m3_s_pa[end], 0);
		for (int p = 0; p < 2; p++) {
			if (isfinite(g->conductance[end][p]) && g->conductance[end][p] > 0) {
				m->c_m3_s_pa[end][p] = g->conductance[end][p];
				m->c_sd_part[end][p] = MEASURED_C_SD;
			}
			for (int w = 0; w < 2; w++)
				if (isfinite(g->ramp_s[end][p][w]) && g->ramp_s[end][p][w] > 0)
					m->ramp_s[end][p][w] = g->ramp_s[end][p][w];
		}
	}
}

/* The ramp of a valve that hardly shows in the pressure can come out as anything; one
 * machine's valves are of a kind. */
static void tame_ramps(struct plan_machine *m)
{
	enum { RAMPS = END_COUNT * 2 * 2 };
	double sorted[RAMPS], *ramp = &m->ramp_s[0][0][0];
	memcpy(sorted, ramp, sizeof sorted);
	gsl_sort(sorted, 1, RAMPS);
	double median = (sorted[RAMPS / 2 - 1] + sorted[RAMPS / 2]) / 2;
	for (int i = 0; i < RAMPS; i++)
		ramp[i] = fmin(ramp[i], RAMP_MOST * median);
}

/* So can a passage whose flow hardly shows. */
static void tame_passages(struct plan_machine *m)
{
	enum { PASSAGES = END_COUNT * 2 };
	double sorted[PASSAGES], *c = &m->c_m3_s_pa[0][0], *sd = &m->c_sd_part[0][0];
	memcpy(sorted, c, sizeof sorted);
	gsl_sort(sorted, 1, PASSAGES);
	double median = sqrt(sorted[PASSAGES / 2 - 1] * sorted[PASSAGES / 2]);
	for (int i = 0; i < PASSAGES; i++) {
		if (c[i] < PASSAGE_MOST * median && c[i] > median / PASSAGE_MOST)
			continue;
		c[i] = median;
		sd[i] = ASSUMED_C_SD;
	}
}

/* n from the mean diagram: slope of ln p over ln V between cut-off and release. */
static bool read_index(const struct plan_machine *m, enum engine_end end, double omega, double *n)
{
	const struct plan_edge *e = m->edge[end];
	double first = e[EVENT_CUT_OFF].actual_rad + omega * m->ramp_s[end][0][1];
	double last = e[EVENT_RELEASE].actual_rad - omega * m->ramp_s[end][1][0];
	double count = 0, x = 0, y = 0, xx = 0, xy = 0, low = INFINITY, high = -INFINITY;
	for (int b = 0; b < STROKE_BINS; b++) {
		double phi = unit_rad(b + 0.5), p = m->measured_pa[end][b];
		if (!(phi > first && phi < last && phi < UNIT_PI) || !(p > 0))
			continue;
		double lv = log(mech_volume_m3(&m->mech, end, phi + mech_dead_centre_rad(&m->mech, end)));
		double lp = log(p);
		count++, x += lv, y += lp, xx += lv * lv, xy += lv * lp;
		low = fmin(low, lv), high = fmax(high, lv);
	}
	if (count < 5 || high - low < EXPANSION_LEAST)
		return false;
	*n = -(xy - x * y / count) / (xx - x * x / count);
	return *n > 0.8 && *n < 1.8;
}

/* Sonic conductance that makes air expand with this index where walls alone would make it PLAN_N: what
 * comes in is index x ln V too much pressure in the time between cut-off and release.  See onset.h for K. */
static double seat_of_index(const struct plan_machine *m, enum engine_end end, double index)
{
	const struct plan_edge *e = m->edge[end];
	double dead_centre = mech_dead_centre_rad(&m->mech, end), middle = 0, n = 0;
	double from = mech_volume_m3(&m->mech, end, e[EVENT_CUT_OFF].actual_rad + dead_centre);
	double to = mech_volume_m3(&m->mech, end, fmin(e[EVENT_RELEASE].actual_rad, UNIT_PI) + dead_centre);
	double time = (fmin(e[EVENT_RELEASE].actual_rad, UNIT_PI) - e[EVENT_CUT_OFF].actual_rad) /
	              m->speed_rad_s.median;
	for (int b = 0; b < STROKE_BINS; b++) {
		double phi = unit_rad(b + 0.5);
		if (phi > e[EVENT_CUT_OFF].actual_rad && phi < e[EVENT_RELEASE].actual_rad &&
		    isfinite(m->measured_pa[end][b])) {
			middle += m->measured_pa[end][b];
			n++;
		}
	}
	double per_second = (PLAN_N - index) * log(to / from) / time;
	double k = per_second * sqrt(from * to) / AIR_GAMMA * (middle / n) / m->inlet_supply_pa[end];
	return k / (AIR_ANR_DENSITY * AIR_R * sqrt(AIR_ANR_TEMPERATURE_K * m->engine.air_k));
}

/* Air that comes or goes while both valves should be shut makes the index no index of expansion. */
static bool leaks(struct plan_machine *m, enum engine_end end, const struct gas_model *g)
{
	const struct expansion_verdict *t = &g->tight[end];
	double index = g->n_polytropic[end];
	if (t->fault == EXPANSION_SOUND || t->fault == EXPANSION_VOLUME)
		return false;
	double seat = t->high ? 0 : seat_of_index(m, end, index);
	if (seat > 0) {
		m->seat_m3_s_pa[end] = seat;
		m->seat_sd_part[end] = ASSUMED_C_SD;
	}
	report_say(
	    &m->remarks,
	    "The %s end %s while both its valves should be shut (index %.2f): %s leaks. The plan reckons "
	    "with that and assumes n = %.2f; mend it first, and plan again.",
	    engine_end_name(end), t->high ? "loses air" : "takes in air", index,
	    t->high ? "exhaust valve, piston or gland" : "the inlet valve", PLAN_N);
	return true;
}

static void learn_index(struct plan_machine *m, enum engine_end end, const struct report *r)
{
	double seen;
	if (r->has_gas && leaks(m, end, &r->gas))
		return;
	if (!m->has_strokes[end] || !read_index(m, end, m->speed_rad_s.median, &seen)) {
		report_say(
		    &m->remarks,
		    "The index of expansion at the %s end could not be read from the diagram: n = %.2f, "
		    "give or take %.2f, is assumed.",
		    engine_end_name(end), PLAN_N, PLAN_N_SD);
		return;
	}
	/* The reading suffers from small leaks and from the clearance given; the two are
	 * weighed by their variances. */
	const double reading_sd = 0.06;
	double a = 1 / (reading_sd * reading_sd), b = 1 / (PLAN_N_SD * PLAN_N_SD);
	m->n[end] = (a * seen + b * PLAN_N) / (a + b);
	m->n_sd[end] = sqrt(1 / (a + b));
}

/* --- the whole ------------------------------------------------------------ */

static void begin(struct plan_machine *m, const struct engine *e, double c_m3_s_pa)
{
	memset(m, 0, sizeof *m);
	m->engine = *e;
	m->planned_before = e->source != NULL && strstr(e->source, PLAN_MARK) != NULL;
	m->mech = mech_of(e);
	m->friction_pa = PLAN_FRICTION_PA;
	bare_edges(m);
	for (int end = 0; end < END_COUNT; end++)
		cycle_table_fill(&m->table[end], &m->mech, (enum engine_end)end);
	assume_gas(m, c_m3_s_pa);
	for (int end = 0; end < END_COUNT; end++)
		m->inlet_supply_pa[end] = NAN;
	m->speed_rad_s = m->supply_pa = m->battery_v = (struct report_range){NAN, NAN, NAN};
	m->friction_sd_pa = NAN;
}

static double mean_inlet_supply(const struct plan_machine *m, const struct stroke_diagram *d,
                                enum engine_end end)
{
	double sum = 0, n = 0, last = m->edge[end][EVENT_CUT_OFF].actual_rad;
	for (int b = 0; b < STROKE_BINS; b++)
		if (unit_rad(b) < last && isfinite(d->supply_pa[b])) {
			sum += d->supply_pa[b];
			n++;
		}
	return n > 0 ? sum / n : NAN;
}

static void take_strokes(struct plan_machine *m, const struct report *r)
{
	for (int end = 0; end < END_COUNT; end++) {
		m->has_strokes[end] = r->has_strokes[end];
		m->stroke[end] = r->stroke[end];
		memcpy(m->measured_pa[end], r->diagram[end].measured_pa, sizeof m->measured_pa[end]);
		if (r->has_strokes[end])
			m->inlet_supply_pa[end] =
			    mean_inlet_supply(m, &r->diagram[end], (enum engine_end)end);
		if (m->used[end])
			learn_index(m, (enum engine_end)end, r);
	}
}

void plan_machine_from_report(const struct report *r, const struct plan_learn *learn,
                              struct plan_machine *out)
{
	begin(out, &r->engine, PLAN_CONDUCTANCE);
	out->from_ride = true;
	memcpy(out->run, r->file, sizeof out->run);
	out->start_utc_us = r->start_utc_us;
	out->speed_rad_s =
	    (struct report_range){r->speed_rpm.min * UNIT_PI / 30, r->speed_rpm.median * UNIT_PI / 30,
	                          r->speed_rpm.max * UNIT_PI / 30};
	out->supply_pa = r->supply_pa;
	out->speed_range_narrow = true;
	for (size_t i = 0; i < r->event_n; i++)
		out->speed_range_narrow = out->speed_range_narrow && !r->event[i].separable;
	out->tooth_pitch_rad = learn != NULL ? plan_learn_pitch_rad(learn) : 0;
	learn_edges(r, learn, out);
	if (r->has_gas)
		take_gas(out, &r->gas);
	tame_ramps(out);
	tame_passages(out);
	fill_gaps(out);
	take_strokes(out, r);
}

void plan_machine_by_hand(const struct engine *e, const struct plan_by_hand *h, struct plan_machine *out)
{
	begin(out, e, h->conductance_m3_s_pa);
	for (int end = 0; end < END_COUNT; end++)
		for (int k = 0; k < EVENT_KINDS; k++) {
			struct plan_edge *edge = &out->edge[end][k];
			if (edge->valve < 0)
				continue;
			edge->delay_s = edge->on ? h->delay_on_s[edge->valve] : h->delay_off_s[edge->valve];
			edge->delay_sd_s = h->delay_sd_s;
			edge->source = PLAN_BY_HAND;
		}
	for (int end = 0; end < END_COUNT; end++) {
		out->n[end] = h->n;
		out->leak_m3_s_pa[end] = h->leak_m3_s_pa;
	}
	report_say(&out->remarks,
	           "Nothing is measured yet: delays, passages, index of expansion (%.2f), leak and friction "
	           "are as given by hand or assumed. Record a ride and plan again.",
	           h->n);
}
