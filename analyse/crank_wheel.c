/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The wheel: before anything is known of it, and as it is handed over. */
#include "analyse/crank_learner.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define FIRST_SD (0.3 * DEG) /* an edge about a wheel not yet learned */
#define FIRST_SD_PITCH 0.2   /* ... and never more than this part of a pitch */
#define WHOLE_TEETH 0.02     /* ratios are given with a few digits */
#define UNSEEN_SD (0.2 * DEG)
#define CLOSINGS_LEAST 6
#define LAG_WORTH_S 3e-4
#define LAG_USUAL_S 2e-3 /* a contact or a filter may be as late as that; value from memory */
#define LAG_SDS 5.0
#define SECOND_LEAST 100              /* edges */
#define BACKWARD_WORTH 0.2            /* part of the edges: less leaves no doubt which way is forward */
#define LOW_UNKNOWN_SD (0.3 * DEG)    /* what a wheel's low orders may be when nothing tells: all ... */
#define FIRST_UNKNOWN_SD (0.25 * DEG) /* ... and the first of them; the others alike */

/* Both edges: how much of a pitch lies between a rising edge and the falling
 * one after it, as the median over the leg. */
static double duty_of(const struct leg *leg)
{
	double part[2048];
	size_t n = 0, stride = leg->tooth_n / 2048 + 1;
	for (size_t i = 0; i + 2 < leg->tooth_n && n < 2048; i += stride) {
		size_t j = leg->tooth[i].level != 0 ? i : i + 1;
		const struct ride_edge *e = &leg->tooth[j];
		if (j + 2 >= leg->tooth_n || e[0].level == 0 || e[1].level != 0 || e[2].level == 0)
			continue;
		double high = (double)(e[1].t_us - e[0].t_us), both = (double)(e[2].t_us - e[0].t_us);
		if (both > 0)
			part[n++] = high / both;
	}
	if (n == 0)
		return 0.5;
	gsl_sort(part, 1, n);
	return fmin(fmax(gsl_stats_median_from_sorted_data(part, 1, n), 0.02), 0.98);
}

/* How the second channel stands at the edges of the first: alike (high when it
 * rises) or not.  An encoder changes between the two only where the crank turns back. */
struct second_channel {
	size_t like, unlike, changes;
};

static struct second_channel second_channel_of(const struct leg *leg)
{
	struct second_channel s = {0, 0, 0};
	size_t second = 0;
	bool before = false;
	for (size_t i = 0; i < leg->tooth_n; i++) {
		while (second < leg->tooth2_n && leg->tooth2[second].t_us <= leg->tooth[i].t_us)
			second++;
		if (second == 0)
			continue;
		bool like = (leg->tooth2[second - 1].level != 0) == (leg->tooth[i].level != 0);
		s.changes += s.like + s.unlike > 0 && like != before;
		s.like += like;
		s.unlike += !like;
		before = like;
	}
	return s;
}

/* Which level the second channel has at rising edges turning forward: as the engine file says; else the level
 * it mostly has, for a ride goes forward more than backward. */
static int quadrature_of(const struct engine *e, const struct leg *leg)
{
	struct second_channel s = second_channel_of(leg);
	size_t n = s.like + s.unlike;
	if (n < SECOND_LEAST || s.changes > n / 5)
		return 0;
	return e->second_channel != 0 ? e->second_channel : s.unlike >= s.like ? 1 : -1;
}

/* Part of the edges passed the way that is taken for backward. */
static double part_backward(const struct leg *leg, int quadrature)
{
	struct second_channel s = second_channel_of(leg);
	return (double)(quadrature > 0 ? s.like : s.unlike) / (double)(s.like + s.unlike);
}

/* Teeth that pass in a turn of the crank: of a wheel that turns several times, or
 * only in part, that many times its own. */
static double teeth_a_turn(const struct engine *e)
{
	return e->tooth_count * (e->crank_ratio > 0 ? e->crank_ratio : 1);
}

bool learner_teeth_fit(const struct engine *e)
{
	double teeth = teeth_a_turn(e), most = CRANK_SLOTS_MAX / (e->edges == EDGES_BOTH ? 2 : 1);
	return fabs(teeth - rint(teeth)) < WHOLE_TEETH && teeth > 0.5 && teeth < most + 0.5;
}

struct wheel learner_nominal_wheel(const struct engine *e, const struct leg *leg)
{
	struct wheel w = {.teeth = engine_crank_teeth(e), .quadrature = quadrature_of(e, leg)};
	bool both = e->edges == EDGES_BOTH;
	double pitch = TWO_PI / w.teeth, duty = both ? duty_of(leg) : 0;
	w.slots = both ? 2 * w.teeth : w.teeth;
	for (unsigned i = 0; i < w.slots; i++) {
		unsigned tooth = both ? i / 2 : i;
		bool trailing = both && i % 2 == 1;
		w.angle_rad[i] = pitch * (tooth + (trailing ? duty : 0));
		w.level[i] = both ? !trailing : e->edges == EDGES_RISING;
	}
	w.edge_sd_rad = fmin(FIRST_SD, FIRST_SD_PITCH * TWO_PI / w.slots);
	if (w.quadrature != 0 && e->second_channel == 0)
		w.forward_taken = 1 - part_backward(leg, w.quadrature);
	return w;
}

void learner_remark(struct wheel *w, const char *format, ...)
{
	if (w->remarks == sizeof w->remark / sizeof w->remark[0])
		return;
	va_list args;
	va_start(args, format);
	vsnprintf(w->remark[w->remarks++], sizeof w->remark[0], format, args);
	va_end(args);
}

/* Of an index that closes once in several turns of the wheel as the engine file
 * has it: does a valve switch on as often as the index closes?  Then that is a
 * turn of the crank. */
static bool turns_with_index(const struct crank_learner *l)
{
	uint64_t most = 0;
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		most = l->switched_on[v] > most ? l->switched_on[v] : most;
	return l->closings_in_all >= CLOSINGS_LEAST && (double)most > 0.7 * (double)l->closings_in_all &&
	       (double)most < 1.3 * (double)l->closings_in_all;
}

static int check_count(const struct crank_learner *l, struct wheel *w, struct fault *fault)
{
	unsigned best = index_watch_teeth(&l->watch);
	double ratio = l->engine.crank_ratio;
	if (best == 0 || best == w->teeth)
		return 0;
	if (best % w->teeth != 0 || turns_with_index(l))
		return fault_set(fault, EX_DATAERR,
		                 "the engine file lets %u teeth pass in a turn of the crank, but %u teeth "
		                 "pass between two "
		                 "closings of the index; set `count = %g` in [teeth], or check `edges`%s",
		                 w->teeth, best, best / ratio,
		                 best % w->teeth == 0 ? ", or say by `crank ratio` how often the wheel turns"
		                                      : "");
	learner_remark(
	    w,
	    "the index closes only once in %u turns of the wheel: it misses the others, or the wheel has "
	    "%g teeth, or `crank ratio = %g` is missing",
	    best / w->teeth, best / ratio, ratio * (best / w->teeth));
	return 0;
}

/* A slot that moved on the way lies somewhere between.  Since the low orders are
 * held, one that moved takes its neighbours along a little: they are not counted. */
static void name_moved(const struct crank_learner *l, struct wheel *w)
{
	double turn = w->aligned ? l->engine.index_rad - l->index_rad : 0;
	unsigned moved = 0, most = 0;
	for (unsigned i = 0; i < w->slots; i++) {
		most = fabs(l->moved_rad[i]) > fabs(l->moved_rad[most]) ? i : most;
		w->angle_sd_rad[i] = hypot(w->angle_sd_rad[i], l->moved_rad[i] / 2);
	}
	for (unsigned i = 0; i < w->slots; i++)
		moved += 2 * fabs(l->moved_rad[i]) > fabs(l->moved_rad[most]);
	double at = (w->angle_rad[most] + turn) / TWO_PI;
	if (moved > 0)
		learner_remark(
		    w,
		    "the wheel changed on the way: %u of its %u edges moved, most of all the one at %.0f "
		    "deg, "
		    "by %+.2f deg",
		    moved, w->slots, 360 * (at - floor(at)), l->moved_rad[most] / DEG);
}

/* Turns the wheel so that its index closes where the engine file says, and
 * numbers the slots from the first one past 0 deg. */
static void place_on_crank(const struct crank_learner *l, struct wheel *w)
{
	const struct wheel was = *w, *from = &was;
	double turn = w->aligned ? l->engine.index_rad - l->index_rad : 0;
	unsigned first = 0;
	double lowest = INFINITY;
	for (unsigned i = 0; i < w->slots; i++) {
		double a = from->angle_rad[i] + turn;
		a -= TWO_PI * floor(a / TWO_PI);
		if (a < lowest) {
			lowest = a;
			first = i;
		}
	}
	for (unsigned i = 0; i < w->slots; i++) {
		unsigned j = (first + i) % w->slots;
		double a = from->angle_rad[j] + turn;
		w->angle_rad[i] = a - TWO_PI * floor(a / TWO_PI);
		w->angle_sd_rad[i] = from->angle_sd_rad[j];
		w->stray_rad[i] = from->stray_rad[j];
		w->level[i] = from->level[j];
	}
}

/* Leading edges against equal pitch; trailing edges against leading ones. */
static void describe_pitch(const struct engine *e, struct wheel *w)
{
	bool both = w->slots > w->teeth;
	uint8_t leading = e->edges == EDGES_FALLING ? 0 : 1;
	double pitch = TWO_PI / w->teeth, mean = 0, behind = 0;
	unsigned k = 0;
	for (unsigned i = 0; i < w->slots; i++) {
		if (w->level[i] != leading)
			continue;
		w->pitch_error_rad[k] = w->angle_rad[i] - k * pitch;
		mean += w->pitch_error_rad[k++] / w->teeth;
		double gap = w->angle_rad[(i + 1) % w->slots] - w->angle_rad[i];
		behind += (gap < 0 ? gap + TWO_PI : gap) / w->teeth;
	}
	for (k = 0; k < w->teeth; k++)
		w->pitch_error_rad[k] -= mean;
	w->edge_offset_rad = both ? behind : NAN;
}

static int check_usable(const struct crank_learner *l, struct fault *fault)
{
	if (l->engine.tooth_count == 0)
		return fault_set(
		    fault, EX_CONFIG,
		    "the engine file gives no toothed wheel; add `count` to its section [teeth]");
	if (!learner_teeth_fit(&l->engine))
		return fault_set(fault, EX_CONFIG,
		                 "by the engine file %.6g teeth pass in a turn of the crank (`count` times "
		                 "`crank ratio`); "
		                 "the crank angle is told only where that is a whole number, up to %d edges",
		                 teeth_a_turn(&l->engine), CRANK_SLOTS_MAX);
	if (l->edges == 0)
		return fault_set(fault, EX_DATAERR,
		                 "the ride holds no tooth edges; check the pick-up and its wiring");
	if (!l->started)
		return fault_set(
		    fault, EX_DATAERR,
		    "the ride holds %llu tooth edges, but nowhere %u in a row that turn evenly; the crank "
		    "angle cannot be told from them",
		    (unsigned long long)l->edges, 9u);
	return 0;
}

/* Standard deviation of a slot's angle as most slots have it. */
static double usual_sd(const struct wheel *w)
{
	double sd[CRANK_SLOTS_MAX];
	memcpy(sd, w->angle_sd_rad, w->slots * sizeof *sd);
	gsl_sort(sd, 1, w->slots);
	return gsl_stats_median_from_sorted_data(sd, 1, w->slots);
}

/* A tooth that never showed has no more than the prior's angle, and is known far
 * worse than the rest: what is in doubt for the whole wheel does not count. */
static void name_unseen(const struct engine *e, struct wheel *w)
{
	unsigned unseen = 0, last = 0;
	uint8_t leading = e->edges == EDGES_FALLING ? 0 : 1;
	double sd = hypot(UNSEEN_SD, 2 * usual_sd(w));
	for (unsigned i = 0; i < w->slots; i++) {
		if (w->level[i] != leading || w->angle_sd_rad[i] < sd)
			continue;
		unseen++;
		last = i;
	}
	if (unseen == 1)
		learner_remark(w,
		               "one of the %u teeth, at %.0f deg, never shows: left out on purpose, or lost",
		               w->teeth, w->angle_rad[last] * 360 / TWO_PI);
	else if (unseen > 1)
		learner_remark(w, "%u of the %u teeth never show, one of them at %.0f deg", unseen, w->teeth,
		               w->angle_rad[last] * 360 / TWO_PI);
}

/* Teeth of a wheel that does not turn whole times with the crank come by elsewhere
 * each turn: neither are its pitch errors learned turn by turn, nor do they average
 * out.  What they may amount to on the crank; 0 for any other wheel. */
static double ratio_sd(const struct engine *e, struct wheel *w)
{
	double ratio = e->crank_ratio > 0 ? e->crank_ratio : 1;
	if (fabs(ratio - rint(ratio)) * e->tooth_count < WHOLE_TEETH)
		return 0;
	w->low_orders_known = false;
	learner_remark(
	    w,
	    "the toothed wheel turns %.4g times a crank turn: its teeth come by at other angles each "
	    "turn, and their pitch errors are not known",
	    ratio);
	return LOW_UNKNOWN_SD / ratio;
}

/* A switch that answers late turns every angle the farther the faster the crank
 * turns; at one speed nobody can tell that from where it sits. */
static void name_index(const struct crank_learner *l, struct wheel *w)
{
	const struct index_spot *s = &l->spot;
	double fast = fmax(l->fast_rad_s, l->slow_rad_s);
	for (unsigned i = 0; i < w->slots; i++)
		w->angle_sd_rad[i] = hypot(w->angle_sd_rad[i], s->sd_rad);
	if (s->late_s > 0) {
		learner_remark(
		    w,
		    "the index switch answers %.2f ms late (+/- %.2f): every angle is put right by that, "
		    "up to %.1f deg; a controller that counts from it is out by as much",
		    1e3 * s->late_s, 2e3 * s->lag_sd_s, s->late_s * fast / DEG);
	} else if (s->lag_s < -LAG_WORTH_S && s->lag_s < -LAG_SDS * s->lag_sd_s) {
		learner_remark(
		    w,
		    "the teeth answer %.1f ms later than the index switch (slow pick-up, or a filter in "
		    "its input): angles are right at the middle speed only",
		    -1e3 * s->lag_s);
	} else if (LAG_SDS * s->lag_sd_s > LAG_USUAL_S) {
		learner_remark(
		    w,
		    "at so even a speed a late index switch cannot be told: each ms would shift every "
		    "angle by %.1f deg",
		    1e-3 * fast / DEG);
	}
}

/* Where angles count from the index an unknown low order does nothing there, and twice
 * as much on the far side; part of LOW_UNKNOWN_SD. */
static double unknown_part(const struct crank_learner *l, const struct wheel *w, unsigned slot)
{
	if (!w->aligned)
		return 1;
	double from = w->angle_rad[slot] - l->engine.index_rad, first = FIRST_UNKNOWN_SD / LOW_UNKNOWN_SD;
	double each = (1 - first * first) / (PITCH_LOW_ORDERS - 1), sum = 0;
	for (unsigned h = 1; h <= PITCH_LOW_ORDERS; h++)
		sum += 2 * (1 - cos(h * from)) * (h == 1 ? first * first : each);
	return sqrt(sum);
}

static void finish_low_orders(const struct crank_learner *l, struct wheel *w)
{
	double more = ratio_sd(&l->engine, w);
	if (more > 0) {
		w->low_order_limit = PITCH_LOW_ORDERS + 1;
	} else if (!w->low_orders_known) {
		learner_remark(
		    w,
		    "pitch errors of orders 1 to %d cannot be told from the engine's own unevenness and "
		    "are taken as zero",
		    PITCH_LOW_ORDERS);
		more = LOW_UNKNOWN_SD;
	} else if (l->torque.kind == TORQUE_EVEN) {
		learner_remark(w, "torque shape assumed: nothing drives the wheel in step with the crank");
	} else if (l->torque.kind == TORQUE_ASSUMED) {
		learner_remark(
		    w,
		    "torque shape assumed: pitch errors of orders 1 to %d rest on a torque that keeps its "
		    "shape but for what the ride shows",
		    PITCH_LOW_ORDERS);
	}
	for (unsigned i = 0; i < w->slots; i++)
		w->angle_sd_rad[i] = hypot(w->angle_sd_rad[i], more * unknown_part(l, w, i));
}

int crank_learned(struct crank_learner *l, struct wheel *w, struct fault *fault)
{
	if (check_usable(l, fault) != 0)
		return -1;
	if (l->legs > 0 && learner_settle(l, fault) != 0)
		return -1;
	*w = l->wheel;
	w->remarks = 0;
	if (check_count(l, w, fault) != 0)
		return -1;
	w->aligned = !isnan(l->index_rad) && !isnan(l->engine.index_rad);
	if (isnan(l->engine.index_rad))
		learner_remark(w, "the engine file gives no index angle: angles are relative only");
	else if (!w->aligned)
		learner_remark(w, "no index was seen: angles are relative only");
	name_moved(l, w);
	place_on_crank(l, w);
	describe_pitch(&l->engine, w);
	w->index_spread_rad = l->spot.spread_rad;
	w->index_late_s = w->aligned ? l->spot.late_s : 0;
	w->index_opens_rad = w->aligned ? l->index_opens_rad + l->engine.index_rad - l->index_rad : NAN;
	if (w->aligned)
		name_index(l, w);
	name_unseen(&l->engine, w);
	learner_describe_wind(l, w);
	w->forward_taken = l->nominal.forward_taken;
	if (w->forward_taken > 0 && w->forward_taken < 1 - BACKWARD_WORTH)
		learner_remark(
		    w,
		    "which way is forward is not told: the way of %.0f %% of the teeth is taken for it; "
		    "`second channel = behind` (or ahead) in [teeth] says it",
		    100 * w->forward_taken);
	finish_low_orders(l, w);
	return 0;
}
