/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/valve_events.h"
#include "analyse/beside.h"
#include "analyse/valve_events_internal.h"

#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

const char *valve_event_name(enum valve_event_kind k)
{
	static const char *const name[EVENT_KINDS] = {"admission", "cut_off", "release", "compression"};
	return k < EVENT_KINDS ? name[k] : "unknown";
}

/* What is assumed of a valve of which nothing has been seen yet. */
static const struct group unknown_group = {
    .delay_s = 15e-3,
    .scale_s = 15e-3,
    .spread_s = 5e-3,
    .sd = {15e-3, INFINITY, 5e-3, 0.5, 0.1, 0, 0, 0},
    .per_lag = -1,
    .noise_factor = 1,
};

/* A valve is chosen for its cylinder, so that a stroke fills in about the same time: 3 l/s for 0.39 l;
 * the walls' heat, there 0.9 W/K at 290 K, goes with their area; a ramp of 4 ms; b = 0.35, as
 * makers state 0.2 to 0.5 (value from memory). */
static void set_usual(struct valve_events *v)
{
	static const double usual[ONSET_PARAMETERS] = {15e-3, 0, 0, -5.8, 0, 5.6, -5.52, 0.35};
	double swept = mech_swept_m3(&v->mech, END_CAP);
	double size = swept > 0 ? log(swept / 0.39e-3) : 0;
	memcpy(v->usual, usual, sizeof(usual));
	v->usual[ONSET_K] += size;
	v->usual[ONSET_HEAT] += size * 2 / 3;
}

struct valve_events *valve_events_new(const struct engine *e, const struct mech *m, const struct wheel *w)
{
	struct valve_events *v = calloc(1, sizeof(*v));
	(void)w;
	if (v == NULL)
		return NULL;
	v->engine = *e;
	v->mech = *m;
	v->channel[END_CAP] = engine_sensor_channel(e, SENSOR_CAP);
	v->channel[END_ROD] = engine_sensor_channel(e, SENSOR_ROD);
	v->battery_channel = engine_sensor_channel(e, SENSOR_BATTERY);
	v->supply_channel = engine_sensor_channel(e, SENSOR_SUPPLY);
	v->supply_is_measured = v->supply_channel >= 0;
	if (v->supply_channel < 0)
		v->supply_channel = engine_sensor_channel(e, SENSOR_TANK);
	set_usual(v);
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		v->coil[i] = (struct coil_warmth){0, NAN, false};
	for (unsigned i = 0; i < ENGINE_VALVES_MAX; i++)
		v->coil_channel[i] = engine_coil_channel(e, i);
	for (int end = 0; end < END_COUNT; end++) {
		v->supply_pa[end] = NAN;
		for (int k = 0; k < EVENT_KINDS; k++) {
			v->group[end][k] = unknown_group;
			memcpy(v->group[end][k].value, v->usual, sizeof(v->usual));
		}
	}
	v->window = malloc(sizeof(*v->window) * END_COUNT);
	v->batch = malloc(sizeof(*v->batch) * END_COUNT);
	if (v->window == NULL || v->batch == NULL) {
		valve_events_free(v);
		return NULL;
	}
	valve_gas_model(v);
	return v;
}

void valve_events_free(struct valve_events *v)
{
	if (v == NULL)
		return;
	valve_tally_free(&v->tally);
	free(v->window);
	free(v->batch);
	free(v->transition_store);
	free(v->supply_smooth);
	free(v->row);
	free(v->row_command);
	free(v);
}

void valve_events_count_only(struct valve_events *v, valve_event_counts counts, void *ctx)
{
	v->counts = counts;
	v->counts_ctx = ctx;
}

/* --- one event ------------------------------------------------------------ */

static double wrap(double rad)
{
	double turned = remainder(rad, 2 * UNIT_PI);
	return turned <= -UNIT_PI ? turned + 2 * UNIT_PI : turned;
}

/* The command's part: where the crank was, what was meant, what the
 * controller thought. */
static void fill_command(const struct valve_events *v, const struct ride_command *cmd, const struct crank *c,
                         const struct believed *b, struct valve_event *e)
{
	struct crank_state at;
	size_t hint = 0;
	crank_at(c, (double)cmd->t_us, &hint, &at);
	const struct engine_valve *valve = &v->engine.valve[cmd->valve];
	double setting = cmd->on ? valve->opens_rad : valve->shuts_rad;
	double controller = cmd->controller_rad;
	if (isnan(controller) && b != NULL)
		controller = believed_rad_at(b, (double)cmd->t_us);
	e->intended_rad = isnan(cmd->intended_rad) ? setting : cmd->intended_rad;
	e->command_t_us = (double)cmd->t_us;
	e->coil_warmth = v->coil[cmd->valve].warmth;
	e->flagged = at.flag != CRANK_GOOD;
	e->command_rad = e->flagged ? NAN : at.theta_rad;
	e->omega_rad_s = e->flagged ? NAN : at.omega_rad_s;
	e->revolution = e->flagged ? 0 : (int64_t)floor(at.theta_rad / (2 * UNIT_PI));
	e->count_error_rad = wrap(e->command_rad - controller);
	e->firing_error_rad = wrap(controller - e->intended_rad);
}

#define BATTERY_HOLE_US 1e6 /* it changes slowly */

static void fill_pressures(const struct valve_events *v, const struct leg *leg, enum onset_passage passage,
                           struct valve_event *e)
{
	size_t hint = 0;
	enum engine_end end = (enum engine_end)e->end;
	const struct ride_series *s = v->chamber[end].series;
	double chamber = s == NULL ? NAN : ride_series_at(s, e->command_t_us, 5e4);
	double supply = valve_supply_at(v, leg, end, e->command_t_us, &hint);
	e->up_pa = passage == ONSET_INLET ? supply : chamber;
	e->down_pa = passage == ONSET_INLET ? chamber : v->engine.ambient_pa;
	e->supply_pa = v->supply_is_measured ? supply : NAN;
	e->battery_v = v->battery_channel < 0 ? NAN
	                                      : ride_series_at(&leg->sensor[v->battery_channel],
	                                                       e->command_t_us, BATTERY_HOLE_US);
}

#define FLOOR_S 1e-4 /* sd of an event time is never said to be less */
#define LATE_S 8e-3  /* a movement this late is still looked for before it is called missed */
#define CLEAR 40.0   /* misfit at which the absence of an event is seen */

#define EARLY_S                                                                                              \
	10e-3 /* before its usual time: a valve may stick and come late, but what is so early is no answer   \
	       */

/* Found where it was not merely the edge of what was looked at, and where a command can have brought it
 * about? */
static bool inside(const struct onset_prior *prior, const struct onset_result *r)
{
	double margin = fmax(2 * r->sd_s, 0.5e-3);
	double from = fmax(prior->earliest_s + margin, prior->mean[ONSET_T50] - EARLY_S);
	return r->t50_s > from && r->t50_s < prior->latest_s - fmin(margin, 1e-3);
}

#define NEVER_S 20e-3 /* behind its usual time: late or not, it is no movement of this command */

/* All that the fit could do was to put the movement behind everything that was looked at. */
static bool put_off(const struct onset_prior *prior, const struct onset_result *r)
{
	return r->t50_s > prior->latest_s - 1e-3 && prior->latest_s > prior->mean[ONSET_T50] + NEVER_S;
}

#define UNTOLD 2.0 /* times what was expected: more is not told apart */

/* How exactly the pressures alone tell the time: without what was expected, which was learned from events
 * that the gas model times wrongly in the same way and so is no second opinion. */
static double told_s(const struct onset_prior *prior, const struct onset_result *r)
{
	double sd_s = prior->sd[ONSET_T50], z = (r->t50_s - prior->mean[ONSET_T50]) / sd_s;
	double expected = 5 / (4 + z * z) / (sd_s * sd_s), told = 1 / (r->sd_s * r->sd_s) - expected;
	return 1 / sqrt(fmax(told, 1 / (UNTOLD * UNTOLD * sd_s * sd_s)));
}

static double sure_of(const struct onset_result *r)
{
	return fmin(r->log_bayes_factor, r->log_against_opposite);
}

/* An exhaust that shuts as long before a dead centre as another behind it traps the same air: the pressures
 * must tell it twice as exactly as what is expected. */
#define SHUT_SHARE 0.5

/* It moved, but the time is what was expected and hardly more: as where an exhaust shuts at the dead centre.
 */
static bool untold(const struct onset_window *w, const struct onset_prior *prior,
                   const struct onset_result *r)
{
	double share = w->passage == ONSET_EXHAUST && !w->opening ? SHUT_SHARE : 1;
	return sure_of(r) > 5 && told_s(prior, r) > share * prior->sd[ONSET_T50];
}

static char class_of(const struct onset_window *w, const struct onset_prior *prior,
                     const struct onset_result *r)
{
	double sure = sure_of(r);
	double misfit = r->misfit / (double)w->n;
	bool told = !untold(w, prior, r);
	if (told && sure > 10 && r->unimodal && misfit < 3 && inside(prior, r))
		return EVENT_CLASS_A;
	if (told && sure > 5 && misfit < 6 && inside(prior, r) && r->sd_s < 5e-3)
		return EVENT_CLASS_B;
	bool stayed = (r->log_bayes_factor < 0 && r->log_against_opposite - r->log_bayes_factor > 5) ||
	              (put_off(prior, r) && r->log_against_opposite > 5 && misfit < 6);
	bool long_enough = prior->latest_s > prior->mean[ONSET_T50] + LATE_S;
	return stayed && long_enough && r->expected > CLEAR ? EVENT_CLASS_MISSED : EVENT_CLASS_C;
}

/* A closing exhaust beside the opening inlet: what is assumed of the inlet and of the air's temperature moves
 * it. Rehearsed rides: up to 0.7 ms late where the movements lie less than 9 ms apart; what opens or shuts
 * beside another movement, up to 0.65 ms off. */
#define BESIDE_SHUT_S 0.5e-3
#define BESIDE_S 0.35e-3

/* An opening so wide that the chamber is full, or empty, before it is half open: what is seen is its
 * beginning, and half open is told from the ramp.  That ramp is told from the same piece, so that one found
 * short is no proof.  Share of the ramp by which rehearsed machines were off. */
#define UNSEEN_SHARE 0.15

/* A closing shows from where it takes this part of the pressure; if it is more than half shut by then, half
 * way is told from the ramp.  Valves' ramps range from half to twice what is usual, sd of the logarithm 0.4:
 * behind a closing exhaust the pressure, still near the ambient, tells nothing of it, at a closing inlet
 * some.
 */
#define THROTTLE_RATIO 0.97
#define UNSEEN_SHUT_SHARE 0.25
#define UNSEEN_EXHAUST_SHARE 0.4

/* Half way of a movement is not seen itself, but told from a ramp: sd. */
static double unseen_s(const struct valve_events *v, const struct onset_window *w,
                       const struct onset_result *r)
{
	double at = (r->t50_s - w->start_s) / w->step_s, k_m3_s = exp(r->value[ONSET_K]);
	size_t cell = (size_t)fmin(fmax(at, 0), (double)w->cells - 1);
	double ramp_s = exp(fmax(r->value[ONSET_RAMP], v->usual[ONSET_RAMP])), volume_m3 = w->volume_m3[cell];
	if (w->opening)
		return UNSEEN_SHARE * fmax(ramp_s - volume_m3 / (AIR_GAMMA * k_m3_s), 0);
	double sweeps_m3_s = fabs(w->log_volume[cell + 1] - w->log_volume[cell]) / w->step_s * volume_m3;
	double shows = sweeps_m3_s / (k_m3_s * air_flow_function(THROTTLE_RATIO, r->value[ONSET_B]));
	double share = w->passage == ONSET_EXHAUST ? UNSEEN_EXHAUST_SHARE : UNSEEN_SHUT_SHARE;
	return share * fmax(0.5 - shows, 0) * ramp_s;
}

/* An exhaust found to shut so slowly does not, but the model does not fit: a leak that ends meanwhile, air
 * from the inlet, the other end that empties; likewise either of two movements beside one another.  Half way
 * may be off by half of what the ramp is too long. */
static double too_slow_s(const struct valve_events *v, const struct group *g)
{
	return 0.5 * fmax(exp(g->value[ONSET_RAMP]) - 2 * exp(v->usual[ONSET_RAMP]), 0);
}

/* Pressure by which the model may err in the same way over the samples that show an event: few, but for a
 * closing exhaust, of which the whole of the compression behind it tells. */
#define MODEL_PA 500
#define MODEL_SAMPLES 8

/* What the model may be off by, beyond what its fit says. */
static double model_doubt_s(const struct valve_events *v, enum engine_end end, const struct onset_window *w,
                            const struct onset_prior *prior, const struct onset_result *r)
{
	enum onset_passage other = w->passage == ONSET_INLET ? ONSET_EXHAUST : ONSET_INLET;
	const struct group *beside = &v->group[end][valve_kind(other, w->other.opening)];
	bool exhaust_shuts = w->passage == ONSET_EXHAUST && !w->opening;
	double samples = exhaust_shuts ? (double)w->n : MODEL_SAMPLES;
	double doubt_s = hypot(told_s(prior, r) * MODEL_PA * sqrt(samples) / w->noise_pa, unseen_s(v, w, r));
	if (w->other.moves)
		doubt_s =
		    hypot(doubt_s, hypot(exhaust_shuts ? BESIDE_SHUT_S : BESIDE_S, too_slow_s(v, beside)));
	if (w->other.moves || exhaust_shuts)
		doubt_s = hypot(doubt_s, too_slow_s(v, &v->group[end][valve_kind(w->passage, w->opening)]));
	return doubt_s;
}

/* What of it may change over a ride: all but the sensor's lag. */
static double model_sd_s(const struct group *g)
{
	return hypot(g->common_sd_s, g->timed > 0 ? g->doubt_sum_s / g->timed : 0);
}

#define NO_LAG 2.01 /* sd: it may as well be none */

/* What the lag's doubt does to the times of a kind, sd.  A sensor with a lag shows all the later by just
 * that; the slope about what was found may be less, as ramp and flow give way, but does not hold all the way
 * to none. */
static double lag_doubt_s(const struct valve_events *v, enum engine_end end, const struct group *g)
{
	bool none = v->lag_s[end] < NO_LAG * v->lag_sd_s[end];
	return fmax(fabs(g->per_lag), none ? 1 : 0) * v->lag_sd_s[end];
}

double valve_common_sd_s(const struct valve_events *v, enum engine_end end, enum valve_event_kind kind)
{
	return hypot(model_sd_s(&v->group[end][kind]), lag_doubt_s(v, end, &v->group[end][kind]));
}

/* Misfit of the better of the two stories, moved or not. */
static double best_misfit(const struct onset_result *r)
{
	return r->misfit + 2 * fmin(r->log_bayes_factor, 0);
}

/* No event seen beside a movement of the other passage: perhaps it was that one which failed. */
static char without_other(struct onset_window *w, const struct onset_prior *prior, char cls,
                          struct onset_result *r)
{
	struct onset_result alone;
	if (!w->other.moves || cls == EVENT_CLASS_A || cls == EVENT_CLASS_B)
		return cls;
	w->other.moves = false;
	w->other.opening = !w->other.opening;
	if (!onset_fit(w, prior, &alone) || best_misfit(&alone) + 10 > best_misfit(r))
		return cls;
	*r = alone;
	return class_of(w, prior, r);
}

#define HELD_BEFORE_US 5e3
#define HELD_AFTER_US 20e3 /* an open passage takes a third of a small chamber's air in less */
#define HELD_LEAST 8       /* samples */
#define HELD_OVER_PA 1e5   /* above what lies behind the passage */

/* Compressed so far that the sensor is at its end, before an opening and still long after it: nothing opened.
 */
static bool held_full(const struct valve_events *v, const struct leg *leg, enum engine_end end,
                      enum onset_passage passage, const struct transition *t)
{
	const struct chamber *ch = &v->chamber[end];
	const struct ride_series *p = ch->series;
	size_t n = 0, hint = 0;
	if (p == NULL || !t->opens || ch->top_rail == 0)
		return false;
	double from = t->command_us - HELD_BEFORE_US, to = t->t50_us + HELD_AFTER_US;
	size_t i = ride_lower_bound(p->t_us, p->n, (int64_t)from);
	double beyond = passage == ONSET_EXHAUST ? v->engine.ambient_pa
	                                         : valve_supply_at(v, leg, end, t->command_us, &hint);
	for (; i < p->n && (double)p->t_us[i] < to; i++, n++)
		if (p->counts[i] < ch->top_rail || !((double)p->value[i] > beyond + HELD_OVER_PA))
			return false;
	return n >= HELD_LEAST && i < p->n;
}

/* The air's temperature changes over a ride, with the supply's and the walls': this part of what one event is
 * off by is taken to last.  One tells little and is pulled back to what was expected; some thirty have
 * followed. */
#define WARMTH_LASTS 0.5

static void follow_warmth(const struct onset_prior *prior, const struct onset_result *r, struct group *g)
{
	bool usual = prior->sd[ONSET_WARM0] <= g->sd[ONSET_WARM0];
	if (usual)
		g->value[ONSET_WARM0] += WARMTH_LASTS * (r->value[ONSET_WARM0] - prior->mean[ONSET_WARM0]);
}

/* Event time by the gas balance; a second, longer look when the first shows no event. */
static void time_event(struct valve_events *v, const struct leg *leg, const struct crank *c,
                       enum onset_passage passage, struct transition *t, struct valve_event *e)
{
	struct onset_prior prior;
	struct onset_result r = {0};
	enum engine_end end = (enum engine_end)e->end;
	struct onset_window *w = &v->window[end];
	enum valve_event_kind kind = (enum valve_event_kind)e->event;
	e->cls = EVENT_CLASS_C;
	for (int look = 0; look < 2; look++) {
		if (!valve_window(v, leg, c, end, passage, t, look * 30e-3, w, &prior) ||
		    !onset_fit(w, &prior, &r)) {
			t->dead = held_full(v, leg, end, passage, t);
			e->cls = t->dead ? EVENT_CLASS_MISSED : EVENT_CLASS_C;
			return;
		}
		e->cls = class_of(w, &prior, &r);
		if (e->cls == EVENT_CLASS_A)
			break;
	}
	e->cls = without_other(w, &prior, e->cls, &r);
	e->log_bayes_factor = r.log_bayes_factor;
	if (e->cls != EVENT_CLASS_MISSED && !v->group[end][kind].learned)
		e->cls = EVENT_CLASS_C; /* nothing like it was seen often enough to know it by */
	t->dead = e->cls == EVENT_CLASS_MISSED;
	struct group *g = &v->group[end][kind];
	bool found = e->cls == EVENT_CLASS_A || e->cls == EVENT_CLASS_B;
	double doubt_s = model_doubt_s(v, end, w, &prior, &r);
	if (found ||
	    (g->learned && untold(w, &prior, &r))) { /* those left may just look as if they told more */
		g->timed++;
		g->doubt_sum_s += doubt_s;
	}
	if (!found)
		return;
	t->t50_us = t->command_us + 1e6 * r.t50_s;
	t->sd_us = 1e6 * r.sd_s;
	t->found = true;
	e->event_t_us = t->t50_us;
	e->delay_s = r.t50_s;
	e->t10_s = t->opens ? onset_share_time(w, r.value, 0.1) : NAN;
	double common = hypot(g->common_sd_s, lag_doubt_s(v, end, g));
	e->sd_s = fmax(hypot(hypot(r.sd_s, common), doubt_s), FLOOR_S);
	follow_warmth(&prior, &r, g);
}

/* The true angle of the event; in a flagged stretch it is not counted. */
static void place_event(const struct crank *c, struct valve_event *e)
{
	struct crank_state at;
	size_t hint = 0;
	if (isnan(e->event_t_us))
		return;
	crank_at(c, e->event_t_us, &hint, &at);
	if (at.flag != CRANK_GOOD) {
		e->flagged = true;
		e->cls = EVENT_CLASS_C;
		e->event_t_us = e->delay_s = e->sd_s = e->t10_s = NAN;
		return;
	}
	e->event_rad = at.theta_rad;
}

static bool make_row_room(struct valve_events *v)
{
	size_t room = v->row_room ? 2 * v->row_room : 256;
	struct valve_event *row = realloc(v->row, sizeof(*row) * room);
	if (row == NULL)
		return false;
	v->row = row;
	size_t *command = realloc(v->row_command, sizeof(*command) * room);
	if (command == NULL)
		return false;
	v->row_command = command;
	v->row_room = room;
	return true;
}

static struct valve_event *new_row(struct valve_events *v, size_t n, size_t command)
{
	if (n == v->row_room && !make_row_room(v))
		return NULL;
	v->row_command[n] = command;
	v->row[n] = (struct valve_event){
	    .event_t_us = NAN, .event_rad = NAN, .sd_s = NAN, .delay_s = NAN, .t10_s = NAN};
	return &v->row[n];
}

/* When the valve's next command comes. */
static double held_until_us(const struct leg *leg, size_t command)
{
	for (size_t i = command + 1; i < leg->command_n; i++)
		if (leg->command[i].valve == leg->command[command].valve)
			return (double)leg->command[i].t_us;
	return INFINITY;
}

static struct coil_look look_at_coil(const struct valve_events *v, const struct leg *leg, size_t command)
{
	const struct ride_command *cmd = &leg->command[command];
	int channel = v->coil_channel[cmd->valve];
	if (channel < 0 || !cmd->on)
		return (struct coil_look){COIL_UNSEEN, NAN, NAN};
	const struct engine_sensor *s = &v->engine.sensor[channel];
	double full_a = fmax(s->value[0], s->value[s->points - 1]);
	return coil_current_look(&leg->sensor[channel], full_a, (double)cmd->t_us,
	                         held_until_us(leg, command));
}

struct finding {
	const struct leg *leg;
	const struct crank *crank;
	const struct believed *believed;
	size_t n; /* rows */
};

/* One row for what a command does to one passage; its time is found later. */
static int lay_row(struct valve_events *v, struct finding *x, size_t command, enum engine_end end,
                   enum onset_passage passage)
{
	const struct ride_command *cmd = &x->leg->command[command];
	if (!(v->engine.valve[cmd->valve].passages & valve_passage_bit(end, passage)))
		return 0;
	const struct transition *t = valve_transition(v, end, passage, command);
	if (t == NULL)
		return 0;
	struct valve_event *e = new_row(v, x->n, command);
	if (e == NULL)
		return -1;
	x->n++;
	e->valve = cmd->valve;
	e->end = (uint8_t)end;
	e->event = (uint8_t)valve_kind(passage, t->opens);
	fill_command(v, cmd, x->crank, x->believed, e);
	fill_pressures(v, x->leg, passage, e);
	e->coil = look_at_coil(v, x->leg, command);
	return 0;
}

static bool inlet_shuts(const struct valve_events *v, const struct ride_command *cmd, int end)
{
	return !valve_command_opens(&v->engine, cmd, valve_passage_bit((enum engine_end)end, ONSET_INLET));
}

static int lay_rows(struct valve_events *v, struct finding *x)
{
	const struct leg *leg = x->leg;
	for (size_t i = 0; i < leg->command_n; i++) {
		const struct ride_command *cmd = &leg->command[i];
		if (cmd->t_us < leg->core_from_us || cmd->t_us >= leg->core_to_us ||
		    cmd->valve >= ENGINE_VALVES_MAX)
			continue;
		coil_switch(&v->coil[cmd->valve], (double)cmd->t_us, cmd->on);
		for (int end = 0; end < END_COUNT; end++)
			for (int k = 0; k < 2; k++) {
				/* what opens first: of a spool's two passages it shows more */
				enum onset_passage p = (enum onset_passage)(k ^ inlet_shuts(v, cmd, end));
				if (lay_row(v, x, i, (enum engine_end)end, p) != 0)
					return -1;
			}
	}
	return 0;
}

/* One spool shuts one passage as it opens the other.  The pressure then shows the opening; when just the
 * other shut it does not tell, and that nothing is seen of it is no sign that it did not move. */
static void follow_spool(struct valve_events *v, enum engine_end end, enum onset_passage passage,
                         size_t command, struct transition *t, struct valve_event *e)
{
	enum onset_passage other = passage == ONSET_INLET ? ONSET_EXHAUST : ONSET_INLET;
	const struct transition *mate = valve_transition(v, end, other, command);
	if (t->opens || mate == NULL || !mate->opens || !mate->found)
		return;
	e->cls = EVENT_CLASS_C;
	e->event_t_us = e->delay_s = e->sd_s = NAN;
	t->found = t->dead = false;
	t->t50_us = mate->t50_us;
}

/* Times the events of one end, in the order of their commands: each knows those before it. */
static void find_end(struct valve_events *v, enum engine_end end, void *ctx)
{
	const struct finding *x = ctx;
	for (size_t i = 0; i < x->n; i++) {
		struct valve_event *e = &v->row[i];
		if (e->end != end)
			continue;
		enum onset_passage passage = valve_kind_passage((enum valve_event_kind)e->event);
		struct transition *t = valve_transition(v, end, passage, v->row_command[i]);
		time_event(v, x->leg, x->crank, passage, t, e);
		follow_spool(v, end, passage, v->row_command[i], t, e);
		place_event(x->crank, e);
		watch_event(v, x->leg, x->crank, e);
	}
}

static int tally_rows(struct valve_events *v, size_t n)
{
	for (size_t i = 0; i < n; i++)
		if ((v->counts == NULL || v->counts(v->counts_ctx, &v->row[i])) &&
		    valve_tally_add(&v->tally, &v->row[i]) != 0)
			return -1;
	return 0;
}

int valve_events_find(struct valve_events *v, const struct leg *leg, const struct crank *c,
                      const struct believed *b, const struct valve_event **rows, size_t *n,
                      struct fault *fault)
{
	struct finding x = {.leg = leg, .crank = c, .believed = b};
	*n = 0;
	if (valve_prepare_leg(v, leg, fault) != 0)
		return -1;
	if (lay_rows(v, &x) != 0)
		return fault_set(fault, EX_OSERR, "out of memory");
	valve_each_end(v, find_end, &x);
	if (tally_rows(v, x.n) != 0)
		return fault_set(fault, EX_OSERR, "out of memory");
	watch_leg(v, leg);
	valve_gas_model(v);
	*rows = v->row;
	*n = x.n;
	return 0;
}

/* --- the gas model for others ---------------------------------------------- */

/* K of a leak, m3/s, that takes this share a second: loss = gamma K / V, choked; walls alone would make the
 * index 1.37. */
static double leak_of(const struct expansion *x)
{
	double share_s = (expansion_index(x) - 1.37) / expansion_slow_s(x);
	return share_s * expansion_volume_m3(x) / AIR_GAMMA;
}

void valve_gas_model(struct valve_events *v)
{
	struct gas_model *g = &v->gas;
	/* K = C rho0 R sqrt(T0 T), see onset.h */
	double per_c = AIR_ANR_DENSITY * AIR_R * sqrt(AIR_ANR_TEMPERATURE_K * v->engine.air_k);
	for (int end = 0; end < END_COUNT; end++) {
		const struct group *of = v->group[end];
		const struct watch_end *w = &v->watch.end[end];
		g->n_polytropic[end] = expansion_index(&w->expansion);
		g->tight[end] = w->tight;
		for (int p = 0; p < 2; p++) {
			const struct group *opens = &of[valve_kind((enum onset_passage)p, true)];
			const struct group *shuts = &of[valve_kind((enum onset_passage)p, false)];
			const struct group *best = opens->learned ? opens : shuts;
			g->conductance[end][p] = best->learned ? exp(best->value[ONSET_K]) / per_c : NAN;
			g->ramp_s[end][p][0] = opens->learned ? exp(opens->value[ONSET_RAMP]) : NAN;
			g->ramp_s[end][p][1] = shuts->learned ? exp(shuts->value[ONSET_RAMP]) : NAN;
		}
		bool loses = w->tight.high && isfinite(w->tight.least_per_s);
		g->leak_m3_s_pa[end] = loses ? leak_of(&w->expansion) / per_c : NAN;
		g->noise_pa[end] = v->chamber[end].series != NULL ? v->chamber[end].noise_pa : NAN;
		g->sensor_lag_s[end] = v->lag_s[end];
		g->sensor_lag_sd_s[end] = v->lag_sd_s[end];
	}
}

const struct gas_model *valve_events_gas_model(const struct valve_events *v)
{
	return &v->gas;
}

/* --- over the ride ----------------------------------------------------------- */

static int by_valve_end_event(const void *a, const void *b)
{
	const struct valve_tally_group *x = a, *y = b;
	int left = (x->valve * END_COUNT + x->end) * EVENT_KINDS + x->event;
	int right = (y->valve * END_COUNT + y->end) * EVENT_KINDS + y->event;
	return left - right;
}

struct summing {
	const struct valve_events *v;
	struct valve_event_summary *out;
	int status[VALVE_EVENT_SUMMARIES];
};

static void sum_up(void *ctx, size_t i)
{
	struct summing *x = ctx;
	const struct valve_events *v = x->v;
	const struct valve_tally_group *g = &v->tally.group[i];
	double common = valve_common_sd_s(v, (enum engine_end)g->end, (enum valve_event_kind)g->event);
	x->status[i] = valve_tally_summary(g, common, &x->out[i]);
	if (x->status[i] == 0)
		x->status[i] = valve_causes(g, model_sd_s(&v->group[g->end][g->event]), &x->out[i]);
	if (x->status[i] == 0)
		valve_summary_words(&v->engine, &x->out[i]);
}

size_t valve_events_finish(struct valve_events *v, struct valve_event_summary *out)
{
	struct summing x = {.v = v, .out = out};
	qsort(v->tally.group, v->tally.n, sizeof(*v->tally.group), by_valve_end_event);
	beside_do(v->tally.n, sum_up, &x);
	for (size_t i = 0; i < v->tally.n; i++)
		if (x.status[i] != 0)
			return 0;
	if (watch_judge_expansions(v) != 0)
		return 0;
	valve_gas_model(v);
	watch_conclude(v, out, v->tally.n);
	return v->tally.n;
}

const char *valve_events_finding(const struct valve_events *v, size_t i)
{
	return i < v->findings ? v->finding[i] : NULL;
}
