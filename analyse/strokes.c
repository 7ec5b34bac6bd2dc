/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One stroke at a time: nodes, work, useful angle, air, ledger. */
#include "analyse/strokes.h"

#include "analyse/beside.h"
#include "analyse/ledger.h"
#include "analyse/stroke_air.h"
#include "analyse/stroke_events.h"
#include "analyse/stroke_nodes.h"
#include "analyse/stroke_torque.h"
#include "analyse/strokes_sum.h"
#include "analyse/supply_air.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sysexits.h>

static const double TURN = 2 * UNIT_PI;
static const double DEFAULT_N = 1.3;           /* expansion index while none is learned */
static const double RAMP_S = 0.006;            /* a valve's opening or shutting while none is learned */
static const double LAG_MOST_S = 0.02;         /* a learned sensor lag above this is no lag */
static const double UNKNOWN_LAG_S = 0.0005;    /* of a pressure sensor on a short hose */
static const double LEARNED_LAG_SD_S = 0.0003; /* rms that is left when the lag was learned */
static const double PASSAGE_MOST = 2.5;        /* times the other passage of the end */
static const double GAUGE_ZERO_PART = 0.001; /* of its range, sd: how well a gauge's zero is set with care */
static const double ZERO_SD_RAD = 0.0017;    /* 0.1 deg: index setting and lost motion */
#define DOUBTS_EVERY 8                       /* of so many strokes one is looked at for the ledger's doubt */
#define REMARKS_MAX (END_COUNT * EVENT_KINDS + 2)
#define REMARK_MAX 200

struct stroke_end { /* state of one end over the run */
	bool measured;
	int channel;
	double turn_back_rad;
	struct stroke_turns turns;
	struct stroke_events events;
	struct strokes_sum sum;
	struct stroke_nodes nodes;
	unsigned from[EVENT_KINDS][FROM_NOTHING + 1];
};

struct strokes {
	const struct engine *engine;
	const struct mech *mech;
	double n[END_COUNT];
	struct stroke_end end[END_COUNT];
	struct supply_air air;
	struct mean_tally torque, torque_sd;
	double most_torque_nm;
	struct stroke *row;
	size_t row_n, row_room;
	char remark[REMARKS_MAX][REMARK_MAX];
	size_t remarks;
	stroke_counts counts; /* NULL = all of them */
	void *counts_ctx;
};

struct strokes *strokes_new(const struct engine *e, const struct mech *m)
{
	struct strokes *s = calloc(1, sizeof *s);
	if (s == NULL)
		return NULL;
	s->engine = e;
	s->mech = m;
	s->most_torque_nm = NAN;
	s->air = supply_air_start(e->air_k, e->tank_m3);
	for (int end = 0; end < END_COUNT; end++) {
		struct stroke_end *x = &s->end[end];
		x->channel = engine_sensor_channel(e, end == END_CAP ? SENSOR_CAP : SENSOR_ROD);
		x->measured = x->channel >= 0 && isfinite(m->area_m2[end]) && isfinite(m->clearance_m3[end]);
		x->turn_back_rad = strokes_turn_back_rad(m, (enum engine_end)end);
		s->n[end] = DEFAULT_N;
		stroke_events_start(&x->events, e, (enum engine_end)end,
		                    mech_dead_centre_rad(m, (enum engine_end)end));
	}
	return s;
}

void strokes_count_only(struct strokes *s, stroke_counts counts, void *ctx)
{
	s->counts = counts;
	s->counts_ctx = ctx;
}

void strokes_free(struct strokes *s)
{
	if (s == NULL)
		return;
	for (int end = 0; end < END_COUNT; end++) {
		stroke_turns_free(&s->end[end].turns);
		stroke_events_free(&s->end[end].events);
		stroke_nodes_free(&s->end[end].nodes);
	}
	free(s->row);
	free(s);
}

/* --- one stroke -------------------------------------------------------- */

/* What a stroke is measured with. */
struct bench {
	struct strokes *s;
	enum engine_end end;
	struct stroke_nodes *nodes;
	const struct gas_model *gas;
	struct stroke_source source;
	double noise_pa, zero_sd_pa, supply_zero_sd_pa;
};

static struct stroke empty_row(const struct bench *b, const struct stroke_turn *turn)
{
	struct stroke row = {
	    .end = (uint8_t)b->end,
	    .number = turn->number,
	    .t_start_us = turn->t0_us,
	    .t_end_us = turn->t1_us,
	    .omega_rad_s = TURN / ((turn->t1_us - turn->t0_us) * 1e-6),
	    .supply_pa = NAN,
	    .work_j = NAN,
	    .work_sd_j = NAN,
	    .ideal_work_j = NAN,
	    .useful_rad = NAN,
	    .mep_pa = NAN,
	    .release_pa = NAN,
	    .air_kg = NAN,
	    .air_doubt_kg = NAN,
	    .peak_force_n = NAN,
	    .peak_torque_nm = NAN,
	    .peak_torque_sd_nm = NAN,
	    .loop_gap_j = NAN,
	    .ledger_gap_j = NAN,
	    .flag = turn->flag,
	};
	for (int l = 0; l < LEDGER_LINES; l++)
		row.ledger_j[l] = NAN;
	return row;
}

/* Time from half open to wide open, with room: the whole ramp. */
static double ramp_s(const struct bench *b, int exhaust, int shutting)
{
	double learned = b->gas == NULL ? NAN : b->gas->ramp_s[b->end][exhaust][shutting];
	return isfinite(learned) && learned > 0 ? learned : RAMP_S;
}

static double mean_supply_pa(const struct stroke_nodes *n, size_t from, double turn_back_rad)
{
	double sum = 0;
	size_t count = 0;
	for (size_t k = from; k < n->n && n->node[k].phi_rad <= turn_back_rad; k++, count++)
		sum += n->supply_pa[k];
	return count == 0 ? NAN : sum / (double)count;
}

/* Angle of the working stroke with gauge pressure above its share of the
 * supply's; the torque of the end is then positive, for the volume grows. */
static double useful_rad(const struct stroke_nodes *n, size_t from, double turn_back_rad, double ambient_pa,
                         double zero_pa)
{
	double useful = 0, before = 0;
	for (size_t k = from; k < n->n && n->node[k].phi_rad <= turn_back_rad; k++) {
		double supply_gauge = n->supply_pa[k] - ambient_pa;
		double gauge = n->node[k].p_pa - zero_pa - ambient_pa;
		if (isnan(supply_gauge))
			return NAN;
		double above = fmin(gauge - STROKE_USEFUL_SHARE * supply_gauge, gauge);
		if (k > from)
			useful +=
			    indicator_span_above(n->node[k - 1].phi_rad, before, n->node[k].phi_rad, above);
		before = above;
	}
	return useful;
}

static double peak_force_n(const struct bench *b, const struct indicator_node *node, size_t n)
{
	double peak = -INFINITY;
	for (size_t k = 0; k < n; k++)
		peak = fmax(peak, node[k].p_pa);
	return (peak - b->s->engine->ambient_pa) * b->s->mech->area_m2[b->end];
}

static struct ledger_case ledger_case_of(const struct bench *b, const struct stroke *row,
                                         const struct stroke_angles *a, double next_admission_rad,
                                         double dead_centre_rad)
{
	const struct mech *m = b->s->mech;
	double back = b->s->end[b->end].turn_back_rad;
	struct ledger_case c = {
	    .supply_pa = row->supply_pa,
	    .ambient_pa = b->s->engine->ambient_pa,
	    .n = b->s->n[b->end],
	    .turn_back_rad = back,
	    .intended_cut_off_rad = fmin(a->intended_cut_off_rad, back),
	    .admission_rad = a->phi_rad[EVENT_ADMISSION],
	    .cut_off_rad = fmax(a->phi_rad[EVENT_CUT_OFF], a->phi_rad[EVENT_ADMISSION]),
	    .release_rad = a->phi_rad[EVENT_RELEASE],
	    .compression_rad = a->phi_rad[EVENT_COMPRESSION],
	    .next_admission_rad = next_admission_rad,
	    .v_dead_m3 = mech_volume_m3(m, b->end, dead_centre_rad),
	    .v_turn_back_m3 = mech_volume_m3(m, b->end, dead_centre_rad + back),
	};
	c.v_intended_m3 = mech_volume_m3(m, b->end, dead_centre_rad + c.intended_cut_off_rad);
	return c;
}

static struct ledger_stroke ledger_stroke_of(const struct bench *b, double dead_centre_rad)
{
	return (struct ledger_stroke){b->nodes, &b->source, dead_centre_rad};
}

static void judge_ledger(const struct ledger_stroke *s, struct ledger_case *c, struct stroke *row)
{
	ledger_stroke_lines(s, c, 0, row->ledger_j);
	row->ideal_work_j = ledger_ideal_work_j(c);
	double sum = 0;
	for (int l = 0; l < LEDGER_LINES; l++)
		sum += row->ledger_j[l];
	row->ledger_gap_j = fabs(sum - (row->ideal_work_j - row->work_j));
}

/* sd of the loop's work: sampling noise, 2.22 sd(p) V_s / sqrt(samples) for a
 * near-harmonic stroke; and pressure against angle: the crank's own uncertainty,
 * its zero, and the sensor's lag. */
static void judge_error(const struct bench *b, const struct stroke_turn *turn,
                        const struct indicator_node *node, size_t n, struct stroke *row,
                        struct stroke_extra *extra)
{
	double lag_rad = row->omega_rad_s * (b->source.lag_us > 0 ? LEARNED_LAG_SD_S : UNKNOWN_LAG_S);
	extra->angle_sd_rad = hypot(hypot(turn->angle_sd_rad, ZERO_SD_RAD), lag_rad);
	extra->angle_shift_j = fabs(indicator_work_per_rad(node, n)) * extra->angle_sd_rad;
	extra->noise_j = 2.22 * b->noise_pa * mech_swept_m3(b->s->mech, b->end) / sqrt((double)n);
	row->work_sd_j = hypot(extra->angle_shift_j, extra->noise_j);
	extra->zero_sd_pa = b->zero_sd_pa;
}

/* A passage whose flow hardly shows can come out as anything; a machine's valves are of a kind. */
static double exhaust_m3_s_pa(const struct bench *b)
{
	double in = b->gas == NULL ? NAN : b->gas->conductance[b->end][0];
	double out = b->gas == NULL ? NAN : b->gas->conductance[b->end][1];
	return isfinite(in) && isfinite(out) ? fmin(fmax(out, in / PASSAGE_MOST), in * PASSAGE_MOST) : out;
}

static void measure_air(const struct bench *b, size_t turn, const struct stroke_angles *a, struct stroke *row)
{
	const struct mech *m = b->s->mech;
	const struct stroke_end *x = &b->s->end[b->end];
	double around_m = UNIT_PI * b->s->engine->bore_m, area_m2 = m->area_m2[b->end];
	struct stroke_air_case c = {
	    .nodes = b->nodes,
	    .angles = a,
	    .last_compression = stroke_events_last_compression(&x->events, &x->turns, turn, x->turn_back_rad),
	    .turn_back_rad = x->turn_back_rad,
	    .omega_rad_s = row->omega_rad_s,
	    .ramp_s = {{ramp_s(b, 0, 0), ramp_s(b, 0, 1)}, {ramp_s(b, 1, 0), ramp_s(b, 1, 1)}},
	    .inlet_m3_s_pa = b->gas == NULL ? NAN : b->gas->conductance[b->end][0],
	    .exhaust_m3_s_pa = exhaust_m3_s_pa(b),
	    .supply_pa = row->supply_pa,
	    .ambient_pa = b->s->engine->ambient_pa,
	    .air_k = b->s->engine->air_k,
	    .bore_m = b->s->engine->bore_m,
	    .wall_m2 = 2 * area_m2 - around_m * m->clearance_m3[b->end] / area_m2,
	    .wall_per_m = around_m / area_m2,
	};
	struct stroke_air air = stroke_air(&c);
	row->air_kg = air.kg;
	row->air_doubt_kg = air.doubt_kg;
}

/* Everything that follows from the nodes.  -1 when out of memory. */
static int judge(struct bench *b, const struct stroke_turn *turn, const struct stroke_angles *a,
                 double next_admission_rad, struct stroke *row, struct stroke_extra *extra)
{
	struct strokes *s = b->s;
	double back = s->end[b->end].turn_back_rad, ambient = s->engine->ambient_pa;
	struct ledger_case c = ledger_case_of(b, row, a, next_admission_rad, turn->dead_centre_rad);
	struct ledger_stroke stroke = ledger_stroke_of(b, turn->dead_centre_rad);
	if (ledger_stroke_nodes(&stroke, &c) != 0)
		return -1;
	size_t first = stroke_nodes_at(b->nodes, 0), past = stroke_nodes_at(b->nodes, TURN) + 1;
	const struct indicator_node *node = &b->nodes->node[first];
	struct indicator_loop loop;
	indicator_loop(node, past - first, &loop);
	row->work_j = loop.work_j;
	row->loop_gap_j = loop.gap_j;
	if (!loop.closed)
		row->flag = "the diagram does not close";
	row->mep_pa = loop.work_j / mech_swept_m3(s->mech, b->end);
	if (a->source[EVENT_RELEASE] < FROM_SETTING && a->source[EVENT_RELEASE] != FROM_MISSED)
		row->release_pa = stroke_nodes_pa(b->nodes, a->phi_rad[EVENT_RELEASE]);
	row->supply_pa = mean_supply_pa(b->nodes, first, back);
	row->useful_rad = useful_rad(b->nodes, first, back, ambient, 0);
	extra->useful_zero_rad = (useful_rad(b->nodes, first, back, ambient, -b->zero_sd_pa) -
	                          useful_rad(b->nodes, first, back, ambient, b->zero_sd_pa)) /
	                         2;
	c.supply_pa = row->supply_pa;
	if (isfinite(row->supply_pa) && isfinite(a->intended_cut_off_rad))
		judge_ledger(&stroke, &c, row);
	extra->ledger = c;
	judge_error(b, turn, node, past - first, row, extra);
	return 0;
}

/* Where the nodes have to start: before the inlet opens. */
static double start_rad(const struct bench *b, const struct stroke_angles *a, double omega_rad_s)
{
	double early = a->phi_rad[EVENT_ADMISSION] - omega_rad_s * ramp_s(b, 0, 0);
	return isfinite(early) ? fmin(early, 0) : 0;
}

static void count_sources(struct stroke_end *x, const struct stroke_angles *a)
{
	for (int k = 0; k < EVENT_KINDS; k++)
		x->from[k][a->source[k]]++;
}

/* What the ledger would be if what it stands on were a little off; the same for strokes that are alike. */
static int doubt_ledger(struct bench *b, const struct stroke_turn *turn, const struct stroke_angles *a,
                        const struct stroke *row, struct stroke_extra *extra)
{
	struct strokes_sum *sum = &b->s->end[b->end].sum;
	struct ledger_change change[LEDGER_DOUBTS];
	if (isnan(row->ideal_work_j) || (sum->with_ideal - 1) % DOUBTS_EVERY != 0)
		return 0;
	struct ledger_sds sd = {.chamber_pa = b->zero_sd_pa,
	                        .supply_pa = b->supply_zero_sd_pa,
	                        .noise_pa = b->noise_pa,
	                        .angle_rad = extra->angle_sd_rad};
	for (int k = 0; k < EVENT_KINDS; k++)
		sd.event_rad[k] = a->sd_rad[k];
	struct ledger_stroke stroke = ledger_stroke_of(b, turn->dead_centre_rad);
	if (ledger_doubts(&stroke, &extra->ledger, &sd, change) != 0)
		return -1;
	strokes_sum_doubt(sum, change);
	return 0;
}

static int measure_turn(struct bench *b, size_t i, struct stroke *row)
{
	struct stroke_end *x = &b->s->end[b->end];
	const struct stroke_turn *turn = &x->turns.turn[i];
	struct stroke_extra extra = {0};
	*row = empty_row(b, turn);
	struct stroke_angles a = stroke_events_angles(&x->events, &x->turns, i, x->turn_back_rad);
	double next_admission = stroke_events_next_admission(&x->events, &x->turns, i, x->turn_back_rad);
	extra.intended_cut_off_rad = a.intended_cut_off_rad;
	b->nodes->n = 0;
	if (row->flag[0] == '\0' && stroke_nodes_gather(b->nodes, &b->source, turn,
	                                                start_rad(b, &a, row->omega_rad_s), &row->flag) != 0)
		return -1;
	if (b->nodes->n > 0) /* beyond the sensor's range: it was this at least */
		row->peak_force_n = peak_force_n(b, b->nodes->node, b->nodes->n);
	if (row->flag[0] == '\0' && judge(b, turn, &a, next_admission, row, &extra) != 0)
		return -1;
	if (row->flag[0] == '\0')
		measure_air(b, i, &a, row);
	row->apart = b->s->counts != NULL && !b->s->counts(b->s->counts_ctx, row);
	if (row->apart)
		return 0;
	if (row->flag[0] == '\0') {
		count_sources(x, &a);
		strokes_sum_nodes(&x->sum, b->nodes);
	}
	strokes_sum_add(&x->sum, row, &extra);
	return row->flag[0] == '\0' ? doubt_ledger(b, turn, &a, row, &extra) : 0;
}

/* --- a leg ------------------------------------------------------------- */

static double span_pa(const struct engine_sensor *sensor)
{
	size_t n = sensor->points;
	return n < 2 ? 0 : fabs(sensor->value[n - 1] - sensor->value[0]);
}

static double resolution_pa(const struct engine_sensor *sensor)
{
	size_t n = sensor->points;
	return n < 2 ? 0 : span_pa(sensor) / fabs(sensor->counts[n - 1] - sensor->counts[0]) / sqrt(12);
}

/* A range as wide as the calibrated one beside it on either side: the converter goes no further. */
static void set_possible(struct stroke_source *source, const struct engine_sensor *sensor)
{
	source->least_pa = -INFINITY;
	source->most_pa = INFINITY;
	if (sensor->points < 2)
		return;
	double a = sensor->value[0], b = sensor->value[sensor->points - 1], span = span_pa(sensor);
	source->least_pa = fmin(a, b) - span;
	source->most_pa = fmax(a, b) + span;
}

static struct bench bench_for(struct strokes *s, enum engine_end end, const struct leg *leg,
                              const struct crank *c, const struct gas_model *gas)
{
	int channel = s->end[end].channel, supply = engine_sensor_channel(s->engine, SENSOR_SUPPLY);
	struct bench b = {.s = s, .end = end, .nodes = &s->end[end].nodes, .gas = gas};
	b.source = (struct stroke_source){
	    .crank = c,
	    .mech = s->mech,
	    .end = end,
	    .chamber = &leg->sensor[channel],
	    .supply = supply >= 0 ? &leg->sensor[supply] : NULL,
	};
	set_possible(&b.source, &s->engine->sensor[channel]);
	b.source.chamber_hole_us = stroke_hole_us(b.source.chamber);
	b.source.full_counts = stroke_full_counts(b.source.chamber);
	if (b.source.supply != NULL)
		b.source.supply_hole_us = stroke_hole_us(b.source.supply);
	double learned = gas == NULL ? NAN : gas->noise_pa[end];
	double lag_s = gas == NULL ? NAN : gas->sensor_lag_s[end];
	if (lag_s > 0 && lag_s < LAG_MOST_S)
		b.source.lag_us = lag_s * 1e6;
	if (supply >= 0)
		b.supply_zero_sd_pa = GAUGE_ZERO_PART * span_pa(&s->engine->sensor[supply]);
	b.zero_sd_pa = GAUGE_ZERO_PART * span_pa(&s->engine->sensor[channel]);
	b.noise_pa = fmax(isfinite(learned) ? learned : 0, resolution_pa(&s->engine->sensor[channel]));
	return b;
}

/* --- torque ------------------------------------------------------------ */

/* Every end that there is has to be measured.  False when not. */
static bool torque_source(struct strokes *s, const struct leg *leg, const struct crank *c,
                          const struct gas_model *gas, struct stroke_torque_source *out)
{
	*out =
	    (struct stroke_torque_source){.crank = c, .mech = s->mech, .ambient_pa = s->engine->ambient_pa};
	for (int end = 0; end < END_COUNT; end++) {
		if (!isfinite(s->mech->clearance_m3[end]))
			continue;
		if (!s->end[end].measured)
			return false;
		struct bench b = bench_for(s, (enum engine_end)end, leg, c, gas);
		out->chamber[end] = b.source.chamber;
		out->lag_us[end] = b.source.lag_us;
		out->noise_pa[end] = b.noise_pa;
		out->zero_sd_pa[end] = b.zero_sd_pa;
	}
	return out->chamber[END_CAP] != NULL || out->chamber[END_ROD] != NULL;
}

struct torque_job {
	struct strokes *s;
	const struct stroke_torque_source *source;
};

/* A turn of the crank is one of the cap end's strokes (of the rod end's, where there is no cap end). */
static void torque_of_row(void *ctx, size_t i)
{
	const struct torque_job *job = ctx;
	enum engine_end by = job->source->chamber[END_CAP] != NULL ? END_CAP : END_ROD;
	struct stroke *row = &job->s->row[i];
	if (row->end != by || row->apart || row->flag[0] != '\0')
		return;
	struct stroke_torque t = stroke_torque_over(job->source, row->t_start_us, row->t_end_us);
	row->peak_torque_nm = t.most_nm;
	row->peak_torque_sd_nm = t.sd_nm;
}

static void reckon_torque(struct strokes *s, const struct leg *leg, const struct crank *c,
                          const struct gas_model *gas)
{
	struct stroke_torque_source source;
	if (!torque_source(s, leg, c, gas, &source))
		return;
	struct torque_job job = {.s = s, .source = &source};
	beside_do(s->row_n, torque_of_row, &job);
	for (size_t i = 0; i < s->row_n; i++) {
		const struct stroke *row = &s->row[i];
		if (isnan(row->peak_torque_nm))
			continue;
		mean_tally_add(&s->torque, row->peak_torque_nm);
		mean_tally_add(&s->torque_sd, row->peak_torque_sd_nm);
		s->most_torque_nm = fmax(s->most_torque_nm, row->peak_torque_nm);
	}
}

void strokes_torque(const struct strokes *s, struct torque_summary *out)
{
	*out = (struct torque_summary){.turns = (unsigned)s->torque.n,
	                               .mean_nm = mean_tally_mean(&s->torque),
	                               .mean_sd_nm = mean_tally_mean(&s->torque_sd),
	                               .most_nm = s->most_torque_nm};
}

static int make_rows(struct strokes *s, size_t n)
{
	if (n <= s->row_room)
		return 0;
	struct stroke *grown = realloc(s->row, 2 * n * sizeof *grown);
	if (grown == NULL)
		return -1;
	s->row = grown;
	s->row_room = 2 * n;
	return 0;
}

struct leg_job {
	struct strokes *s;
	const struct leg *leg;
	const struct crank *crank;
	const struct valve_event *event;
	size_t event_n;
	const struct gas_model *gas;
	size_t first_row[END_COUNT];
	int status[END_COUNT];
};

/* The turns of each end and the rows for them. */
static int find_turns(struct leg_job *job)
{
	struct strokes *s = job->s;
	s->row_n = 0;
	for (int end = 0; end < END_COUNT; end++) {
		struct stroke_end *x = &s->end[end];
		job->first_row[end] = s->row_n;
		if (!x->measured)
			continue;
		if (stroke_turns_find(&x->turns, job->leg, job->crank, x->events.dead_centre_rad) != 0)
			return -1;
		s->row_n += x->turns.n;
	}
	return make_rows(s, s->row_n);
}

static void measure_end(void *ctx, size_t end)
{
	struct leg_job *job = ctx;
	struct stroke_end *x = &job->s->end[end];
	if (!x->measured)
		return;
	struct bench b = bench_for(job->s, (enum engine_end)end, job->leg, job->crank, job->gas);
	double learned = job->gas == NULL ? NAN : job->gas->n_polytropic[end];
	if (learned >= 1 && learned <= 1.5)
		job->s->n[end] = learned;
	job->status[end] = stroke_events_assign(&x->events, &x->turns, job->event, job->event_n);
	struct stroke *row = job->s->row + job->first_row[end];
	for (size_t i = 0; i < x->turns.n && job->status[end] == 0; i++)
		job->status[end] = measure_turn(&b, i, &row[i]);
}

/* --- air -------------------------------------------------------------- */

/* The balance knows mass times temperature, so far as the ends are measured. */
static bool both_ends_known(const struct strokes *s)
{
	for (int end = 0; end < END_COUNT; end++)
		if (!s->end[end].measured && isfinite(s->mech->clearance_m3[end]))
			return false;
	return true;
}

static double mean_between_pa(const struct ride_series *s, double from_us, double to_us)
{
	double sum = 0;
	size_t first = ride_lower_bound(s->t_us, s->n, (int64_t)from_us), k = first;
	for (; k < s->n && (double)s->t_us[k] < to_us; k++)
		sum += (double)s->value[k];
	return k > first ? sum / (double)(k - first) : NAN;
}

/* From the rest temperature, at which the air was reckoned, to that of the supply at
 * each stroke; rows by time.  A stroke left out took what its end takes on the mean. */
static void reckon_air(struct strokes *s, const struct leg *leg)
{
	int channel = both_ends_known(s) ? engine_sensor_channel(s->engine, SENSOR_TANK) : -1;
	for (size_t i = 0; i < s->row_n; i++) {
		struct stroke *row = &s->row[i];
		struct strokes_sum *sum = &s->end[row->end].sum;
		double tank_pa = channel < 0
		                     ? NAN
		                     : mean_between_pa(&leg->sensor[channel], row->t_start_us, row->t_end_us);
		double k = supply_air_k(&s->air, row->t_start_us, tank_pa);
		row->air_kg *= s->engine->air_k / k;
		row->air_doubt_kg *= s->engine->air_k / k;
		if (!row->apart)
			strokes_sum_air(sum, row, k);
		supply_air_take(&s->air, isfinite(row->air_kg) ? row->air_kg : mean_tally_mean(&sum->air));
	}
}

static int by_start(const void *a, const void *b)
{
	const struct stroke *x = a, *y = b;
	if (x->t_start_us != y->t_start_us)
		return x->t_start_us < y->t_start_us ? -1 : 1;
	return (int)x->end - (int)y->end;
}

/* Rows of another part of the ride have done their duty for the air. */
static void drop_apart(struct strokes *s)
{
	size_t kept = 0;
	for (size_t i = 0; i < s->row_n; i++)
		if (!s->row[i].apart)
			s->row[kept++] = s->row[i];
	s->row_n = kept;
}

static void remark_sources(struct strokes *s, int end, int kind)
{
	static const char *const INSTEAD[] = {
	    [FROM_DELAY] = "its command and the mean delay",
	    [FROM_MEAN] = "the mean angle of the ride",
	    [FROM_COMMAND] = "the angle of the command (no event of this kind was found)",
	    [FROM_SETTING] = "the intended angle (neither event nor command is known)",
	    [FROM_NOTHING] = "the dead centre (nothing at all is known of it)",
	};
	const unsigned *from = s->end[end].from[kind];
	unsigned total = 0;
	for (int k = 0; k <= FROM_NOTHING; k++)
		total += from[k];
	for (int k = FROM_DELAY; k <= FROM_NOTHING; k++) {
		if (from[k] == 0 || from[k] * 10 < total || s->remarks == REMARKS_MAX)
			continue;
		snprintf(s->remark[s->remarks++], REMARK_MAX,
		         "%s end, %s: in %u of %u strokes the ledger uses %s.",
		         engine_end_name((enum engine_end)end),
		         kind == EVENT_CUT_OFF ? "cut-off" : valve_event_name((enum valve_event_kind)kind),
		         from[k], total, INSTEAD[k]);
		return;
	}
}

static void write_remarks(struct strokes *s)
{
	s->remarks = 0;
	for (int end = 0; end < END_COUNT; end++)
		for (int kind = 0; kind < EVENT_KINDS; kind++)
			remark_sources(s, end, kind);
}

int strokes_measure(struct strokes *s, const struct leg *leg, const struct crank *c,
                    const struct valve_event *events, size_t n_events, const struct gas_model *gas,
                    const struct stroke **rows, size_t *n, struct fault *fault)
{
	struct leg_job job = {
	    .s = s, .leg = leg, .crank = c, .event = events, .event_n = n_events, .gas = gas};
	int status = find_turns(&job);
	if (status == 0)
		beside_do(END_COUNT, measure_end, &job);
	if (status != 0 || job.status[END_CAP] != 0 || job.status[END_ROD] != 0)
		return fault_set(fault, EX_OSERR, "out of memory for the strokes");
	if (s->row_n > 0)
		qsort(s->row, s->row_n, sizeof *s->row, by_start);
	reckon_air(s, leg);
	reckon_torque(s, leg, c, gas);
	drop_apart(s);
	write_remarks(s);
	*rows = s->row;
	*n = s->row_n;
	return 0;
}

void strokes_finish(const struct strokes *s, struct stroke_summary out[END_COUNT])
{
	for (int end = 0; end < END_COUNT; end++)
		strokes_sum_summary(&s->end[end].sum, s->mech, (enum engine_end)end, &out[end]);
}

void strokes_diagram(const struct strokes *s, enum engine_end end, struct stroke_diagram *out)
{
	strokes_sum_diagram(&s->end[end].sum, s->mech, end, s->engine->ambient_pa, s->n[end], out);
}

const char *strokes_remark(const struct strokes *s, size_t i)
{
	return i < s->remarks ? s->remark[i] : NULL;
}
